//! Verification: every hash of the chain and of every batch computed again, and what must hold between rows.

use std::fmt;

use jiff::civil::Date;

use super::{close_hash, link_hash};
use crate::posting::{CLOSE, RecordError, ReleaseAccounts, render};
use crate::store::{BatchFilter, Store};

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
    let mut after = String::new();
    loop {
        let heads = store.reading().await?.reader().entity_heads(&after, PAGE).await?;
        let Some(last) = heads.last() else { return Ok(report) };
        after.clone_from(&last.entity);
        for head in &heads {
            report.entities += 1;
            records(store, &head.entity, (head.sequence, &head.hash), &mut report).await?;
            batches(store, &head.entity, &mut report).await?;
            releases(store, &head.entity, head.release, &mut report).await?;
            closes(store, &head.entity, head.closed_through.as_deref(), &mut report).await?;
            ties(store, &head.entity, head.sequence, &mut report).await?;
        }
    }
}

async fn records(store: &Store, entity: &str, head: (i64, &str), report: &mut Report) -> Result<(), RecordError> {
    let (mut sequence, mut hash) = (0, String::new());
    loop {
        let page = store.reading().await?.reader().records(entity, sequence, PAGE).await?;
        if page.is_empty() {
            break;
        }
        for record in page {
            report.records += 1;
            if record.sequence != sequence + 1 {
                report.breaks.push(format!("{entity}: record {} follows {sequence}", record.sequence));
            }
            if link_hash(&hash, &record) != record.hash {
                report.breaks.push(format!("{entity}: the hash of record {} does not fit", record.sequence));
            }
            (sequence, hash) = (record.sequence, record.hash);
        }
    }
    if (sequence, hash.as_str()) != head {
        report.breaks.push(format!("{entity}: the head is at {} and the last record is {sequence}", head.0));
    }
    Ok(())
}

async fn batches(store: &Store, entity: &str, report: &mut Report) -> Result<(), RecordError> {
    let mut after = (0, 0);
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let heads = reader.batches(entity, BatchFilter::All, i64::MAX, after, PAGE / 10).await?;
        let Some(last) = heads.last() else { return Ok(()) };
        after = (last.batch.sequence, last.batch.ordinal);
        let ids: Vec<&str> = heads.iter().map(|head| head.batch.id.as_str()).collect();
        for whole in reader.whole_batches(entity, &ids).await? {
            report.batches += 1;
            let issues = render::issues_of(&whole, &mut reader).await?;
            let document = render::batch(&whole, &issues)?;
            let hash = document.content_hash().map_err(|error| RecordError::corrupt("batch", error))?;
            if hash != whole.batch.content_sha256 {
                report.breaks.push(format!("{entity}: the hash of batch {} does not fit", whole.batch.number));
            }
            let debit: i64 = whole.lines.iter().map(|line| line.amount.max(0)).sum();
            let sum: i64 = whole.lines.iter().map(|line| line.amount).sum();
            if sum != 0 || debit != whole.batch.debit {
                report.breaks.push(format!("{entity}: the lines of batch {} do not add up", whole.batch.number));
            }
        }
    }
}

async fn releases(store: &Store, entity: &str, newest: i64, report: &mut Report) -> Result<(), RecordError> {
    let mut after = 0;
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let page = reader.releases(entity, after, PAGE / 10).await?;
        if page.is_empty() {
            break;
        }
        for (release, mut whole) in page {
            report.releases += 1;
            whole.release = Some(release.clone());
            let issues = render::issues_of(&whole, &mut reader).await?;
            if ReleaseAccounts::hash(&render::batch(&whole, &issues)?, &release)? != release.release_sha256 {
                report.breaks.push(format!("{entity}: the hash of release {} does not fit", release.release));
            }
            if release.release != after + 1 {
                report.breaks.push(format!("{entity}: release {} follows {after}", release.release));
            }
            after = release.release;
        }
    }
    if after != newest {
        report.breaks.push(format!("{entity}: the head is at release {newest} and the last release is {after}"));
    }
    Ok(())
}

/// Closes and reopens hash as they did, and leave the books closed as far as the head says.
async fn closes(
    store: &Store,
    entity: &str,
    closed_through: Option<&str>,
    report: &mut Report,
) -> Result<(), RecordError> {
    let mut closed = None;
    for row in store.reading().await?.reader().period_closes(entity).await? {
        if close_hash(&row) != row.content_sha256 {
            report.breaks.push(format!("{entity}: the hash of the {} of {} does not fit", row.kind, row.period));
        }
        let day = |text: &str| text.parse::<Date>().map_err(|error| RecordError::corrupt("date", error));
        closed = match row.kind == CLOSE {
            true => Some(day(&row.last_day)?),
            false => day(&row.first_day)?.yesterday().ok(),
        };
    }
    let closed = closed.map(|date| date.to_string());
    if closed.as_deref() != closed_through {
        let said = |date: Option<&str>| date.unwrap_or("nothing").to_owned();
        let (head, rows) = (said(closed_through), said(closed.as_deref()));
        report.breaks.push(format!("{entity}: the head is closed through {head}, and its closes through {rows}"));
    }
    Ok(())
}

/// Every issue ties at the date through which it is accrued: what is booked is what is computed.
async fn ties(store: &Store, entity: &str, known: i64, report: &mut Report) -> Result<(), RecordError> {
    let library = crate::reading::Library::start(store.clone());
    let mut after = String::new();
    loop {
        let mut reading = store.reading().await?;
        let page = reading.reader().issue_states_page(entity, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.issue.id);
        drop(reading);
        for state in &page {
            report.issues += 1;
            let as_of = state
                .booked
                .accrued_through
                .parse()
                .map_err(|error: jiff::Error| RecordError::corrupt("date", error))?;
            let value =
                library.carrying_value(entity, &state.issue.id, as_of, None, crate::reading::Basis::Effective).await?;
            if value.status != "tied" {
                report
                    .breaks
                    .push(format!("{entity}: the issue {} does not tie on {as_of} (record {known})", state.issue.id));
            }
        }
    }
}
