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
use crate::audit::event_hash;
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

    /// The same in no more memory than it needs, for one that waits beside ten thousand others.
    pub fn compact(mut self) -> Draft {
        self.postings.shrink_to_fit();
        self.detail.shrink_to_fit();
        self
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

/// The row of an event itself, without its hash.
fn event_row(entity: &str, draft: &Draft, event_id: &str, stamp: &Stamp) -> store::EventRow {
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
        content_sha256: String::new(), // given with all rows of the event
    }
}

/// The row of an entry of an issue's event, or of none (then `event` is empty), without its place in a batch.
pub(super) fn entry_row(
    (entity, bond_issue): (&str, &str),
    posting: &Posting,
    (event, sequence): (&str, i64),
) -> store::EntryRow {
    let movement = posting.entry.movement();
    store::EntryRow {
        entity: entity.to_owned(),
        batch: String::new(),
        entry: 0,
        sequence,
        bond_issue: bond_issue.to_owned(),
        event: event.to_owned(),
        kind: posting.entry.kind().name().to_owned(),
        movement: posting.stored_movement().into_owned(),
        posting_date: posting.posting_date.to_string(),
        effective_date: posting.effective_date.to_string(),
        description: posting.entry.description().to_owned(),
        principal: movement.principal.minor(),
        premium_discount: movement.premium_discount.minor(),
        issue_costs: movement.issue_costs.minor(),
        interest_payable: movement.interest_payable.minor(),
        interest_receivable: movement.interest_receivable.minor(),
        coupon_interest: movement.coupon_interest.minor(),
        gain_loss: movement.gain_loss.minor(),
        expense: movement.expense.minor(),
        cash: movement.cash.minor(),
        shares: movement.shares.to_string(),
        paid_in_capital: movement.paid_in_capital.minor(),
        equity_component: movement.equity_component.minor(),
        common_stock: movement.common_stock.minor(),
        treasury_stock: movement.treasury_stock.minor(),
        debt_conversion_expense: movement.debt_conversion_expense.minor(),
        loss_on_amendment: movement.loss_on_amendment.minor(),
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
    let mut rows = unhashed_rows(entity, draft, event_id, stamp)?;
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
    hashed(rows, draft, event_id, stamp)
}

/// The rows of an event with its hash over them and over what it posts.
fn hashed(mut rows: Rows, draft: &Draft, event_id: &str, stamp: &Stamp) -> Result<Rows, RecordError> {
    let mut content = rows.clone();
    if let Some(event) = rows.events.first_mut() {
        let key = (event.entity.as_str(), event.bond_issue.as_str());
        let postings = draft.postings.iter().filter(|posting| posting.is_of_an_event());
        content.entries = postings.map(|posting| entry_row(key, posting, (event_id, stamp.sequence))).collect();
        event.content_sha256 = event_hash(content).map_err(|error| RecordError::corrupt("event", error))?;
    }
    Ok(rows)
}

/// The rows of an event: the event itself, positions, what is booked, and the issue's head.
///
/// # Errors
/// When a new issue has no rows.
pub(super) fn event_rows(entity: &str, draft: &Draft, event_id: &str, stamp: &Stamp) -> Result<Rows, RecordError> {
    hashed(unhashed_rows(entity, draft, event_id, stamp)?, draft, event_id, stamp)
}

fn unhashed_rows(entity: &str, draft: &Draft, event_id: &str, stamp: &Stamp) -> Result<Rows, RecordError> {
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
