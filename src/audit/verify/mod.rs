//! Verification: every hash of the chain, of every event and of every batch computed again, and what must hold between rows.
//!
//! Whatever an intruder with the database's rights changes, adds or deletes is named: the test `tampering` does so to every column of every
//! table. A row that cannot be read is a break like one that does not fit, and ends nothing.

/// Spreads the rows of some tables over groups, by a key of each.
macro_rules! spread {
    ($rows:expr, $groups:expr, $key:ident: $($table:ident)+) => {$(
        for row in $rows.$table {
            $groups.entry(row.$key.clone()).or_default().$table.push(row);
        }
    )+};
}

mod batches;
mod issues;
mod keys;
mod records;

use std::fmt;

use super::close_hash;
use crate::posting::{self, CLOSE, RecordError};
use crate::store::{EntityHeadRow, Reader, Store};

/// How many rows are read at once.
const PAGE: i64 = 500;

/// What verification found.
#[derive(Debug, Default)]
pub struct Report {
    pub entities: usize,
    pub records: usize,
    pub batches: usize,
    pub releases: usize,
    pub issues: usize,
    /// What does not hold, in words.
    pub breaks: Vec<String>,
}

impl Report {
    /// Whether everything holds.
    pub fn is_sound(&self) -> bool {
        self.breaks.is_empty()
    }

    fn add(&mut self, entity: &str, what: impl fmt::Display) {
        self.breaks.push(format!("{entity}: {what}"));
    }

    /// Notes that something cannot be read, and goes on: an error is one of the store itself.
    fn unless_unreadable<T>(
        &mut self,
        entity: &str,
        what: impl fmt::Display,
        read: Result<T, RecordError>,
    ) -> Result<Option<T>, RecordError> {
        match read {
            Ok(read) => Ok(Some(read)),
            Err(RecordError::Store(error)) if !error.is_of_rows() => Err(error.into()),
            Err(error) => {
                self.add(entity, format!("{what} cannot be read: {error}"));
                Ok(None)
            }
        }
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for line in &self.breaks {
            writeln!(f, "break: {line}")?;
        }
        writeln!(
            f,
            "{} entities, {} records, {} batches, {} releases, {} issues: {}",
            self.entities,
            self.records,
            self.batches,
            self.releases,
            self.issues,
            if self.is_sound() { "sound" } else { "NOT sound" }
        )
    }
}

/// Verifies all books of a store.
///
/// # Errors
/// When the store cannot be read.
pub async fn verify(store: &Store) -> Result<Report, RecordError> {
    let mut report = Report::default();
    headless(&mut store.reading().await?.reader(), &mut report).await?;
    let mut after = String::new();
    loop {
        let heads = store.reading().await?.reader().entity_heads(&after, PAGE).await?;
        let Some(last) = heads.last() else { return Ok(report) };
        after.clone_from(&last.entity);
        for head in &heads {
            report.entities += 1;
            records::check(store, head, &mut report).await?;
            batches::check(store, &head.entity, &mut report).await?;
            batches::releases(store, &head.entity, head.release, &mut report).await?;
            let closed = closes(head, &mut store.reading().await?.reader(), &mut report).await;
            report.unless_unreadable(&head.entity, "a close", closed)?;
            issues::check(store, &head.entity, &mut report).await?;
            keys::check(&head.entity, &mut store.reading().await?.reader(), &mut report).await?;
            keys::deliveries(head, &mut store.reading().await?.reader(), &mut report).await?;
        }
    }
}

/// Every entity has a head.
async fn headless(reader: &mut Reader<'_>, report: &mut Report) -> Result<(), RecordError> {
    let mut after = String::new();
    loop {
        let page = reader.entities(&after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.entity);
        for row in &page {
            if reader.entity_head(&row.entity).await?.is_none() {
                report.add(&row.entity, "the entity has no head");
            }
        }
    }
}

/// Closes and reopens hash as they did, and leave the books closed as far as the head says.
async fn closes(head: &EntityHeadRow, reader: &mut Reader<'_>, report: &mut Report) -> Result<(), RecordError> {
    let (entity, closed_through) = (head.entity.as_str(), head.closed_through.as_deref());
    let mut closed = None;
    for row in reader.period_closes(entity).await? {
        if close_hash(&row) != row.content_sha256 {
            report.add(entity, format!("the hash of the {} of {} does not fit", row.kind, row.period));
        }
        closed = match row.kind == CLOSE {
            true => Some(posting::date(&row.last_day)?),
            false => posting::date(&row.first_day)?.yesterday().ok(),
        };
    }
    let closed = closed.map(|date| date.to_string());
    if closed.as_deref() != closed_through {
        let said = |date: Option<&str>| date.unwrap_or("nothing").to_owned();
        let (head, rows) = (said(closed_through), said(closed.as_deref()));
        report.add(entity, format!("the head is closed through {head}, and its closes through {rows}"));
    }
    Ok(())
}
