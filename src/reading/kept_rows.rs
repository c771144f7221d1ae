//! The rows of an issue as they are kept in memory, and which of them is in force.

use jiff::civil::Date;

use super::ReadError;
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::BookedRow;
use crate::posting;
use crate::reports::carrying_value::InForce;
use crate::store::{Added, Newest, Reader};

/// More rows than these of either kind are not kept: a backdated event adds one to each later date, so that they may be millions.
const MOST: usize = 2_000;

/// All rows of an issue up to one of its events.
#[derive(Clone, Debug, Default)]
pub(super) struct KeptRows {
    /// The sequence of that event.
    pub event_sequence: i64,
    /// Whether the issue has entries posted later than they are effective.
    pub has_late_entries: bool,
    /// What was outstanding, by effective date.
    positions: Days<PositionRow>,
    /// What was booked, by posting date.
    booked: Days<BookedRow>,
}

impl KeptRows {
    /// Adds what was recorded up to the newest event, unless there is too much. Rows of events that are recorded meanwhile are left for
    /// later.
    pub async fn add(
        mut self,
        (entity, bond_issue): (&str, &str),
        newest: &Newest,
        reader: &mut Reader<'_>,
    ) -> Result<Option<KeptRows>, ReadError> {
        let added = Added { entity, bond_issue, after: self.event_sequence, through: newest.event_sequence };
        let limit = i64::try_from(MOST).unwrap_or(i64::MAX) + 1;
        for row in reader.positions_added(added, limit).await? {
            let position = posting::position_row(&row)?;
            self.positions.add(position.date, row.sequence, position);
        }
        for row in reader.booked_added(added, limit).await? {
            let booked = posting::booked_row(&row)?;
            self.booked.add(booked.posting_date, row.sequence, booked);
        }
        self.event_sequence = newest.event_sequence;
        self.has_late_entries = newest.has_late_entries != 0;
        Ok((self.positions.count.max(self.booked.count) <= MOST).then_some(self))
    }

    /// The rows in force at the close of a date as known at a sequence, and the sequence of what is booked.
    pub fn in_force(&self, as_of: Date, known: i64) -> (InForce, Option<i64>) {
        let position = |date| self.positions.in_force(date, known).map(|(_, row)| *row);
        let booked = self.booked.in_force(as_of, known);
        let rows = InForce {
            position: position(as_of),
            booked: booked.map(|(_, row)| *row),
            accrued_position: booked.and_then(|(_, row)| position(row.accrued.date)),
        };
        (rows, booked.map(|(sequence, _)| *sequence))
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.positions.count + self.booked.count
    }
}

/// Rows by date, and of one date in the order in which they were recorded.
#[derive(Clone, Debug)]
struct Days<R> {
    days: Vec<Day<R>>,
    count: usize,
}

#[derive(Clone, Debug)]
struct Day<R> {
    date: Date,
    /// With their sequences; never empty.
    rows: Vec<(i64, R)>,
}

impl<R> Default for Days<R> {
    fn default() -> Days<R> {
        Days { days: Vec::new(), count: 0 }
    }
}

impl<R> Days<R> {
    /// The row in force at the close of a date as known at a sequence, with its own: the newest that was known of the last date up to it
    /// of which one was.
    fn in_force(&self, as_of: Date, known: i64) -> Option<&(i64, R)> {
        let end = self.days.partition_point(|day| day.date <= as_of);
        let mut days = self.days[..end].iter().rev();
        days.find_map(|day| day.rows[..day.rows.partition_point(|(sequence, _)| *sequence <= known)].last())
    }

    /// Adds a row that was recorded after all of its date.
    fn add(&mut self, date: Date, sequence: i64, row: R) {
        self.count += 1;
        match self.days.binary_search_by_key(&date, |day| day.date) {
            Ok(at) => self.days[at].rows.push((sequence, row)),
            Err(at) => self.days.insert(at, Day { date, rows: vec![(sequence, row)] }),
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
        let in_force = |date, known| days.in_force(day(date), known).map(|(sequence, ())| *sequence);
        for (date, known, expected) in [
            (1, 1, None),
            (1, 2, Some(2)),
            (9, 6, Some(2)),
            (9, 7, Some(7)),
            (10, 4, Some(2)),
            (10, 7, Some(5)),
            (10, 8, Some(8)),
            (31, 8, Some(8)),
            (31, 9, Some(9)),
        ] {
            assert_eq!(in_force(date, known), expected, "on the {date}th as known at {known}");
        }
        assert_eq!(days.count, 5);
    }
}
