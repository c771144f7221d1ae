//! Samples: a batch of every kind in an entity's own accounts, framework and currency, for the rehearsal of an import.
//!
//! Two invented issues live through what there is. Each step is a request of the interface, decided as a preview is. Their books are in
//! memory alone and whole, so that no row of them is looked for in the store; what else a decision asks the reader for, it does not find
//! under their ids. Nothing can be written through a reader.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::command::IssueCommand;
use super::decide::{self, Decided, Drafted};
use super::draft::{Draft, EventKey};
use super::error::RecordError;
use super::grouping::Drafts;
use super::recorder::Recorder;
use super::workspace::{IssueState, Workspace};
use super::year_end;
use crate::accounting::account_mapping::AccountMapping;
use crate::accounting::journal::{AccountRole, EntryKind, Posting, Side};
use crate::accounting::position::RowChange;
use crate::accounting::transaction::Books;
use crate::accounting::transaction::reversal::{PostedEntry, PostedLine, Reversal, Reversed};
use crate::accounting::year_end::closing;
use crate::document::wire::DateString;
use crate::document::{AccrualRequest, BatchDocument, RecordingAnswer};
use crate::store::{Reader, Rows};

mod life;

/// Invented batches, one of every kind of entry. Nothing of them is in the books or in the feed.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct SampleBatches {
    /// Always true.
    pub sample: bool,
    /// Their status is `sample`. Their numbers and ids can never be those of posted batches; their release is 0, and releases count from 1.
    pub items: Vec<BatchDocument>,
}

impl Recorder {
    /// The samples of an entity, with its accounts as mapped on a day. A role that has none then has a null account.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when there is no such entity.
    pub async fn sample_batches(&self, entity: &str, on: Date) -> Result<SampleBatches, RecordError> {
        let mut reading = self.store().reading().await?;
        let mut reader = reading.reader();
        let workspace = Workspace::of(entity, &mut reader).await?;
        let mapping = Arc::clone(&workspace.mapping);
        let mut rehearsal = Rehearsal::new(workspace);
        // No caller can mend a step that a rule refuses.
        rehearsal.live(&mut reader).await.map_err(|error| match error {
            RecordError::Refused(refusal) => RecordError::corrupt("sample", refusal),
            error => error,
        })?;
        let items = rehearsal.chosen(|batch| fill(batch, &mapping, on))?;
        Ok(SampleBatches { sample: true, items })
    }
}

/// The accounts that an entity's roles have on a day.
fn fill(batch: &mut BatchDocument, mapping: &AccountMapping, on: Date) {
    for line in batch.entries.iter_mut().flat_map(|entry| &mut entry.lines) {
        let role = AccountRole::from_name(&line.account_role);
        if let Some(account) = role.and_then(|role| mapping.resolve(role, "", on)) {
            line.account = Some(account.account.clone());
            line.account_name.clone_from(&account.name);
            line.dimensions.clone_from(&account.dimensions);
        }
    }
}

/// The lives of the invented issues as far as they have been lived.
struct Rehearsal {
    workspace: Workspace,
    /// What each step came to, in order.
    drafts: Vec<Draft>,
    /// The closing entries of a fiscal year.
    closing: Vec<Draft>,
}

impl Rehearsal {
    fn new(mut workspace: Workspace) -> Rehearsal {
        // Samples are posted where they happen, whatever is closed; and their accounts are not those of their posting dates.
        workspace.head.closed_through = None;
        workspace.mapping = Arc::default();
        Rehearsal { workspace, drafts: Vec::new(), closing: Vec::new() }
    }

    async fn live(&mut self, reader: &mut Reader<'_>) -> Result<(), RecordError> {
        let (entity, currency) = (self.workspace.head.entity.clone(), self.workspace.functional_currency.clone());
        for (issue, life) in (1..).zip(life::lives(&entity, &currency, self.workspace.framework)?) {
            let id = id(&self.workspace, Thing::Issue, issue);
            let issued = decide::new_issue(&self.workspace, &life.issue, Some(id.clone()))?;
            self.keep(&id, issued)?;
            for command in &life.commands {
                let before = self.workspace.issue(&id)?.books.clone();
                match decide::on_issue(&self.workspace, &id, command, reader).await? {
                    Decided::Drafted(drafted) => self.keep(&id, *drafted)?,
                    Decided::Nothing { reason, .. } => return Err(RecordError::corrupt("sample", reason)),
                }
                if matches!(command, IssueCommand::Repurchase(_)) {
                    let reversal = self.reversal(&id, &before)?;
                    self.keep(&id, reversal)?;
                }
            }
        }
        self.close_year(reader).await
    }

    /// Accrues the first issue through the fiscal year that it has come to, and closes that year to retained earnings.
    async fn close_year(&mut self, reader: &mut Reader<'_>) -> Result<(), RecordError> {
        let first = id(&self.workspace, Thing::Issue, 1);
        let year = self.workspace.calendar()?.year_with(self.workspace.issue(&first)?.books.accrued().date);
        let through = IssueCommand::Accrue(AccrualRequest { through: DateString(year.last_day), reference: None });
        if let Decided::Drafted(drafted) = decide::on_issue(&self.workspace, &first, &through, reader).await? {
            self.keep(&first, *drafted)?;
        }
        let mut issues = BTreeMap::new();
        year_end::add(&mut issues, &self.drafts, &year)?;
        for (issue, balances) in issues {
            let Some(posting) = closing(&year, &balances)? else { continue };
            let state = self.workspace.issue(&issue)?;
            let (document, currency) = (Arc::clone(&state.document), state.books.instrument.terms().currency);
            self.closing.push(Draft::of_no_event("year_end_closing", issue, document, currency, vec![posting]));
        }
        Ok(())
    }

