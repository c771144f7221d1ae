//! Issues: their terms, the rows of their histories, and whether what is booked is what is computed.

use std::collections::BTreeMap;

use super::{PAGE, Report, keys};
use crate::audit::event_hash;
use crate::document::BondIssueDocument;
use crate::posting::{self, RecordError};
use crate::reading::{Basis, Library};
use crate::store::{BondIssueRow, EntryRow, FirstSeenRow, Reader, Rows, Store};

/// How many issues are read at once: of each, all that ever happened to it.
const ISSUES: i64 = 20;

/// Every issue is as it was recorded, and ties at the date through which it is accrued.
pub(super) async fn check(store: &Store, entity: &str, report: &mut Report) -> Result<(), RecordError> {
    let library = Library::start(store.clone());
    let mut after = String::new();
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let page = reader.bond_issues_page(entity, &after, ISSUES).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.id);
        let ids: Vec<&str> = page.iter().map(|issue| issue.id.as_str()).collect();
        let (rows, seen) = reader.histories(entity, &ids).await?;
        let mut histories = by_issue(rows, seen);
        for issue in &page {
            report.issues += 1;
            let named = format!("the issue {} ({})", issue.reference, issue.id);
            let history = histories.remove(&issue.id).unwrap_or_default();
            let terms = terms(issue, &history, &named, report);
            report.unless_unreadable(entity, format!("{named}: what it is"), terms)?;
            let kept = kept(entity, &history, &named, &mut reader, report).await;
            report.unless_unreadable(entity, format!("{named}: its history"), kept)?;
            keys::in_use(issue, &history.rows, &named, &mut reader, report).await?;
        }
        drop(reading);
        for issue in &page {
            let tied = tie(store, &library, issue, report).await;
            report.unless_unreadable(entity, format!("the issue {} ({})", issue.reference, issue.id), tied)?;
        }
    }
}

/// All rows of one issue.
#[derive(Default)]
struct History {
    rows: Rows,
    first_seen: Vec<FirstSeenRow>,
}

fn by_issue(rows: Rows, seen: Vec<FirstSeenRow>) -> BTreeMap<String, History> {
    let mut spread: BTreeMap<String, Rows> = BTreeMap::new();
    spread!(rows, spread, bond_issue: events positions booked issue_heads coupons conversion_rates reversals revisions series_members);
    let of = |(id, rows)| (id, History { rows, first_seen: Vec::new() });
    let mut issues: BTreeMap<String, History> = spread.into_iter().map(of).collect();
    for row in seen {
        issues.entry(row.bond_issue.clone()).or_default().first_seen.push(row);
    }
    issues
}

/// The columns by which an issue is found are those of its terms.
fn terms(issue: &BondIssueRow, history: &History, named: &str, report: &mut Report) -> Result<(), RecordError> {
    let (document, instrument) = posting::instrument(issue, &[])?;
    let BondIssueDocument { reference, isin, currency, series, .. } = &document;
    let (settlement, maturity) = (instrument.start().moment.date, instrument.terms().maturity_date);
    let is_found = (&issue.reference, &issue.isin, &issue.currency) == (reference, isin, currency)
        && (issue.settlement_date.as_str(), issue.maturity_date.as_str())
            == (settlement.to_string().as_str(), maturity.to_string().as_str());
    if !is_found {
        report.add(&issue.entity, format!("{named} is not kept under what its terms say"));
    }
    let members = history.rows.series_members.iter().map(|member| &member.series);
    if !members.eq(series.iter()) {
        report.add(&issue.entity, format!("{named} is not in the series that its terms name, or in another"));
    }
    Ok(())
}

