//! Issues kept in memory: what they are changes only by a revision, and reading them and building their curves costs more than all else of a
//! carrying value. With them their rows, or if those are too many the dates at which they have rows, to which new ones are added.

use std::sync::Arc;

use quick_cache::Weighter;
use quick_cache::sync::Cache;

use super::ReadError;
use super::kept_dates::KeptDates;
use super::kept_rows::KeptRows;
use crate::accounting::instrument::Instrument;
use crate::posting;
use crate::store::{BondIssueRow, Reader, RecordedRevision, Store};

/// How many rows of issues are kept, each issue counting for `TERMS` more. What is asked for seldom makes room. (A row is about 150 bytes.)
const MOST: u64 = 300_000;
/// What the terms and curves of an issue weigh, in rows.
const TERMS: u64 = 16;
/// So few are announced to the cache that it does not divide itself: an issue has to fit into one part, and a long one would not.
const PARTS_OF: usize = 32;

/// An issue as it was recorded.
#[derive(Debug)]
pub(super) struct Issued {
    pub reference: String,
    /// The command that recorded it.
    pub sequence: i64,
    /// What it was from each sequence on, in order.
    versions: Vec<(i64, Arc<Instrument>)>,
}

impl Issued {
    /// The issue of a row, with its revisions.
    pub fn read(row: &BondIssueRow, revisions: &[RecordedRevision]) -> Result<Issued, ReadError> {
        let versions = posting::versions(row, revisions)?;
        Ok(Issued { reference: row.reference.clone(), sequence: row.sequence, versions })
    }

    /// The same with its revisions taken from among those of all issues, in order of their ids.
    pub fn among(row: &BondIssueRow, revisions: &[RecordedRevision]) -> Result<Issued, ReadError> {
        let first = revisions.partition_point(|recorded| recorded.revision.bond_issue < row.id);
        let count = revisions[first..].partition_point(|recorded| recorded.revision.bond_issue == row.id);
        Issued::read(row, &revisions[first..first + count])
    }

    /// The issue as it was known at a sequence; before that of its issuance it is what it was issued as.
    pub fn known_at(&self, sequence: i64) -> Option<&Arc<Instrument>> {
        let count = self.versions.partition_point(|(since, _)| *since <= sequence);
        self.versions.get(count.saturating_sub(1)).map(|(_, instrument)| instrument)
    }
}

/// An issue with what is kept of its history.
#[derive(Clone, Debug)]
pub(super) struct Shelved {
    pub issued: Arc<Issued>,
    pub kept: Kept,
}

/// A history up to one of its events.
#[derive(Clone, Debug)]
pub(super) enum Kept {
    Rows(Arc<KeptRows>),
    Dates(Arc<KeptDates>),
}

impl Kept {
    /// The sequence of the event.
    pub fn event_sequence(&self) -> i64 {
        match self {
            Kept::Rows(rows) => rows.event_sequence,
            Kept::Dates(dates) => dates.event_sequence,
        }
    }

    /// Whether there are entries posted later than they are effective.
    pub fn has_late_entries(&self) -> bool {
        match self {
            Kept::Rows(rows) => rows.has_late_entries,
            Kept::Dates(dates) => dates.has_late_entries,
        }
    }

    /// In rows, of which a date weighs about a third.
    fn weight(&self) -> usize {
        match self {
            Kept::Rows(rows) => rows.count(),
            Kept::Dates(dates) => dates.count() / 3,
        }
    }
}

#[derive(Clone, Debug)]
struct Weight;

impl Weighter<String, Shelved> for Weight {
    fn weight(&self, _: &String, shelved: &Shelved) -> u64 {
        TERMS + u64::try_from(shelved.kept.weight()).unwrap_or(u64::MAX - TERMS)
    }
}

/// The issues that were asked for lately, by id.
#[derive(Clone, Debug)]
pub(super) struct Shelf(Arc<Cache<String, Shelved, Weight>>);

impl Default for Shelf {
    fn default() -> Shelf {
        Shelf(Arc::new(Cache::with_weighter(PARTS_OF, MOST, Weight)))
    }
}

impl Shelf {
    /// An issue, from memory if it is there; none when there is no such issue. Whoever asks while it is read waits for that: the history of a
    /// long one is read once, and not by everybody at once.
    pub async fn issue(&self, entity: &str, id: &str, store: &Store) -> Result<Option<Shelved>, ReadError> {
        // No such issue is no error, but nothing to keep either.
        let read = async { read(entity, id, store).await?.ok_or(None) };
        match self.0.get_or_insert_async(id, read).await {
            Ok(shelved) => Ok(Some(shelved)),
            Err(failed) => failed.map_or(Ok(None), Err),
        }
    }

    /// The issue with all that it has by now.
    pub async fn refreshed(
        &self,
        entity: &str,
        id: &str,
        shelved: Shelved,
        store: &Store,
    ) -> Result<Shelved, ReadError> {
        let shelved = added(entity, id, shelved, &mut store.reading().await?.reader()).await?;
        self.0.insert(id.to_owned(), shelved.clone());
        Ok(shelved)
    }
}

/// An issue with all that it has.
async fn read(entity: &str, id: &str, store: &Store) -> Result<Option<Shelved>, ReadError> {
    let mut reading = store.reading().await?;
    let mut reader = reading.reader();
    let Some(row) = reader.bond_issue(entity, id).await? else { return Ok(None) };
    let issued = Arc::new(Issued::read(&row, &[])?);
    added(entity, id, Shelved { issued, kept: Kept::Rows(Arc::default()) }, &mut reader).await.map(Some)
}

/// An issue with what was recorded of it since.
async fn added(
    entity: &str,
    id: &str,
    Shelved { mut issued, kept }: Shelved,
    reader: &mut Reader<'_>,
) -> Result<Shelved, ReadError> {
    let Some(newest) = reader.newest(entity, id).await? else { return Ok(Shelved { issued, kept }) };
    let rows = match &kept {
        Kept::Rows(rows) => KeptRows::clone(rows).add((entity, id), &newest, reader).await?,
        Kept::Dates(_) => None,
    };
    let kept = match (rows, kept) {
        (Some(rows), _) => Kept::Rows(Arc::new(rows)),
        (None, kept) => {
            let dates = if let Kept::Dates(dates) = kept { KeptDates::clone(&dates) } else { KeptDates::default() };
            Kept::Dates(Arc::new(dates.add((entity, id), &newest, reader).await?))
        }
    };
    if newest.is_revised != 0 {
        issued = revised(entity, id, issued, reader).await?;
    }
    Ok(Shelved { issued, kept })
}

async fn revised(
    entity: &str,
    id: &str,
    issued: Arc<Issued>,
    reader: &mut Reader<'_>,
) -> Result<Arc<Issued>, ReadError> {
    let Some(row) = reader.bond_issue(entity, id).await? else { return Ok(issued) };
    let revisions = reader.revisions(entity, &[id]).await?;
    Ok(Arc::new(Issued::read(&row, &revisions)?))
}
