//! Batches in the making: postings of drafts with one posting date and currency, numbered, hashed and released.
//!
//! An accrual of ten thousand issues is one batch. Its entries are therefore made a page at a time, for the hash and again for
//! the rows, and never stand in memory together.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;

use jiff::civil::Date;

use super::draft::{self, Stamp, new_id};
use super::error::RecordError;
use super::grouping::{Drafts, Member};
use super::release::ReleaseAccounts;
use super::workspace::Workspace;
use crate::accounting::journal::{Posting, Side, StatementEffects};
use crate::accounting::money::Amount;
use crate::accounting::{Currency, Refusal};
use crate::document::{
    BatchDocument, BatchHeadDocument, DerivationDocument, EntryDocument, LineDocument, StatementEffectsDocument,
    TotalsDocument, money,
};
use crate::store::{self, Rows};

/// How many entries are made at once.
const PAGE: usize = 250;

/// A batch with its number, hash and release, if it is recorded.
pub(super) struct Batch {
    /// Its entries stand in it only if they fit in a page.
    document: BatchDocument,
    members: Vec<Member>,
    ordinal: i64,
    totals: Totals,
    accounts: Option<ReleaseAccounts>,
}

impl<'a> Drafts<'a> {
    /// Puts the postings into batches: one posting date and one currency each, in order, numbered within the fiscal year and
    /// released if every role has an account. Without a stamp it is a preview, and nothing has an id.
    ///
    /// # Errors
    /// When totals leave 64 bits.
    pub fn batches(self, workspace: &mut Workspace, stamp: Option<&Stamp>) -> Result<Vec<Batch>, RecordError> {
        self.batches_after(0, workspace, stamp)
    }

    /// The same for a command that has so many batches already.
    ///
    /// # Errors
    /// When totals leave 64 bits.
    pub fn batches_after(
        self,
        ordinal: i64,
        workspace: &mut Workspace,
        stamp: Option<&Stamp>,
    ) -> Result<Vec<Batch>, RecordError> {
        let cut = self.groups(workspace.most_lines);
        let next = ordinal.saturating_add(1);
        cut.iter()
            .zip(next..)
            .map(|((date, part), ordinal)| self.batch(*date, part, ordinal, workspace, stamp))
            .collect()
    }

    fn batch(
        self,
        posting_date: Date,
        members: &[Member],
        ordinal: i64,
        workspace: &mut Workspace,
        stamp: Option<&Stamp>,
    ) -> Result<Batch, RecordError> {
        let totals = Totals::of(self.postings(members))?;
        let mut batch = Batch {
            document: self.document(posting_date, members, &totals, workspace, stamp),
            members: members.to_vec(),
            ordinal,
            totals,
            accounts: self.accounts(posting_date, members, workspace),
        };
        if stamp.is_some() {
            let year = workspace.calendar()?.year_of(posting_date);
            let number = workspace.numbers.entry(i64::from(year)).or_default();
            *number += 1;
            let entity = &workspace.head.entity;
            batch.document.id = Some(new_id(entity));
            batch.document.number = Some(format!("{entity}-{year}-{number:06}"));
            let pages = pages(batch.len()).map(|page| batch.entries(self, page));
            let hash = batch.document.hash_with(pages).map_err(|error| RecordError::corrupt("batch", error))?;
            batch.document.content_sha256 = Some(hash);
            if batch.accounts.is_some() {
                workspace.head.release += 1;
                batch.document.release = Some(workspace.head.release);
                batch.document.revision = Some(1);
            }
        }
        Ok(batch)
    }