/// Its events follow each other and wrote what is kept, no more and no less, and what points into the history points right.
async fn kept(
    entity: &str,
    history: &History,
    named: &str,
    reader: &mut Reader<'_>,
    report: &mut Report,
) -> Result<(), RecordError> {
    let rows = &history.rows;
    let mut written = by_event(rows);
    let mut follows = 0;
    for events in rows.events.chunks(usize::try_from(PAGE).unwrap_or(1)) {
        let ids: Vec<&str> = events.iter().map(|event| event.id.as_str()).collect();
        let mut entries: BTreeMap<String, Vec<EntryRow>> = BTreeMap::new();
        for entry in reader.entries_of_events(entity, &ids).await? {
            entries.entry(entry.event.clone()).or_default().push(entry);
        }
        for event in events {
            if event.follows != follows {
                report
                    .add(entity, format!("{named}: the {} of record {} follows {follows}", event.kind, event.sequence));
            }
            follows = event.sequence;
            let mut of_event = written.remove(&event.sequence).unwrap_or_default();
            of_event.entries = entries.remove(&event.id).unwrap_or_default();
            if event.content_sha256.is_empty() {
                continue;
            }
            let hash = event_hash(of_event).map_err(|error| RecordError::corrupt("event", error))?;
            if hash != event.content_sha256 {
                let what = format!("{named}: the rows of the {} of record {} do not fit", event.kind, event.sequence);
                report.add(entity, what);
            }
        }
    }
    for sequence in written.into_keys() {
        report.add(entity, format!("{named}: there are rows of record {sequence}, in which it has no event"));
    }
    let seen = history.first_seen.iter().map(|row| (row.axis.as_str(), row.date.as_str(), row.sequence));
    if !seen.eq(first_seen(rows)) {
        report.add(entity, format!("{named}: the dates of its rows are not those that are kept"));
    }
    heads(entity, rows, named, report);
    Ok(())
}

fn by_event(rows: &Rows) -> BTreeMap<i64, Rows> {
    let mut events: BTreeMap<i64, Rows> = BTreeMap::new();
    spread!(rows.clone(), events, sequence: events positions booked coupons conversion_rates reversals revisions);
    events
}

/// Since when each date has rows: in order of table and date.
fn first_seen(rows: &Rows) -> impl Iterator<Item = (&str, &str, i64)> {
    let booked = rows.booked.iter().map(|row| ("booked", row.posting_date.as_str(), row.sequence));
    let positions = rows.positions.iter().map(|row| ("position", row.date.as_str(), row.sequence));
    let mut first: BTreeMap<(&str, &str), i64> = BTreeMap::new();
    for (axis, date, sequence) in booked.chain(positions) {
        let seen = first.entry((axis, date)).or_insert(sequence);
        *seen = (*seen).min(sequence);
    }
    first.into_iter().map(|((axis, date), sequence)| (axis, date, sequence))
}

/// The head of an issue names its newest rows.
fn heads(entity: &str, rows: &Rows, named: &str, report: &mut Report) {
    let event = rows.events.last().map(|event| event.sequence);
    let position = rows.positions.iter().map(|row| (row.date.as_str(), row.sequence)).max();
    let booked = rows.booked.iter().map(|row| (row.posting_date.as_str(), row.sequence)).max();
    let newest = event.zip(position).zip(booked);
    let heads = rows.issue_heads.iter().map(|head| {
        let position = (head.position_date.as_str(), head.position_sequence);
        ((head.event_sequence, position), (head.booked_date.as_str(), head.booked_sequence))
    });
    if !heads.eq(newest) {
        report.add(entity, format!("{named}: its head does not name its newest rows"));
    }
}

/// What is booked is what is computed.
async fn tie(store: &Store, library: &Library, issue: &BondIssueRow, report: &mut Report) -> Result<(), RecordError> {
    let (entity, id) = (issue.entity.as_str(), issue.id.as_str());
    let states = store.reading().await?.reader().issue_states(entity, &[id]).await?;
    // Without a head it is not found, which is said elsewhere.
    for state in states {
        let as_of = posting::date(&state.booked.accrued_through)?;
        let value = library.carrying_value(entity, id, as_of, None, Basis::Effective).await?;
        if value.status != "tied" {
            report.add(entity, format!("the issue {} ({id}) does not tie on {as_of}", issue.reference));
        }
    }
    Ok(())
}