    /// Keeps a step and the books that it leaves, with all their rows back to the issue's start: the store has none of them.
    fn keep(&mut self, id: &str, drafted: Drafted) -> Result<(), RecordError> {
        let sequence = count(self.drafts.len() + 1);
        let state = IssueState {
            document: Arc::clone(&drafted.draft.document),
            newest: drafted.draft.newest_after(sequence)?,
            books: drafted.books_after,
            event_sequence: sequence,
        };
        self.workspace.keep(id.to_owned(), state);
        self.drafts.push(drafted.draft);
        Ok(())
    }

    /// Takes the repurchase back that was the last step, before which the books were these.
    fn reversal(&self, id: &str, before: &Books) -> Result<Drafted, RecordError> {
        let asked = decide::asked(&self.workspace, id)?;
        let books = &asked.state.books;
        let repurchase = self.drafts.last().ok_or_else(|| RecordError::corrupt("sample", "nothing to reverse"))?;
        let date = repurchase.effective_date;
        let row = |books: &Books| books.history.at(date, &books.instrument);
        let own =
            repurchase.postings.iter().zip(1..).filter(|(posting, _)| posting.entry.kind() == EntryKind::Repurchase);
        let reversed = Reversed {
            kind: repurchase.kind.to_owned(),
            effective_date: date,
            change: RowChange::between(&row(before)?, &row(books)?, None)?,
            without: None,
            surrender: None,
            entries: own.map(|(posting, entry)| self.posted(posting, entry)).collect::<Result<_, _>>()?,
        };
        let decision = Reversal { posting_date: None }.decide(books, &reversed)?;
        let request = serde_json::json!({"reason": "recorded twice"});
        asked.parts("reversal", books, None, &request)?.draft(decision, RecordingAnswer::default(), Rows::default())
    }

    fn posted(&self, posting: &Posting, entry: usize) -> Result<PostedEntry, RecordError> {
        let lines = posting.entry.lines().iter().map(|line| {
            let amount = if line.side == Side::Debit { line.amount } else { line.amount.negated()? };
            Ok(PostedLine { role: line.role, amount, memo: line.memo.clone().into_owned() })
        });
        let movement = posting.entry.movement();
        Ok(PostedEntry {
            batch: id(&self.workspace, Thing::Batch, place(EntryKind::Repurchase)).into(),
            number: number(&self.workspace, EntryKind::Repurchase),
            entry,
            posting_date: posting.posting_date,
            effective_date: posting.effective_date,
            movement_kind: posting.movement_kind,
            description: posting.entry.description().to_owned(),
            lines: lines.collect::<Result<_, RecordError>>()?,
            shares: movement.shares,
            coupon_interest: movement.coupon_interest,
        })
    }

    /// Of each kind the first batch that holds an entry of it, marked as a sample.
    fn chosen(mut self, fill: impl Fn(&mut BatchDocument)) -> Result<Vec<BatchDocument>, RecordError> {
        let mut batches = Vec::new();
        for (draft, event) in self.drafts.iter().zip(1..) {
            let events = [EventKey { id: id(&self.workspace, Thing::Event, event), sequence: event }];
            let drafts = Drafts { drafts: std::slice::from_ref(draft), events: &events };
            let of_step = drafts.batches(&mut self.workspace, None)?;
            batches.extend(of_step.into_iter().map(|batch| batch.whole(drafts)));
        }
        let drafts = Drafts { drafts: &self.closing, events: &[] };
        let of_close = drafts.batches(&mut self.workspace, None)?;
        batches.extend(of_close.into_iter().map(|batch| batch.whole(drafts)));
        let holds =
            |batch: &&BatchDocument, kind: EntryKind| batch.entries.iter().any(|entry| entry.kind == kind.name());
        let mut items = Vec::new();
        for kind in EntryKind::ALL {
            let Some(batch) = batches.iter().find(|batch| holds(batch, kind)) else { continue };
            let mut batch = batch.clone();
            batch.id = Some(id(&self.workspace, Thing::Batch, place(kind)));
            batch.number = Some(number(&self.workspace, kind));
            (batch.release, batch.revision) = (Some(0), Some(1));
            batch.status = "sample".to_owned();
            if kind == EntryKind::Repurchase {
                batch.reversed_by = Some(id(&self.workspace, Thing::Batch, place(EntryKind::Reversal)));
            }
            let hash = batch.content_hash().map_err(|error| RecordError::corrupt("sample", error))?;
            batch.content_sha256 = Some(hash);
            fill(&mut batch);
            items.push(batch);
        }
        Ok(items)
    }
}

/// What has an id in a sample.
#[derive(Clone, Copy)]
enum Thing {
    Issue,
    Event,
    Batch,
}

/// An id that reads as any other and is nobody's: those that are given hold the time, and this one's is 1970.
fn id(workspace: &Workspace, thing: Thing, place: i64) -> String {
    let of = match thing {
        Thing::Issue => 1,
        Thing::Event => 2,
        Thing::Batch => 3,
    };
    format!("{}.00000000-0000-7000-8000-{of:04}{place:08}", workspace.head.entity)
}

/// A number that is nobody's: a posted batch has its fiscal year in the middle.
fn number(workspace: &Workspace, kind: EntryKind) -> String {
    format!("{}-SAMPLE-{:06}", workspace.head.entity, place(kind))
}

/// The place of a kind among all, from 1.
fn place(kind: EntryKind) -> i64 {
    count(EntryKind::ALL.iter().take_while(|other| **other != kind).count() + 1)
}

fn count(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}
