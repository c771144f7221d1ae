//! Issues kept in memory: what they are changes only by a revision, and reading them and building their curves costs more than all else of a
//! carrying value. With them the dates at which they have rows, to which new ones are added.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError, RwLock};

use super::ReadError;
use crate::accounting::instrument::Instrument;
use crate::posting;
use crate::store::{BondIssueRow, Dates, Reader, RecordedRevision, Store};

/// How many dates of issues are kept, each issue counting for at least `LEAST`. When there are more, all are forgotten and read
/// again as they are asked for.
const MOST: usize = 800_000;
/// What the terms and curves of an issue weigh, in dates.
const LEAST: usize = 32;

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

/// An issue with its dates.
#[derive(Clone, Debug)]
pub(super) struct Shelved {
    pub issued: Arc<Issued>,
    pub dates: Arc<Dates>,
}

/// The issues that were asked for lately, by id.
#[derive(Clone, Debug, Default)]
pub(super) struct Shelf(Arc<RwLock<Kept>>);

#[derive(Debug, Default)]
struct Kept {
    issues: HashMap<String, Shelved>,
    weight: usize,
}

impl Shelf {
    /// An issue, from memory if it is there; none when there is no such issue.
    pub async fn issue(&self, entity: &str, id: &str, store: &Store) -> Result<Option<Shelved>, ReadError> {
        // What is kept is right even if a thread that held it panicked: entries are only ever added whole.
        if let Some(shelved) = self.0.read().unwrap_or_else(PoisonError::into_inner).issues.get(id) {
            return Ok(Some(shelved.clone()));
        }
        let Some(row) = store.reading().await?.reader().bond_issue(entity, id).await? else { return Ok(None) };
        let issued = Arc::new(Issued::read(&row, &[])?);
        self.refreshed(entity, id, Shelved { issued, dates: Arc::default() }, store).await.map(Some)
    }

    /// The issue with all dates that it has by now.
    pub async fn refreshed(
        &self,
        entity: &str,
        id: &str,
        shelved: Shelved,
        store: &Store,
    ) -> Result<Shelved, ReadError> {
        let mut dates = Dates::clone(&shelved.dates);
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        reader.see_dates(entity, id, &mut dates).await?;
        let issued = match dates.is_revised {
            true => revised(entity, id, shelved.issued, &mut reader).await?,
            false => shelved.issued,
        };
        let shelved = Shelved { issued, dates: Arc::new(dates) };
        self.0.write().unwrap_or_else(PoisonError::into_inner).keep(id, shelved.clone());
        Ok(shelved)
    }
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

impl Kept {
    fn keep(&mut self, id: &str, shelved: Shelved) {
        let weight = |shelved: &Shelved| LEAST + shelved.dates.count();
        self.weight += weight(&shelved);
        if self.weight > MOST {
            self.issues.clear();
            self.weight = weight(&shelved);
        }
        if let Some(replaced) = self.issues.insert(id.to_owned(), shelved) {
            self.weight -= weight(&replaced);
        }
    }
}
