//! One command under the lock: decided, stamped, and turned into rows and an answer.

use std::collections::HashMap;
use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::command::{Command, Context, IssueCommand};
use super::decide::{self, Decided, Drafted};
use super::draft::{self, EventKey, Stamp, new_id};
use super::error::RecordError;
use super::grouping::Drafts;
use super::record::{CREATED, Done, OK, json};
use super::recorder::Recorded;
use super::workspace::{IssueState, Workspace};
use super::{acknowledge, close, destination, entity, notices, preview, reopen, series};
use crate::document::{BondIssueAnswer, BondIssueDocument, EffectiveRateDocument, RecordingAnswer, StoredRates, hex};
use crate::store::{BondIssueRow, Reader, Rows};

/// A command's surroundings, with the time by the machine's clock.
pub(super) struct Session<'a> {
    pub context: &'a Context,
    pub now: i64,
}

impl Session<'_> {
    /// Whether deciding a command reads more from the store than its issue's newest rows, so that rows of the same group must be
    /// there first.
    pub fn reads_history(&self, command: &Command, workspace: Option<&Workspace>) -> bool {
        let Some(workspace) = workspace else { return false };
        match command {
            Command::OnIssue { bond_issue, command, .. } => match (command, workspace.issue(bond_issue)) {
                (IssueCommand::Convert(request), Ok(state)) => {
                    let date = request.first_date().filter(|_| request.surrender.is_none());
                    date.is_none_or(|date| state.books_in_memory(date, false).is_none())
                }
                (_, Ok(_)) => true,
                (_, Err(_)) => false,
            },
            Command::AccrueEntity { .. }
            | Command::MapAccounts { .. }
            | Command::StoreLayout { .. }
            | Command::OnSeries { .. }
            | Command::ConvertMany { .. }
            | Command::Acknowledge { .. }
            | Command::ReleaseAgain { .. }
            | Command::ClosePeriod { .. }
            | Command::ReopenPeriod { .. }
            | Command::OnDestination { .. } => true,
            Command::Issue(document) => document.series.is_some(),
            Command::CreateEntity(_) | Command::ImportIssues { .. } => false,
        }
    }

    /// Decides a command and prepares its rows. The books in `held` are those after it.
    ///
    /// # Errors
    /// Why it is not recorded; then `held` is as it was.
    pub async fn record(
        &self,
        command: &Command,
        held: &mut HashMap<String, Workspace>,
        reader: &mut Reader<'_>,
    ) -> Result<Done, RecordError> {
        if let Command::CreateEntity(document) = command {
            return entity::create(self, document, held);
        }
        let workspace = held.get_mut(command.entity()).ok_or_else(|| no_entity(command.entity()))?;
        match command {
            // The writer takes an import by itself.
            Command::CreateEntity(_) | Command::ImportIssues { .. } => Err(no_entity(command.entity())),
            Command::MapAccounts { bond_issue, effective_from, mapping, .. } => {
                entity::map_accounts(self, workspace, bond_issue.as_deref(), *effective_from, mapping, reader).await
            }
            Command::StoreLayout { name, layout, .. } => {
                super::layout::store(self, workspace, (name, layout), reader).await
            }
            Command::Issue(document) => {
                series::check_member(workspace, document, reader).await?;
                self.issue(document, workspace)
            }
            Command::Acknowledge { batch, request, .. } => {
                acknowledge::record(self, workspace, batch, request, reader).await
            }
            Command::ReleaseAgain { batch, .. } => acknowledge::release_again(self, workspace, batch, reader).await,
            Command::OnSeries { series, command, .. } => {
                series::record(self, workspace, (series, command), reader).await
            }
            Command::ConvertMany { bond_issue, notices, .. } => {
                notices::record(self, workspace, (bond_issue, notices), reader).await
            }
            Command::OnDestination { name, command, .. } => {
                destination::record(self, workspace, (name, command), reader).await
            }
            Command::AccrueEntity { request, .. } => {
                super::accrue_entity::record(self, workspace, request, reader).await
            }
            Command::ClosePeriod { period, request, .. } => {
                close::record(self, workspace, (period, request), reader).await
            }
            Command::ReopenPeriod { period, request, .. } => {
                reopen::record(self, workspace, (period, request), reader).await
            }
            Command::OnIssue { bond_issue, command, .. } => self.on_issue(bond_issue, command, workspace, reader).await,
        }
    }

    /// The same for a command for which memory is enough. None for any other, and where anything is against it: then counters may have
    /// moved, and nothing else.
    pub fn record_from_memory(&self, command: &Command, workspace: &mut Workspace) -> Option<Done> {
        match command {
            Command::Issue(document) if document.series.is_none() => self.issue(document, workspace).ok(),
            Command::OnIssue { bond_issue, command, .. } => {
                self.check_tag(bond_issue, workspace.issue(bond_issue).ok()?).ok()?;
                let drafted = decide::on_issue_from_memory(workspace, bond_issue, command).ok()??;
                self.record_draft((bond_issue, command), drafted, workspace).ok()
            }
            _ => None,
        }
    }

    /// What recording a command would answer.
    ///
    /// # Errors
    /// Why it would not be recorded.
    pub async fn preview(
        &self,
        command: &Command,
        workspace: Option<&mut Workspace>,
        reader: &mut Reader<'_>,
    ) -> Result<Recorded, RecordError> {
        let workspace = workspace.ok_or_else(|| no_entity(command.entity()))?;
        if let Some(refused) = self.reference_in_use(command, reader).await? {
            return Err(refused);
        }
        if let Some(id) = command.bond_issue() {
            self.check_tag(id, workspace.issue(id)?)?;
        }
        match command {
            Command::Issue(document) => {
                series::check_member(workspace, document, reader).await?;
                let drafted = decide::new_issue(workspace, document, None)?;
                let rate = EffectiveRateDocument::of(&drafted.books_after.instrument);
                let mut answer = issue_answer(None, document, rate, preview_of(&drafted, workspace)?);
                let hash = preview::hash(&answer)?;
                if let Some(recording) = &mut answer.recording {
                    recording.preview_sha256 = Some(hash);
                }
                Recorded::new(OK, &answer)
            }
            Command::OnIssue { bond_issue, command, .. } => {
                match decide::on_issue(workspace, bond_issue, command, reader).await? {
                    Decided::Drafted(drafted) => {
                        let mut answer = preview_of(&drafted, workspace)?;
                        answer.preview_sha256 = Some(preview::hash(&answer)?);
                        Recorded::new(OK, &answer)
                    }
                    Decided::Nothing { answer, .. } => Recorded::new(OK, &*answer),
                }
            }
            Command::AccrueEntity { request, .. } => super::accrue_entity::preview(workspace, request, reader).await,
            Command::OnSeries { series, command, .. } => series::preview(workspace, (series, command), reader).await,
            Command::ConvertMany { bond_issue, notices, .. } => {
                notices::preview(workspace, (bond_issue, notices), reader).await
            }
            Command::Acknowledge { entity, batch, request } => {
                acknowledge::preview(entity, batch, request, reader).await
            }
            Command::ReleaseAgain { batch, .. } => acknowledge::preview_release(self, workspace, batch, reader).await,
            Command::ClosePeriod { period, request, .. } => close::preview(workspace, (period, request), reader).await,
            Command::ReopenPeriod { period, request, .. } => {
                reopen::preview(workspace, (period, request), reader).await
            }
            Command::CreateEntity(_)
            | Command::ImportIssues { .. }
            | Command::MapAccounts { .. }
            | Command::StoreLayout { .. }
            | Command::OnDestination { .. } => Err(no_entity(command.entity())),
        }
    }

    pub(super) fn issue(&self, document: &BondIssueDocument, workspace: &mut Workspace) -> Result<Done, RecordError> {
        let id = new_id(&workspace.head.entity);
        let drafted = decide::new_issue(workspace, document, Some(id.clone()))?;
        let instrument = Arc::clone(&drafted.books_after.instrument);
        let rate = EffectiveRateDocument::of(&instrument);
        if self.context.preview_sha256.is_some() {
            let unnamed = decide::new_issue(workspace, document, None)?;
            let answer = issue_answer(None, document, rate.clone(), preview_of(&unnamed, workspace)?);
            preview::check(self.context.preview_sha256.as_ref(), &answer)?;
        }
        let stamp = self.stamp(workspace);
        let event_id = new_id(&workspace.head.entity);
        let kind = drafted.draft.kind;
        let (recording, mut rows) = stamped(&id, drafted, &event_id, &stamp, 0, workspace)?;
        let terms = instrument.terms();
        let rates: StoredRates = instrument.rates().into();
        rows.bond_issues.push(BondIssueRow {
            entity: workspace.head.entity.clone(),
            id: id.clone(),
            sequence: stamp.sequence,
            reference: document.reference.clone(),
            isin: document.isin.clone(),
            currency: document.currency.clone(),
            settlement_date: instrument.start().moment.date.to_string(),
            maturity_date: terms.maturity_date.to_string(),
            terms: json(document)?,
            rates: json(&rates)?,
        });
        rows.series_members.extend(series::member_row(&workspace.head.entity, document, &id));
        rows.natural_keys.push(self.natural_key(workspace, "bond_issue", &document.reference, &id));
        let answer = issue_answer(Some(id.clone()), document, rate, recording);
        let recorded = Recorded::new(CREATED, &answer)?;
        self.finish(workspace, &stamp, (kind, &id), &mut rows, &recorded)?;
        Ok(Done::new(recorded, rows))
    }

    async fn on_issue(
        &self,
        id: &str,
        command: &IssueCommand,
        workspace: &mut Workspace,
        reader: &mut Reader<'_>,
    ) -> Result<Done, RecordError> {
        let state = workspace.issue(id)?;
        self.check_tag(id, state)?;
        let drafted = match decide::on_issue(workspace, id, command, reader).await? {
            Decided::Drafted(drafted) => *drafted,
            Decided::Nothing { answer, .. } => {
                let entity = workspace.head.entity.clone();
                return self.nothing_to_do(&entity, Recorded::new(OK, &*answer)?, reader).await;
            }
        };
        self.record_draft((id, command), drafted, workspace)
    }

    /// The rows and the answer of what was decided on an issue.
    fn record_draft(
        &self,
        (id, command): (&str, &IssueCommand),
        drafted: Drafted,
        workspace: &mut Workspace,
    ) -> Result<Done, RecordError> {
        if self.context.preview_sha256.is_some() {
            preview::check(self.context.preview_sha256.as_ref(), &preview_of(&drafted, workspace)?)?;
        }
        let stamp = self.stamp(workspace);
        let event_id = new_id(&workspace.head.entity);
        let (kind, reference, freed) = (drafted.draft.kind, drafted.draft.reference.clone(), drafted.freed.clone());
        let (answer, mut rows) = stamped(id, drafted, &event_id, &stamp, 0, workspace)?;
        if let Some(reference) = &reference {
            rows.natural_keys.push(self.natural_key(workspace, command.kind(), reference, &event_id));
        }
        let recorded = Recorded::new(CREATED, &answer)?;
        self.finish(workspace, &stamp, (kind, &event_id), &mut rows, &recorded)?;
        Ok(Done { freed, ..Done::new(recorded, rows) })
    }

    /// Whether the issue is still as the caller read it, if that was made a condition.
    pub(super) fn check_tag(&self, id: &str, state: &IssueState) -> Result<(), RecordError> {
        match &self.context.if_match {
            Some(tags) if !tags.contains(&issue_tag(id, state.event_sequence)) => Err(RecordError::PreconditionFailed),
            _ => Ok(()),
        }
    }
}

