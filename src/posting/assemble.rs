//! From drafts to what is written and answered: events, batches with their numbers and hashes, rows.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use uuid::Uuid;

use super::convert::{stored_booked, stored_position};
use super::error::RecordError;
use super::release::ReleaseAccounts;
use super::workspace::{Newest, Workspace};
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::journal::{Posting, Side, StatementEffects};
use crate::accounting::money::Amount;
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::{BookedRow, Books};
use crate::accounting::{Currency, Refusal};
use crate::document::{
    BatchDocument, BondIssueDocument, DerivationDocument, EntryDocument, EventDocument, LineDocument, RecordingAnswer,
    StatementEffectsDocument, TotalsDocument, money,
};
use crate::store::{self, Rows};

/// The most entries that one batch holds.
pub(super) const MOST_ENTRIES: usize = 10_000;

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
    pub reference: Option<String>,
    /// The request as it was made.
    pub request: serde_json::Value,
    /// Everything of the answer that needs no id.
    pub answer: RecordingAnswer,
    /// The issue's books after it, with the newest rows only.
    pub books_after: Books,
}

/// What a recorded command is given at its entity's head.
#[derive(Clone, Debug)]
pub(super) struct Stamp {
    pub sequence: i64,
    pub recorded_at: i64,
    pub request_id: String,
}

impl Stamp {
    fn time(&self) -> Option<String> {
        crate::document::wire::Timestamp::from_microseconds(self.recorded_at).map(|time| time.to_string())
    }
}

/// A new id in an entity: its code, a dot and a UUID of version 7.
pub(super) fn new_id(entity: &str) -> String {
    format!("{entity}.{}", Uuid::now_v7())
}

/// Batches with the rows that store them.
#[derive(Default)]
pub(super) struct Assembled {
    pub batches: Vec<BatchDocument>,
    pub rows: Rows,
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

/// Puts the postings of drafts into batches: one posting date and one currency each, in order, numbered within the fiscal year
/// and released if every role has an account. Without a stamp it is a preview: nothing has an id, and there are no rows.
///
/// # Errors
/// When totals leave 64 bits.
pub(super) fn batches(
    workspace: &mut Workspace,
    drafts: &[Draft],
    events: &[String],
    stamp: Option<&Stamp>,
) -> Result<Assembled, RecordError> {
    let calendar = workspace.calendar()?;
    let mut groups: BTreeMap<(Date, &str), Vec<(usize, &Posting)>> = BTreeMap::new();
    for (index, draft) in drafts.iter().enumerate() {
        for posting in &draft.postings {
            groups.entry((posting.posting_date, draft.currency.code())).or_default().push((index, posting));
        }
    }
    let mut assembled = Assembled::default();
    let mut ordinal = 0;
    for ((posting_date, _), members) in &groups {
        for members in members.chunks(MOST_ENTRIES) {
            ordinal += 1;
            let batch = Batch { workspace, drafts, events, stamp, posting_date: *posting_date, members, ordinal };
            batch.assemble(calendar, &mut assembled)?;
        }
    }
    Ok(assembled)
}

struct Batch<'a> {
    workspace: &'a mut Workspace,
    drafts: &'a [Draft],
    events: &'a [String],
    stamp: Option<&'a Stamp>,
    posting_date: Date,
    members: &'a [(usize, &'a Posting)],
    ordinal: i64,
}

