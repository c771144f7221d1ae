//! The dates at which an issue of a long history has rows, and the rows of those that were asked for lately.

use std::sync::Arc;

use jiff::civil::Date;
use quick_cache::Weighter;
use quick_cache::sync::Cache;

use super::ReadError;
use super::packed::{self, Packed};
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::BookedRow;
use crate::posting::{self, RecordError};
use crate::reports::carrying_value::InForce;
use crate::store::{Added, Figures, Newest, Reader, Store};

/// The dates of an issue up to one of its events.
#[derive(Clone, Debug, Default)]
pub(super) struct KeptDates {
    /// The sequence of that event.
    pub event_sequence: i64,
    /// Whether the issue has entries posted later than they are effective.
    pub has_late_entries: bool,
    positions: Dates,
    booked: Dates,
}

/// Dates in order, each with the sequence of the event that first wrote a row of it.
type Dates = Vec<(Date, i64)>;

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
            dates.push((posting::date(&seen.date)?, seen.sequence));
        }
        self.positions.sort_unstable();
        self.booked.sort_unstable();
        self.event_sequence = newest.event_sequence;
        self.has_late_entries = newest.has_late_entries != 0;
        Ok(self)
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.positions.len() + self.booked.len()
    }
}

/// The last date up to one that had a row when a sequence was known.
fn in_force(dates: &Dates, as_of: Date, known: i64) -> Option<Date> {
    let end = dates.partition_point(|(date, _)| *date <= as_of);
    dates[..end].iter().rev().find(|(_, sequence)| *sequence <= known).map(|(date, _)| *date)
}

/// What is kept of a date weighs no more than this in all, in bytes.
const MOST: u64 = 32 << 20;

/// The rows of dates of long histories that were asked for lately.
#[derive(Clone, Debug)]
pub(super) struct RowsOfDates(Arc<Cache<Key, Arc<Kept>, Weight>>);

/// An issue, which rows, and their date.
type Key = (String, Kind, Date);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Kind {
    Position,
    Booked,
}

/// The rows of a date up to an event of the issue.
#[derive(Clone, Debug, Default)]
struct Kept {
    event_sequence: i64,
    rows: Packed,
}

#[derive(Clone, Debug)]
struct Weight;

impl Weighter<Key, Arc<Kept>> for Weight {
    fn weight(&self, (id, ..): &Key, kept: &Arc<Kept>) -> u64 {
        u64::try_from(size_of::<Key>() + id.len() + kept.rows.weight()).unwrap_or(u64::MAX)
    }
}

impl Default for RowsOfDates {
    fn default() -> RowsOfDates {
        // So few are announced that the cache does not divide itself into parts that a date of many rows would not fit into.
        const DATES: usize = 32;
        RowsOfDates(Arc::new(Cache::with_weighter(DATES, MOST, Weight)))
    }
}

impl RowsOfDates {
    /// The rows in force at the close of a date as known at a sequence, and the sequence of what is booked.
    pub async fn in_force(
        &self,
        issue: (&str, &str),
        dates: &KeptDates,
        (as_of, known): (Date, i64),
        store: &Store,
    ) -> Result<(InForce, Option<i64>), ReadError> {
        let of_position = |date| in_force(&dates.positions, date, known);
        let asked = (dates.event_sequence, known);
        let date = of_position(as_of);
        let position = self.position(issue, date, asked, store).await?;
        let booked = self.booked(issue, in_force(&dates.booked, as_of, known), asked, store).await?;
        // Nearly always that in force, for what is booked accrues the issue through its own date.
        let accrued = booked.as_ref().and_then(|(_, row)| of_position(row.accrued.date));
        let accrued_position = match accrued == date {
            true => position,
            false => self.position(issue, accrued, asked, store).await?,
        };
        let rows = InForce { position, booked: booked.map(|(_, row)| row), accrued_position };
        Ok((rows, booked.map(|(sequence, _)| sequence)))
    }

    async fn position(
        &self,
        issue: (&str, &str),
        date: Option<Date>,
        asked: (i64, i64),
        store: &Store,
    ) -> Result<Option<PositionRow>, ReadError> {
        let Some(date) = date else { return Ok(None) };
        let found = self.figures(issue, (Kind::Position, date), asked, store).await?;
        Ok(found.map(|(_, figures)| packed::position(date, figures)))
    }

    async fn booked(
        &self,
        issue: (&str, &str),
        date: Option<Date>,
        asked: (i64, i64),
        store: &Store,
    ) -> Result<Option<(i64, BookedRow)>, ReadError> {
        let Some(date) = date else { return Ok(None) };
        let Some((sequence, figures)) = self.figures(issue, (Kind::Booked, date), asked, store).await? else {
            return Ok(None);
        };
        let row = packed::booked(date, figures).ok_or_else(|| RecordError::corrupt("row", "a date of it is none"))?;
        Ok(Some((sequence, row)))
    }

    /// The figures of the row of a date as known at a sequence, with its own, of an issue whose newest event has the sequence `through`. What
    /// is kept and lacks rows of known events is added to.
    async fn figures(
        &self,
        (entity, bond_issue): (&str, &str),
        (kind, date): (Kind, Date),
        (through, known): (i64, i64),
        store: &Store,
    ) -> Result<Option<(i64, Figures)>, ReadError> {
        let key = (bond_issue.to_owned(), kind, date);
        let mut kept = self.0.get(&key).unwrap_or_default();
        if kept.event_sequence < known.min(through) {
            let added = Added { entity, bond_issue, after: kept.event_sequence, through };
            let (mut reading, on) = (store.reading().await?, date.to_string());
            let rows = match kind {
                Kind::Position => reading.reader().positions_on(added, &on).await?,
                Kind::Booked => reading.reader().booked_on(added, &on).await?,
            };
            let more = Arc::make_mut(&mut kept);
            more.rows.add(&rows);
            more.event_sequence = through;
            self.0.insert(key, Arc::clone(&kept));
        }
        Ok(kept.rows.known_at(known))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_date_in_force_is_the_last_that_had_a_row() {
        let day = |day| Date::constant(2026, 3, day);
        let dates = vec![(day(1), 2), (day(5), 7), (day(10), 5), (day(20), 9)];
        for (as_of, known, expected) in [
            (1, 1, None),
            (1, 2, Some(1)),
            (9, 6, Some(1)),
            (9, 7, Some(5)),
            (10, 4, Some(1)),
            (31, 8, Some(10)),
            (31, 9, Some(20)),
        ] {
            assert_eq!(in_force(&dates, day(as_of), known), expected.map(day), "on the {as_of}th as known at {known}");
        }
    }
}