/// The answer and rows of a draft that is recorded, and the books after it. Its command has `batches` batches already.
pub(super) fn stamped(
    id: &str,
    drafted: Drafted,
    event_id: &str,
    stamp: &Stamp,
    batches: i64,
    workspace: &mut Workspace,
) -> Result<(RecordingAnswer, Rows), RecordError> {
    let Drafted { draft, answer, books_after, extra, .. } = drafted;
    let mut rows = draft::rows_with(&workspace.head.entity, &draft, extra, event_id, stamp)?;
    let events = [EventKey { id: event_id.to_owned(), sequence: stamp.sequence }];
    let drafts = Drafts { drafts: std::slice::from_ref(&draft), events: &events };
    let mut journal_batches = Vec::new();
    for batch in drafts.batches_after(batches, workspace, Some(stamp))? {
        rows.extend(batch.own_rows(stamp)?);
        rows.extend(batch.entry_rows(drafts, 0..batch.len(), stamp)?);
        journal_batches.push(batch.whole(drafts));
    }
    let event = draft::event(&draft, Some(event_id), Some(stamp));
    workspace.keep(id.to_owned(), IssueState::after(&draft, books_after, stamp.sequence)?);
    Ok((RecordingAnswer { event: Some(event), journal_batches, ..answer }, rows))
}

/// The strong tag of an issue, which changes with each of its events.
pub fn issue_tag(id: &str, event_sequence: i64) -> String {
    hex(&Sha256::digest(format!("{id} {event_sequence}")))[..32].to_owned()
}

fn no_entity(entity: &str) -> RecordError {
    RecordError::NotFound(format!("the entity {entity}"))
}

pub(super) fn preview_of(drafted: &Drafted, workspace: &mut Workspace) -> Result<RecordingAnswer, RecordError> {
    let drafts = Drafts { drafts: std::slice::from_ref(&drafted.draft), events: &[] };
    let batches = drafts.batches(workspace, None)?;
    Ok(RecordingAnswer {
        event: Some(draft::event(&drafted.draft, None, None)),
        journal_batches: batches.into_iter().map(|batch| batch.whole(drafts)).collect(),
        ..drafted.answer.clone()
    })
}

fn issue_answer(
    id: Option<String>,
    document: &BondIssueDocument,
    rate: EffectiveRateDocument,
    recording: RecordingAnswer,
) -> BondIssueAnswer {
    BondIssueAnswer {
        id,
        voided_by: None,
        terms: document.clone(),
        effective_rate: rate,
        revisions: Vec::new(),
        recording: Some(recording),
    }
}
