//! The chain, and what each of its records is the record of.

use std::collections::BTreeMap;

use super::Report;
use crate::audit::{ContentHash, link_hash};
use crate::posting::RecordError;
use crate::store::{EntityHeadRow, RecordRow, Rows, Store};

/// How many records are looked at together. What they recorded is found by a look at the whole of each table, so they are many; a command
/// on all issues is one record.
const WINDOW: i64 = 5_000;

/// Every record follows the one before it and hashes as it did, and so does what it recorded.
pub(super) async fn check(store: &Store, head: &EntityHeadRow, report: &mut Report) -> Result<(), RecordError> {
    let entity = head.entity.as_str();
    let (mut sequence, mut hash, mut recorded_at) = (0, String::new(), 0);
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let page = reader.records(entity, sequence, WINDOW).await?;
        // After the last record there must be nothing.
        let through = page.last().map_or(i64::MAX, |record| record.sequence);
        let mut recorded = by_record(reader.recorded(entity, sequence, through).await?);
        for record in &page {
            report.records += 1;
            if record.sequence != sequence + 1 {
                report.add(entity, format!("record {} follows {sequence}", record.sequence));
            }
            if link_hash(&hash, record) != record.hash {
                report.add(entity, format!("the hash of record {} does not fit", record.sequence));
            }
            let mut rows = recorded.remove(&record.sequence).unwrap_or_default();
            if record.kind == "entity" {
                rows.entities.extend(reader.entity(entity).await?);
            }
            content(entity, record, rows, report);
            (sequence, recorded_at) = (record.sequence, record.recorded_at);
            hash.clone_from(&record.hash);
        }
        for sequence in recorded.into_keys() {
            report.add(entity, format!("record {sequence} is not there, and rows of it are"));
        }
        if page.is_empty() {
            break;
        }
    }
    if (sequence, hash.as_str()) != (head.sequence, &head.hash) {
        report.add(entity, format!("the head is at {} and the last record is {sequence}", head.sequence));
    }
    if recorded_at != head.recorded_at {
        report.add(entity, format!("the head is not of the time of the last record, {sequence}"));
    }
    Ok(())
}

/// What a record holds is what it held when it was recorded.
fn content(entity: &str, record: &RecordRow, mut rows: Rows, report: &mut Report) {
    let RecordRow { sequence, kind, subject, recorded_at, .. } = record;
    let times = [
        rows.entities.iter().map(|row| row.recorded_at).collect::<Vec<_>>(),
        rows.layouts.iter().map(|row| row.recorded_at).collect(),
        rows.period_closes.iter().map(|row| row.recorded_at).collect(),
        rows.destinations.iter().map(|row| row.recorded_at).collect(),
        rows.batches.iter().map(|row| row.recorded_at).collect(),
        rows.releases.iter().map(|row| row.released_at).collect(),
        rows.acknowledgements.iter().map(|row| row.acknowledged_at).collect(),
    ];
    if times.iter().flatten().any(|time| time != recorded_at) {
        report.add(entity, format!("rows of record {sequence}, {kind} of {subject}, are not of its time"));
    }
    for (batch, ordinal) in rows.batches.iter().zip(1..) {
        if batch.ordinal != ordinal {
            report.add(entity, format!("batch {} is not number {ordinal} of its record", batch.number));
        }
        let at_once = rows.releases.iter().any(|release| release.batch == batch.id && release.revision == 1);
        if batch.ready != i64::from(!at_once) {
            report.add(entity, format!("batch {} does not say truly whether it waited for accounts", batch.number));
        }
    }
    let mut hash = ContentHash::default();
    if !rows.period_closes.is_empty() {
        // A close hashes its events before itself.
        hash.add(&Rows { events: std::mem::take(&mut rows.events), ..Rows::default() });
    }
    hash.add(&rows);
    if hash.finish() != record.content_sha256 {
        report.add(entity, format!("the content of record {sequence}, {kind} of {subject}, does not fit"));
    }
}

/// Rows by the record that they are of.
fn by_record(rows: Rows) -> BTreeMap<i64, Rows> {
    let mut records: BTreeMap<i64, Rows> = BTreeMap::new();
    spread!(rows, records, sequence: account_mappings layouts period_closes bond_issues events destinations batches releases acknowledgements);
    records
}
