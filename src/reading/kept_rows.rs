//! The rows of an issue as they are kept in memory, and which of them are in force.

use jiff::civil::Date;

use super::ReadError;
use super::days::Days;
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
        let position = |date| self.positions.in_force(date, known).map(|(_, (_, row))| *row);
        let booked = self.booked.in_force(as_of, known).map(|(_, row)| row);
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