    fn document(
        self,
        posting_date: Date,
        members: &[Member],
        totals: &Totals,
        workspace: &Workspace,
        stamp: Option<&Stamp>,
    ) -> BatchDocument {
        let currency = self.drafts[members[0].draft].currency;
        let effective_date = self.postings(members).map(|posting| posting.effective_date).max().unwrap_or(posting_date);
        let effects = &totals.effects;
        BatchDocument {
            id: None,
            number: None,
            sequence: stamp.map(|stamp| stamp.sequence),
            release: None,
            revision: None,
            entity: workspace.head.entity.clone(),
            currency: currency.code().to_owned(),
            posting_date: posting_date.to_string(),
            effective_date: effective_date.to_string(),
            recorded_at: stamp.and_then(Stamp::time),
            status: "ready".to_owned(),
            acknowledgement: None,
            reverses: self.of(members[0]).1.reverses.as_deref().map(str::to_owned),
            reversed_by: None,
            entries: if members.len() <= PAGE { self.entries(members, 1) } else { Vec::new() },
            totals: TotalsDocument {
                entries: members.len(),
                lines: totals.lines,
                debit: money(totals.debit, currency),
                credit: money(totals.debit, currency),
            },
            statement_effects: StatementEffectsDocument {
                assets: money(effects.assets, currency),
                liabilities: money(effects.liabilities, currency),
                equity: money(effects.equity, currency),
                net_income: money(effects.net_income, currency),
            },
            content_sha256: None,
        }
    }

    fn entries(self, members: &[Member], first: usize) -> Vec<EntryDocument> {
        let numbered = members.iter().zip(first..);
        numbered.map(|(member, number)| self.entry(*member, number)).collect()
    }

    fn entry(self, member: Member, number: usize) -> EntryDocument {
        let (draft, posting) = self.of(member);
        EntryDocument {
            sequence: number,
            kind: posting.entry.kind().name().to_owned(),
            bond_issue: draft.bond_issue.clone(),
            reference: draft.document.reference.clone(),
            isin: draft.document.isin.clone(),
            event: self.events.get(member.draft).filter(|_| posting.is_of_an_event()).map(|event| event.id.clone()),
            effective_date: posting.effective_date.to_string(),
            description: posting.entry.description().to_owned(),
            lines: posting
                .entry
                .lines()
                .iter()
                .zip(1..)
                .map(|(line, at)| line_document(line, at, draft.currency))
                .collect(),
        }
    }
}

/// The pages that so many entries, or drafts, are made in.
pub(super) fn pages(count: usize) -> impl Iterator<Item = Range<usize>> + Clone {
    (0..count).step_by(PAGE).map(move |first| first..(first + PAGE).min(count))
}

fn line_document(line: &crate::accounting::journal::Line, at: usize, currency: Currency) -> LineDocument {
    let figures = line.derivation.figures.iter();
    LineDocument {
        line: at,
        account_role: line.role.name().to_owned(),
        account: None,
        account_name: None,
        side: line.side.name().to_owned(),
        amount: money(line.amount, currency),
        memo: line.memo.clone().into_owned(),
        monetary: line.role.is_monetary(),
        dimensions: BTreeMap::new(),
        derivation: DerivationDocument {
            figures: figures.map(|(name, value)| ((*name).to_owned(), value.clone())).collect(),
            paragraph: line.derivation.paragraph.to_owned(),
            rule: line.derivation.rule.to_owned(),
        },
    }
}

impl Batch {
    /// The batch without its entries.
    pub fn head(&self) -> BatchHeadDocument {
        self.document.head()
    }

    /// The whole batch with its accounts.
    pub fn whole(mut self, drafts: Drafts<'_>) -> BatchDocument {
        if self.document.entries.is_empty() {
            self.document.entries = drafts.entries(&self.members, 1);
        }
        if let Some(accounts) = self.accounts {
            self.document.status = "released".to_owned();
            accounts.fill(&mut self.document);
        }
        self.document
    }

