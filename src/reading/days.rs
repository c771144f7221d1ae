//! What is kept of an issue by date.

use jiff::civil::Date;

/// Rows by date, and of one date in the order in which they were recorded.
#[derive(Clone, Debug)]
pub(super) struct Days<R> {
    days: Vec<Day<R>>,
    /// How many rows there are.
    pub count: usize,
}

#[derive(Clone, Debug)]
struct Day<R> {
    date: Date,
    /// The sequence of its first row, which stands with those of other dates: a search that goes back over thousands of dates that were not
    /// known yet reads them one after another.
    since: i64,
    /// With their sequences; never empty.
    rows: Vec<(i64, R)>,
}

impl<R> Default for Days<R> {
    fn default() -> Days<R> {
        Days { days: Vec::new(), count: 0 }
    }
}

impl<R> Days<R> {
    /// The row in force at the close of a date as known at a sequence, with its own and its date: the newest that was known of the last date
    /// up to it of which one was.
    pub fn in_force(&self, as_of: Date, known: i64) -> Option<(Date, &(i64, R))> {
        let end = self.days.partition_point(|day| day.date <= as_of);
        let day = self.days[..end].iter().rev().find(|day| day.since <= known)?;
        let count = day.rows.partition_point(|(sequence, _)| *sequence <= known);
        day.rows[..count].last().map(|row| (day.date, row))
    }

    /// Adds a row that was recorded after all of its date.
    pub fn add(&mut self, date: Date, sequence: i64, row: R) {
        self.count += 1;
        match self.days.binary_search_by_key(&date, |day| day.date) {
            Ok(at) => self.days[at].rows.push((sequence, row)),
            Err(at) => self.days.insert(at, Day { date, since: sequence, rows: vec![(sequence, row)] }),
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