impl Batch<'_> {
    fn assemble(self, calendar: FiscalCalendar, assembled: &mut Assembled) -> Result<(), RecordError> {
        let totals = Totals::of(self.members)?;
        let mut document = self.document(&totals)?;
        let year = i64::from(calendar.year_of(self.posting_date));
        if self.stamp.is_some() {
            let number = self.workspace.numbers.entry(year).or_default();
            *number += 1;
            document.id = Some(new_id(&document.entity));
            document.number = Some(format!("{}-{year}-{number:06}", document.entity));
            document.content_sha256 =
                Some(document.content_hash().map_err(|error| RecordError::corrupt("batch", error))?);
        }
        let drafts = self.members.iter().map(|(index, _)| &self.drafts[*index]);
        let dimensions: BTreeMap<&str, &BTreeMap<String, String>> =
            drafts.map(|draft| (draft.bond_issue.as_deref().unwrap_or_default(), &draft.document.dimensions)).collect();
        let accounts = ReleaseAccounts::resolve(&document, self.posting_date, &self.workspace.mapping, |issue| {
            dimensions.get(issue).copied()
        });
        if let Some(stamp) = self.stamp {
            assembled.rows.batches.push(self.row(&document, &totals, stamp, accounts.is_none()));
            self.rows(&document, stamp, &mut assembled.rows)?;
        }
        if let Some(accounts) = accounts {
            document.status = "released".to_owned();
            accounts.fill(&mut document);
            if let Some(stamp) = self.stamp {
                self.workspace.head.release += 1;
                let release = self.workspace.head.release;
                (document.release, document.revision) = (Some(release), Some(1));
                assembled.rows.releases.push(accounts.row(&document, release, 1, stamp.sequence, stamp.recorded_at)?);
            }
        }
        assembled.batches.push(document);
        Ok(())
    }

    fn currency(&self) -> Currency {
        self.drafts[self.members[0].0].currency
    }

    fn effective_date(&self) -> Date {
        self.members.iter().map(|(_, posting)| posting.effective_date).max().unwrap_or(self.posting_date)
    }

    fn document(&self, totals: &Totals) -> Result<BatchDocument, RecordError> {
        let currency = self.currency();
        let entries =
            self.members.iter().enumerate().map(|(index, (draft, posting))| self.entry(index + 1, *draft, posting));
        Ok(BatchDocument {
            id: None,
            number: None,
            sequence: self.stamp.map(|stamp| stamp.sequence),
            release: None,
            revision: None,
            entity: self.workspace.head.entity.clone(),
            currency: currency.code().to_owned(),
            posting_date: self.posting_date.to_string(),
            effective_date: self.effective_date().to_string(),
            recorded_at: self.stamp.and_then(Stamp::time),
            status: "ready".to_owned(),
            entries: entries.collect(),
            totals: TotalsDocument {
                entries: self.members.len(),
                lines: totals.lines,
                debit: money(totals.debit, currency),
                credit: money(totals.debit, currency),
            },
            statement_effects: StatementEffectsDocument {
                assets: money(totals.effects.assets, currency),
                liabilities: money(totals.effects.liabilities, currency),
                equity: money(totals.effects.equity, currency),
                net_income: money(totals.effects.net_income, currency),
            },
            content_sha256: None,
        })
    }

    fn entry(&self, sequence: usize, draft: usize, posting: &Posting) -> EntryDocument {
        let (event, draft) = (self.events.get(draft), &self.drafts[draft]);
        let line = |(index, line): (usize, &crate::accounting::journal::Line)| LineDocument {
            line: index + 1,
            account_role: line.role.name().to_owned(),
            account: None,
            account_name: None,
            side: line.side.name().to_owned(),
            amount: money(line.amount, draft.currency),
            memo: line.memo.to_owned(),
            monetary: line.role.is_monetary(),
            dimensions: BTreeMap::new(),
            derivation: DerivationDocument {
                figures: line
                    .derivation
                    .figures
                    .iter()
                    .map(|(name, value)| ((*name).to_owned(), value.clone()))
                    .collect(),
                paragraph: line.derivation.paragraph.to_owned(),
                rule: line.derivation.rule.to_owned(),
            },
        };
        EntryDocument {
            sequence,
            kind: posting.entry.kind().name().to_owned(),
            bond_issue: draft.bond_issue.clone(),
            reference: draft.document.reference.clone(),
            isin: draft.document.isin.clone(),
            event: event.cloned(),
            effective_date: posting.effective_date.to_string(),
            description: posting.entry.description().to_owned(),
            lines: posting.entry.lines().iter().enumerate().map(line).collect(),
        }
    }

    fn row(&self, document: &BatchDocument, totals: &Totals, stamp: &Stamp, ready: bool) -> store::BatchRow {
        store::BatchRow {
            entity: document.entity.clone(),
            id: document.id.clone().unwrap_or_default(),
            sequence: stamp.sequence,
            ordinal: self.ordinal,
            number: document.number.clone().unwrap_or_default(),
            currency: document.currency.clone(),
            posting_date: document.posting_date.clone(),
            effective_date: document.effective_date.clone(),
            recorded_at: stamp.recorded_at,
            ready: i64::from(ready),
            entries: i64::try_from(self.members.len()).unwrap_or(i64::MAX),
            lines: i64::try_from(totals.lines).unwrap_or(i64::MAX),
            debit: totals.debit.minor(),
            credit: totals.debit.minor(),
            assets: totals.effects.assets.minor(),
            liabilities: totals.effects.liabilities.minor(),
            equity: totals.effects.equity.minor(),
            net_income: totals.effects.net_income.minor(),
            content_sha256: document.content_sha256.clone().unwrap_or_default(),
        }
    }

    /// Entries and lines of the batch.
    fn rows(&self, document: &BatchDocument, stamp: &Stamp, rows: &mut Rows) -> Result<(), RecordError> {
        let batch = document.id.clone().unwrap_or_default();
        for ((entry, (_, posting)), number) in document.entries.iter().zip(self.members).zip(1_i64..) {
            let movement = posting.entry.movement();
            rows.entries.push(store::EntryRow {
                entity: document.entity.clone(),
                batch: batch.clone(),
                entry: number,
                sequence: stamp.sequence,
                bond_issue: entry.bond_issue.clone().unwrap_or_default(),
                event: entry.event.clone().unwrap_or_default(),
                kind: entry.kind.clone(),
                movement: posting.movement_kind.name().to_owned(),
                posting_date: document.posting_date.clone(),
                effective_date: entry.effective_date.clone(),
                description: entry.description.clone(),
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
            });
            for ((line, shown), index) in posting.entry.lines().iter().zip(&entry.lines).zip(1_i64..) {
                let amount = line.amount.minor();
                rows.lines.push(store::LineRow {
                    entity: document.entity.clone(),
                    batch: batch.clone(),
                    entry: number,
                    line: index,
                    account_role: shown.account_role.clone(),
                    amount: if line.side == Side::Debit { amount } else { -amount },
                    memo: shown.memo.clone(),
                    derivation: serde_json::to_string(&shown.derivation)
                        .map_err(|error| RecordError::corrupt("derivation", error))?,
                });
            }
        }
        Ok(())
    }
}

