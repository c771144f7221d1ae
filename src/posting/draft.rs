//! Drafts of events: what a command on an issue came to, and the rows that its event has.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::civil::Date;
use uuid::Uuid;

use super::convert::{stored_booked, stored_position};
use super::error::RecordError;
use super::workspace::Newest;
use crate::accounting::Currency;
use crate::accounting::journal::Posting;
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::BookedRow;
use crate::document::{BondIssueDocument, EventDocument};
use crate::store::{self, Rows};

/// What a command on an issue came to, before it has ids, numbers and a time.
pub(super) struct Draft {
    pub kind: &'static str,
    /// `None` in the preview of a new issue.
    pub bond_issue: Option<String>,
    pub document: Arc<BondIssueDocument>,
    pub currency: Currency,
    pub effective_date: Date,
    pub postings: Vec<Posting>,
    /// Rows to write, each with whether its date is new.
    pub position_rows: Vec<(PositionRow, bool)>,
    pub booked_rows: Vec<(BookedRow, bool)>,
    pub follows: i64,
    /// The issue's newest rows before it; `None` if it is the first.
    pub newest_before: Option<Newest>,
    pub reference: Option<String>,
    /// Batches that it reverses and that wait for accounts, or were rejected: what inverts them waits until they are released.
    pub unreleased: BTreeSet<Arc<str>>,
    /// What the event keeps, as JSON: the answer without ids and batches, and the request as it was made.
    pub detail: String,
}

impl Draft {
    /// Postings of an issue that are of no event of it: they have no rows but those of their entries.
    pub fn of_no_event(
        kind: &'static str,
        bond_issue: String,
        document: Arc<BondIssueDocument>,
        currency: Currency,
        postings: Vec<Posting>,
    ) -> Draft {
        Draft {
            kind,
            bond_issue: Some(bond_issue),
            document,
            currency,
            effective_date: postings.first().map(|posting| posting.effective_date).unwrap_or_default(),
            postings,
            position_rows: Vec::new(),
            booked_rows: Vec::new(),
            follows: 0,
            newest_before: None,
            reference: None,
            unreleased: BTreeSet::new(),
            detail: String::new(),
        }
    }

    /// The newest rows of its issue once it is recorded under `sequence`.
    pub fn newest_after(&self, sequence: i64) -> Result<Newest, RecordError> {
        let missing = || RecordError::corrupt("event", "an issuance without rows");
        let position = self.position_rows.last().map(|(row, _)| (row.date, sequence));
        let booked = self.booked_rows.last().map(|(row, _)| (row.posting_date, sequence));
        Ok(Newest {
            position: position.or(self.newest_before.map(|newest| newest.position)).ok_or_else(missing)?,
            booked: booked.or(self.newest_before.map(|newest| newest.booked)).ok_or_else(missing)?,
        })
    }
}

/// What an event is given when it is recorded.
#[derive(Clone, Debug)]
pub(super) struct EventKey {
    pub id: String,
    pub sequence: i64,
}

/// What a recorded command is given at its entity's head.
#[derive(Clone, Debug)]
pub(super) struct Stamp {
    pub sequence: i64,
    pub recorded_at: i64,
    pub request_id: String,
}

impl Stamp {
    /// When it was recorded, as documents say it.
    pub fn time(&self) -> Option<String> {
        crate::document::wire::Timestamp::from_microseconds(self.recorded_at).map(|time| time.to_string())
    }
}

/// A new id in an entity: its code, a dot and a UUID of version 7.
pub(super) fn new_id(entity: &str) -> String {
    format!("{entity}.{}", Uuid::now_v7())
}

/// The event of a draft, with ids if it is recorded.
pub(super) fn event(draft: &Draft, id: Option<&str>, stamp: Option<&Stamp>) -> EventDocument {
    EventDocument {
        id: id.map(str::to_owned),
        kind: draft.kind.to_owned(),
        sequence: stamp.map(|stamp| stamp.sequence),
        effective_date: draft.effective_date.to_string(),
        recorded_at: stamp.and_then(Stamp::time),
        request_id: stamp.map(|stamp| stamp.request_id.clone()),
        bond_issue: draft.bond_issue.clone(),
    }
}

/// The row of an event itself.
pub(super) fn event_row(entity: &str, draft: &Draft, event_id: &str, stamp: &Stamp) -> store::EventRow {
    store::EventRow {
        entity: entity.to_owned(),
        bond_issue: draft.bond_issue.clone().unwrap_or_default(),
        sequence: stamp.sequence,
        id: event_id.to_owned(),
        kind: draft.kind.to_owned(),
        effective_date: draft.effective_date.to_string(),
        follows: draft.follows,
        reference: draft.reference.clone(),
        detail: draft.detail.clone(),
    }
}

/// The rows of an event with those that only its kind of command has, which are given its sequence and its id.
///
/// # Errors
/// When a new issue has no rows.
pub(super) fn rows_with(
    entity: &str,
    draft: &Draft,
    extra: Rows,
    event_id: &str,
    stamp: &Stamp,
) -> Result<Rows, RecordError> {
    let mut rows = event_rows(entity, draft, event_id, stamp)?;
    rows.extend(extra);
    for coupon in &mut rows.coupons {
        coupon.sequence = stamp.sequence;
    }
    for rate in &mut rows.conversion_rates {
        rate.sequence = stamp.sequence;
    }
    for reversal in &mut rows.reversals {
        reversal.sequence = stamp.sequence;
    }
    for revision in &mut rows.revisions {
        revision.sequence = stamp.sequence;
    }
    for key in &mut rows.natural_keys {
        key.id = event_id.to_owned();
    }
    Ok(rows)
}

/// The rows of an event: the event itself, positions, what is booked, and the issue's head.
///
/// # Errors
/// When a new issue has no rows.
pub(super) fn event_rows(entity: &str, draft: &Draft, event_id: &str, stamp: &Stamp) -> Result<Rows, RecordError> {
    let issue = draft.bond_issue.clone().unwrap_or_default();
    let mut rows = Rows::default();
    rows.events.push(event_row(entity, draft, event_id, stamp));
    let position = |(row, first): &(PositionRow, bool)| stored_position(entity, &issue, stamp.sequence, *first, row);
    let booked = |(row, first): &(BookedRow, bool)| stored_booked(entity, &issue, stamp.sequence, *first, row);
    rows.positions.extend(draft.position_rows.iter().map(position));
    rows.booked.extend(draft.booked_rows.iter().map(booked));
    let Newest { position: (position_date, position_sequence), booked: (booked_date, booked_sequence) } =
        draft.newest_after(stamp.sequence)?;
    rows.issue_heads.push(store::IssueHeadRow {
        entity: entity.to_owned(),
        bond_issue: issue,
        event_sequence: stamp.sequence,
        position_date: position_date.to_string(),
        position_sequence,
        booked_date: booked_date.to_string(),
        booked_sequence,
    });
    Ok(rows)
}
