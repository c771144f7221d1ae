//! The rows of dates of long histories that were asked for lately.

use std::sync::Arc;

use jiff::civil::Date;
use quick_cache::Weighter;
use quick_cache::sync::Cache;

use super::ReadError;
use super::kept_dates::KeptDates;
use super::packed::{self, Packed};
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::BookedRow;
use crate::posting::RecordError;
use crate::reports::carrying_value::InForce;
use crate::store::{Added, Figures, Store};

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
        let asked = (dates.event_sequence, known);
        let date = dates.of_position(as_of, known);
        let position = self.position(issue, date, asked, store).await?;
        let booked = self.booked(issue, dates.of_booked(as_of, known), asked, store).await?;
        // Nearly always that in force, for what is booked accrues the issue through its own date.
        let accrued = booked.as_ref().and_then(|(_, row)| dates.of_position(row.accrued.date, known));
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
