//! What is kept of an issue by date.

use jiff::civil::Date;

/// Rows by date, and of one date in the order in which they were recorded.
#[derive(Clone, Debug)]
pub(super) struct Days<R> {
    dates: Vec<Date>,
    /// The sequence of the first row of each date. They stand side by side, because a search goes back over all dates that were not known
    /// yet, which may be thousands.
    since: Vec<i64>,
    /// The rows of each date, with their sequences.
    rows: Vec<Vec<(i64, R)>>,
    /// How many rows there are.
    pub count: usize,
}

impl<R> Default for Days<R> {
    fn default() -> Days<R> {
        Days { dates: Vec::new(), since: Vec::new(), rows: Vec::new(), count: 0 }
    }
}

impl<R> Days<R> {
    /// The row in force at the close of a date as known at a sequence, with its own and its date: the newest that was known of the last date
    /// up to it of which one was.
    pub fn in_force(&self, as_of: Date, known: i64) -> Option<(Date, &(i64, R))> {
        let end = self.dates.partition_point(|date| *date <= as_of);
        let at = self.since[..end].iter().rposition(|since| *since <= known)?;
        let (date, rows) = (self.dates.get(at)?, self.rows.get(at)?);
        let count = rows.partition_point(|(sequence, _)| *sequence <= known);
        rows[..count].last().map(|row| (*date, row))
    }

    /// Adds a row that was recorded after all of its date.
    pub fn add(&mut self, date: Date, sequence: i64, row: R) {
        self.count += 1;
        match self.dates.binary_search(&date) {
            Ok(at) => self.rows[at].push((sequence, row)),
            Err(at) => {
                self.dates.insert(at, date);
                self.since.insert(at, sequence);
                self.rows.insert(at, vec![(sequence, row)]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_row_in_force_is_the_newest_known_of_the_last_date_with_one() {
        let day = |day| Date::constant(2026, 3, day);
        let mut days = Days::default();
        for (date, sequence) in [(1, 2), (10, 5), (5, 7), (10, 8), (20, 9)] {
            days.add(day(date), sequence, ());
        }
        let in_force = |date, known| days.in_force(day(date), known).map(|(of, (sequence, ()))| (of, *sequence));
        for (date, known, expected) in [
            (1, 1, None),
            (1, 2, Some((1, 2))),
            (9, 6, Some((1, 2))),
            (9, 7, Some((5, 7))),
            (10, 4, Some((1, 2))),
            (10, 7, Some((10, 5))),
            (10, 8, Some((10, 8))),
            (31, 8, Some((10, 8))),
            (31, 9, Some((20, 9))),
        ] {
            let expected = expected.map(|(of, sequence)| (day(of), sequence));
            assert_eq!(in_force(date, known), expected, "on the {date}th as known at {known}");
        }
        assert_eq!(days.count, 5);
    }
}
