//! The audit chain: each record holds the hash of what it recorded and a hash over itself and the record before it.
//!
//! An unkeyed chain shows accidents and after-thoughts, not an insider with the database; it is worth what the copies of its
//! newest hash outside the database are worth.

pub mod verify;

use sha2::{Digest, Sha256};

use crate::document::hex;
use crate::store::{PeriodCloseRow, RecordRow, Rows};

/// The hash over what a command recorded: terms, mappings, layouts, answers of the ledger, events and the hashes of its batches, each with its
/// length before it.
#[derive(Clone, Debug, Default)]
pub struct ContentHash(Sha256);

impl ContentHash {
    /// Adds rows. Those of a command that writes pages are added in this order: its events, then the rest.
    pub fn add(&mut self, rows: &Rows) {
        let mut add = |text: &str| {
            self.0.update((text.len() as u64).to_be_bytes());
            self.0.update(text.as_bytes());
        };
        for entity in &rows.entities {
            [&entity.entity, &entity.name, &entity.functional_currency, &entity.framework, &entity.fiscal_year_end]
                .into_iter()
                .for_each(|text| add(text));
            // An entity of months hashes as it did before there were others.
            entity.fiscal_calendar.iter().chain(&entity.lei).for_each(|text| add(text));
            Some(entity.max_lines_per_batch).filter(|most| *most > 0).iter().for_each(|most| add(&most.to_string()));
        }
        for mapping in &rows.account_mappings {
            [&mapping.bond_issue, &mapping.effective_from, &mapping.accounts].into_iter().for_each(|text| add(text));
        }
        for layout in &rows.layouts {
            [&layout.name, &layout.version.to_string(), &layout.document].into_iter().for_each(|text| add(text));
        }
        for close in &rows.period_closes {
            add(&close.content_sha256);
        }
        for issue in &rows.bond_issues {
            [&issue.id, &issue.terms, &issue.rates].into_iter().for_each(|text| add(text));
        }
        for event in &rows.events {
            [&event.bond_issue, &event.id, &event.kind, &event.effective_date, &event.detail]
                .into_iter()
                // An event without it was recorded before there was such a hash.
                .chain(Some(&event.content_sha256).filter(|hash| !hash.is_empty()))
                .for_each(|text| add(text));
        }
        for command in &rows.destinations {
            let after = command.after.to_string();
            [&command.name, &command.url, &command.state, &after].into_iter().for_each(|text| add(text));
        }
        for batch in &rows.batches {
            [&batch.id, &batch.number, &batch.content_sha256].into_iter().for_each(|text| add(text));
        }
        for release in &rows.releases {
            add(&release.release_sha256);
        }
        for answer in &rows.acknowledgements {
            [&answer.batch, &answer.revision.to_string(), &answer.status].into_iter().for_each(|text| add(text));
            let said = [&answer.document_number, &answer.ledger_posting_date, &answer.reason];
            said.into_iter().for_each(|text| add(text.as_deref().unwrap_or_default()));
        }
    }

    /// The hash in hexadecimal.
    pub fn finish(self) -> String {
        hex(&self.0.finalize())
    }
}

/// The hash of an event: over its own row and all rows that it wrote to the history of its issue, and over what its entries move.
///
/// # Errors
/// When a row cannot be written as JSON.
pub fn event_hash(mut rows: Rows) -> Result<String, serde_json::Error> {
    for event in &mut rows.events {
        event.content_sha256.clear();
    }
    for entry in &mut rows.entries {
        // Batches are cut after the event is decided, and hold hashes of their own.
        entry.batch.clear();
        entry.entry = 0;
    }
    // Heads and keys are replaced and freed by later events.
    (rows.issue_heads, rows.natural_keys) = (Vec::new(), Vec::new());
    let mut hash = Sha256::new();
    for row in rows.canonical()? {
        hash.update((row.len() as u64).to_be_bytes());
        hash.update(row.as_bytes());
    }
    Ok(hex(&hash.finalize()))
}

/// The hash of a close or reopen: over all its own fields.
pub fn close_hash(row: &PeriodCloseRow) -> String {
    let (sequence, recorded_at) = (row.sequence.to_string(), row.recorded_at.to_string());
    let maybe = |text: &Option<String>| text.clone().unwrap_or_default();
    let (locked_from, reason, name) = (maybe(&row.locked_from), maybe(&row.reason), maybe(&row.name));
    let fields = [
        &row.entity,
        &sequence,
        &recorded_at,
        &row.kind,
        &row.period,
        &row.first_day,
        &row.last_day,
        &locked_from,
        &reason,
        &name,
        &row.waivers,
        &row.answer,
    ];
    let mut hash = Sha256::new();
    for field in fields {
        hash.update((field.len() as u64).to_be_bytes());
        hash.update(field.as_bytes());
    }
    hex(&hash.finalize())
}

/// The hash of a record: over the hash of the one before it in its entity and all its own fields.
pub fn link_hash(previous: &str, record: &RecordRow) -> String {
    let mut hash = Sha256::new();
    let sequence = record.sequence.to_string();
    let recorded_at = record.recorded_at.to_string();
    let fields = [
        previous,
        &record.entity,
        &sequence,
        &recorded_at,
        &record.kind,
        &record.subject,
        &record.request_id,
        &record.actor,
        &record.content_sha256,
    ];
    for field in fields {
        hash.update((field.len() as u64).to_be_bytes());
        hash.update(field.as_bytes());
    }
    hex(&hash.finalize())
}