struct Totals {
    lines: usize,
    debit: Amount,
    effects: StatementEffects,
}

impl Totals {
    fn of(members: &[(usize, &Posting)]) -> Result<Totals, Refusal> {
        let lines = members.iter().flat_map(|(_, posting)| posting.entry.lines());
        let debits = lines.clone().filter(|line| line.side == Side::Debit).map(|line| line.amount);
        Ok(Totals {
            debit: Amount::total(debits)?,
            lines: lines.count(),
            effects: StatementEffects::of(members.iter().map(|(_, posting)| &posting.entry))?,
        })
    }
}

/// The rows of an event: the event itself, positions, what is booked, and the issue's head.
///
/// # Errors
/// When the detail cannot be written as JSON.
pub(super) fn event_rows(
    entity: &str,
    draft: &Draft,
    event_id: &str,
    stamp: &Stamp,
    newest: Newest,
) -> Result<Rows, RecordError> {
    let issue = draft.bond_issue.clone().unwrap_or_default();
    let mut detail = serde_json::to_value(&draft.answer).map_err(|error| RecordError::corrupt("event", error))?;
    if let Some(detail) = detail.as_object_mut() {
        detail.remove("journal_batches");
        detail.insert("request".to_owned(), draft.request.clone());
    }
    let mut rows = Rows::default();
    rows.events.push(store::EventRow {
        entity: entity.to_owned(),
        bond_issue: issue.clone(),
        sequence: stamp.sequence,
        id: event_id.to_owned(),
        kind: draft.kind.to_owned(),
        effective_date: draft.effective_date.to_string(),
        follows: draft.follows,
        reference: draft.reference.clone(),
        detail: detail.to_string(),
    });
    let position = |(row, first): &(PositionRow, bool)| stored_position(entity, &issue, stamp.sequence, *first, row);
    let booked = |(row, first): &(BookedRow, bool)| stored_booked(entity, &issue, stamp.sequence, *first, row);
    rows.positions.extend(draft.position_rows.iter().map(position));
    rows.booked.extend(draft.booked_rows.iter().map(booked));
    let Newest { position: (position_date, position_sequence), booked: (booked_date, booked_sequence) } = newest;
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
