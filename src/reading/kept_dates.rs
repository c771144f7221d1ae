//! The dates at which an issue of a long history has rows.

use jiff::civil::Date;

use super::ReadError;
use super::days::Days;
use crate::posting;
use crate::store::{Added, Newest, Reader};

/// The dates of an issue up to one of its events, each with the sequence of the event that first wrote a row of it.
#[derive(Clone, Debug, Default)]
pub(super) struct KeptDates {
    /// The sequence of that event.
    pub event_sequence: i64,
    /// Whether the issue has entries posted later than they are effective.
    pub has_late_entries: bool,
    positions: Days<()>,
    booked: Days<()>,
}

impl KeptDates {
    /// Adds what was recorded up to the newest event.
    pub async fn add(
        mut self,
        (entity, bond_issue): (&str, &str),
        newest: &Newest,
        reader: &mut Reader<'_>,
    ) -> Result<KeptDates, ReadError> {
        let added = Added { entity, bond_issue, after: self.event_sequence, through: newest.event_sequence };
        for seen in reader.dates_added(added).await? {
            let dates = if seen.axis == "booked" { &mut self.booked } else { &mut self.positions };
            dates.add(posting::date(&seen.date)?, seen.sequence, ());
        }
        self.event_sequence = newest.event_sequence;
        self.has_late_entries = newest.has_late_entries != 0;
        Ok(self)
    }

    /// The date of the position in force at the close of a date, as known at a sequence.
    pub fn of_position(&self, as_of: Date, known: i64) -> Option<Date> {
        self.positions.in_force(as_of, known).map(|(date, _)| date)
    }

    /// The posting date of what is booked then.
    pub fn of_booked(&self, as_of: Date, known: i64) -> Option<Date> {
        self.booked.in_force(as_of, known).map(|(date, _)| date)
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.positions.count + self.booked.count
    }
}