    fn entries(&self, drafts: Drafts<'_>, range: Range<usize>) -> Cow<'_, [EntryDocument]> {
        match self.document.entries.get(range.clone()) {
            Some(kept) => Cow::Borrowed(kept),
            None => Cow::Owned(drafts.entries(&self.members[range.clone()], range.start + 1)),
        }
    }

    /// How many entries it has.
    pub fn len(&self) -> usize {
        self.members.len()
    }

    /// The rows of the batch and its release.
    ///
    /// # Errors
    /// When the accounts cannot be written as JSON.
    pub fn own_rows(&self, stamp: &Stamp) -> Result<Rows, RecordError> {
        let (document, totals) = (&self.document, &self.totals);
        let mut rows = Rows::default();
        rows.batches.push(store::BatchRow {
            entity: document.entity.clone(),
            id: document.id.clone().unwrap_or_default(),
            sequence: stamp.sequence,
            ordinal: self.ordinal,
            number: document.number.clone().unwrap_or_default(),
            currency: document.currency.clone(),
            posting_date: document.posting_date.clone(),
            effective_date: document.effective_date.clone(),
            recorded_at: stamp.recorded_at,
            ready: i64::from(self.accounts.is_none()),
            entries: i64::try_from(self.members.len()).unwrap_or(i64::MAX),
            lines: i64::try_from(totals.lines).unwrap_or(i64::MAX),
            debit: totals.debit.minor(),
            credit: totals.debit.minor(),
            assets: totals.effects.assets.minor(),
            liabilities: totals.effects.liabilities.minor(),
            equity: totals.effects.equity.minor(),
            net_income: totals.effects.net_income.minor(),
            content_sha256: document.content_sha256.clone().unwrap_or_default(),
            reverses: document.reverses.clone(),
        });
        if let (Some(accounts), Some(release)) = (&self.accounts, document.release) {
            rows.releases.push(accounts.row(document, release, 1, stamp.sequence, stamp.recorded_at)?);
        }
        Ok(rows)
    }

    /// The rows of some of its entries, with their lines.
    ///
    /// # Errors
    /// When a derivation cannot be written as JSON.
    pub fn entry_rows(&self, drafts: Drafts<'_>, range: Range<usize>, stamp: &Stamp) -> Result<Rows, RecordError> {
        let mut rows = Rows::default();
        let shown = self.entries(drafts, range.clone());
        for (entry, member) in shown.iter().zip(&self.members[range]) {
            // Of several events that share a batch each entry is known from its own event on.
            let sequence = drafts.events.get(member.draft).map_or(stamp.sequence, |event| event.sequence);
            self.add_entry(entry, drafts.of(*member).1, sequence, &mut rows)?;
        }
        Ok(rows)
    }

    fn add_entry(
        &self,
        entry: &EntryDocument,
        posting: &Posting,
        sequence: i64,
        rows: &mut Rows,
    ) -> Result<(), RecordError> {
        let batch = self.document.id.clone().unwrap_or_default();
        let number = i64::try_from(entry.sequence).unwrap_or(i64::MAX);
        let key = (self.document.entity.as_str(), entry.bond_issue.as_deref().unwrap_or_default());
        let of_event = (entry.event.as_deref().unwrap_or_default(), sequence);
        rows.entries.push(store::EntryRow {
            batch: batch.clone(),
            entry: number,
            ..draft::entry_row(key, posting, of_event)
        });
        for ((line, shown), index) in posting.entry.lines().iter().zip(&entry.lines).zip(1_i64..) {
            let amount = line.amount.minor();
            rows.lines.push(store::LineRow {
                entity: self.document.entity.clone(),
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
        Ok(())
    }
}

struct Totals {
    lines: usize,
    debit: Amount,
    effects: StatementEffects,
}

impl Totals {
    fn of<'a>(postings: impl Iterator<Item = &'a Posting> + Clone) -> Result<Totals, Refusal> {
        let lines = postings.clone().flat_map(|posting| posting.entry.lines());
        let debits = lines.clone().filter(|line| line.side == Side::Debit).map(|line| line.amount);
        Ok(Totals {
            debit: Amount::total(debits)?,
            lines: lines.count(),
            effects: StatementEffects::of(postings.map(|posting| &posting.entry))?,
        })
    }
}
