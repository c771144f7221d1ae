//! One command under the lock: decided, stamped, and turned into rows and an answer.

use std::collections::HashMap;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::assemble::{self, Assembled, Draft, Stamp, new_id};
use super::command::{Command, Context, IssueCommand};
use super::decide::{self, Decided};
use super::error::RecordError;
use super::workspace::{IssueState, Workspace};
use super::writer::Recorded;
use super::{entity, preview};
use crate::document::{BondIssueAnswer, BondIssueDocument, EffectiveRateDocument, RecordingAnswer, StoredRates, hex};
use crate::store::{BondIssueRow, IdempotencyRow, NaturalKeyRow, Reader, RecordRow, Rows};

pub(super) const CREATED: u16 = 201;
pub(super) const OK: u16 = 200;

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
                    state.books.history.last().is_none_or(|row| request.effective_date.0 < row.date)
                        || state.books.booked.first().is_none_or(|row| {
                            row.posting_date > request.effective_date.0.min(state.books.accrued().date)
                        })
                }
                (_, Ok(_)) => true,
                (_, Err(_)) => false,
            },
            Command::AccrueEntity { .. } | Command::MapAccounts { .. } => true,
            Command::CreateEntity(_) | Command::Issue(_) => false,
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
    ) -> Result<(Recorded, Rows), RecordError> {
        if let Command::CreateEntity(document) = command {
            return entity::create(self, document, held);
        }
        let workspace = held.get_mut(command.entity()).ok_or_else(|| no_entity(command.entity()))?;
        match command {
            Command::CreateEntity(_) => Err(no_entity(command.entity())),
            Command::MapAccounts { bond_issue, effective_from, mapping, .. } => {
                entity::map_accounts(self, workspace, bond_issue.as_deref(), *effective_from, mapping, reader).await
            }
            Command::Issue(document) => self.issue(document, workspace),
            Command::AccrueEntity { request, .. } => {
                super::accrue_entity::record(self, workspace, request, reader).await
            }
            Command::OnIssue { bond_issue, command, .. } => self.on_issue(bond_issue, command, workspace, reader).await,
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
                let (draft, instrument) = decide::new_issue(workspace, document, None)?;
                let rate = EffectiveRateDocument::of(&instrument);
                let mut answer = issue_answer(None, document, rate, preview_of(&draft, workspace)?);
                let hash = preview::hash(&answer)?;
                if let Some(recording) = &mut answer.recording {
                    recording.preview_sha256 = Some(hash);
                }
                Recorded::new(OK, &answer)
            }
            Command::OnIssue { bond_issue, command, .. } => {
                match decide::on_issue(workspace, bond_issue, command, reader).await? {
                    Decided::Draft(draft, _) => {
                        let mut answer = preview_of(&draft, workspace)?;
                        answer.preview_sha256 = Some(preview::hash(&answer)?);
                        Recorded::new(OK, &answer)
                    }
                    Decided::Nothing { accrued_through, .. } => Recorded::new(OK, &nothing(accrued_through)),
                }
            }
            Command::AccrueEntity { request, .. } => super::accrue_entity::preview(workspace, request, reader).await,
            Command::CreateEntity(_) | Command::MapAccounts { .. } => Err(no_entity(command.entity())),
        }
    }

    fn issue(&self, document: &BondIssueDocument, workspace: &mut Workspace) -> Result<(Recorded, Rows), RecordError> {
        let id = new_id(&workspace.head.entity);
        let (draft, instrument) = decide::new_issue(workspace, document, Some(id.clone()))?;
        let rate = EffectiveRateDocument::of(&instrument);
        if self.context.preview_sha256.is_some() {
            let (unnamed, _) = decide::new_issue(workspace, document, None)?;
            let answer = issue_answer(None, document, rate.clone(), preview_of(&unnamed, workspace)?);
            preview::check(self.context.preview_sha256.as_ref(), &answer)?;
        }
        let stamp = self.stamp(workspace);
        let event_id = new_id(&workspace.head.entity);
        let (recording, mut rows) = self.stamped(&draft, &event_id, &stamp, workspace, None)?;
        let terms = instrument.terms();
        let rates: StoredRates = instrument.rates().into();
        rows.bond_issues.push(BondIssueRow {
            entity: workspace.head.entity.clone(),
            id: id.clone(),
            sequence: stamp.sequence,
            reference: document.reference.clone(),
            isin: document.isin.clone(),
            currency: document.currency.clone(),
            settlement_date: terms.settlement_date.to_string(),
            maturity_date: terms.maturity_date.to_string(),
            terms: json(document)?,
            rates: json(&rates)?,
        });
        rows.natural_keys.push(self.natural_key(workspace, "bond_issue", &document.reference, &id));
        let answer = issue_answer(Some(id.clone()), document, rate, recording);
        let newest = decide::newest_after(&draft, None, stamp.sequence)?;
        let state = IssueState {
            document: draft.document.clone(),
            books: draft.books_after.clone(),
            event_sequence: stamp.sequence,
            newest,
        };
        workspace.keep(id.clone(), state);
        let recorded = Recorded::new(CREATED, &answer)?;
        self.finish(workspace, &stamp, "issuance", &id, &mut rows, &recorded)?;
        Ok((recorded, rows))
    }

    async fn on_issue(
        &self,
        id: &str,
        command: &IssueCommand,
        workspace: &mut Workspace,
        reader: &mut Reader<'_>,
    ) -> Result<(Recorded, Rows), RecordError> {
        let state = workspace.issue(id)?;
        self.check_tag(id, state)?;
        let (draft, extra) = match decide::on_issue(workspace, id, command, reader).await? {
            Decided::Draft(draft, extra) => (draft, extra),
            Decided::Nothing { accrued_through, .. } => {
                let entity = workspace.head.entity.clone();
                return self.nothing_to_do(&entity, Recorded::new(OK, &nothing(accrued_through))?, reader).await;
            }
        };
        if self.context.preview_sha256.is_some() {
            preview::check(self.context.preview_sha256.as_ref(), &preview_of(&draft, workspace)?)?;
        }
        let stamp = self.stamp(workspace);
        let event_id = new_id(&workspace.head.entity);
        let state = workspace.issue(id)?.clone();
        let (answer, mut rows) = self.stamped(&draft, &event_id, &stamp, workspace, Some(&state))?;
        rows.extend(*extra);
        for coupon in &mut rows.coupons {
            coupon.sequence = stamp.sequence;
        }
        for key in &mut rows.natural_keys {
            key.id.clone_from(&event_id);
        }
        if let Some(reference) = &draft.reference {
            rows.natural_keys.push(self.natural_key(workspace, command.kind(), reference, &event_id));
        }
        workspace.keep(id.to_owned(), state.after(&draft, stamp.sequence));
        let recorded = Recorded::new(CREATED, &answer)?;
        self.finish(workspace, &stamp, draft.kind, &event_id, &mut rows, &recorded)?;
        Ok((recorded, rows))
    }

    /// Whether the issue is still as the caller read it, if that was made a condition.
    fn check_tag(&self, id: &str, state: &IssueState) -> Result<(), RecordError> {
        match &self.context.if_match {
            Some(tags) if !tags.contains(&issue_tag(id, state.event_sequence)) => Err(RecordError::PreconditionFailed),
            _ => Ok(()),
        }
    }

    /// The answer and rows of a draft that is recorded.
    fn stamped(
        &self,
        draft: &Draft,
        event_id: &str,
        stamp: &Stamp,
        workspace: &mut Workspace,
        state: Option<&IssueState>,
    ) -> Result<(RecordingAnswer, Rows), RecordError> {
        let entity = workspace.head.entity.clone();
        let newest = decide::newest_after(draft, state, stamp.sequence)?;
        let mut rows = assemble::event_rows(&entity, draft, event_id, stamp, newest)?;
        let assembled = assemble::batches(workspace, std::slice::from_ref(draft), &[event_id.to_owned()], Some(stamp))?;
        rows.extend(assembled.rows);
        let event = assemble::event(draft, Some(event_id), Some(stamp));
        Ok((RecordingAnswer { event: Some(event), journal_batches: assembled.batches, ..draft.answer.clone() }, rows))
    }

    /// The next sequence of an entity, and a time later than that of the record before.
    pub fn stamp(&self, workspace: &Workspace) -> Stamp {
        Stamp {
            sequence: workspace.head.sequence + 1,
            recorded_at: self.now.max(workspace.head.recorded_at + 1),
            request_id: self.context.request_id.clone(),
        }
    }

    /// The rows that every recorded command has: its record with its link of the chain, the entity's counters, and the answer
    /// under its idempotency key. Moves the head.
    pub fn finish(
        &self,
        workspace: &mut Workspace,
        stamp: &Stamp,
        kind: &str,
        subject: &str,
        rows: &mut Rows,
        recorded: &Recorded,
    ) -> Result<(), RecordError> {
        let entity = workspace.head.entity.clone();
        for (fiscal_year, number) in &workspace.numbers {
            let prefix = format!("{entity}-{fiscal_year}-");
            if rows.batches.iter().any(|batch| batch.number.starts_with(&prefix)) {
                rows.year_heads.push(crate::store::YearHeadRow {
                    entity: entity.clone(),
                    fiscal_year: *fiscal_year,
                    number: *number,
                });
            }
        }
        let mut record = RecordRow {
            entity: entity.clone(),
            sequence: stamp.sequence,
            recorded_at: stamp.recorded_at,
            kind: kind.to_owned(),
            subject: subject.to_owned(),
            request_id: self.context.request_id.clone(),
            actor: self.context.actor.clone(),
            content_sha256: crate::audit::content_hash(rows),
            hash: String::new(),
        };
        record.hash = crate::audit::link_hash(&workspace.head.hash, &record);
        workspace.head.sequence = stamp.sequence;
        workspace.head.recorded_at = stamp.recorded_at;
        workspace.head.hash.clone_from(&record.hash);
        rows.records.push(record);
        rows.entity_heads.push(workspace.head.clone());
        self.keep_answer(&entity, stamp.recorded_at, recorded, rows);
        Ok(())
    }

    /// The answer of a command that had nothing to do: as it was answered before under its key, else kept under it.
    ///
    /// # Errors
    /// [`RecordError::KeyReused`] when the key was given to another request.
    pub async fn nothing_to_do(
        &self,
        entity: &str,
        recorded: Recorded,
        reader: &mut Reader<'_>,
    ) -> Result<(Recorded, Rows), RecordError> {
        if let Some(recorded) = self.replay(entity, reader).await? {
            return Ok((recorded, Rows::default()));
        }
        let mut rows = Rows::default();
        self.keep_answer(entity, self.now, &recorded, &mut rows);
        Ok((recorded, rows))
    }

    fn keep_answer(&self, entity: &str, recorded_at: i64, recorded: &Recorded, rows: &mut Rows) {
        if let Some(key) = &self.context.idempotency {
            rows.idempotency.push(IdempotencyRow {
                entity: entity.to_owned(),
                key: key.key.clone(),
                fingerprint: key.fingerprint.clone(),
                status: i64::from(recorded.status),
                answer: recorded.answer.clone(),
                recorded_at,
            });
        }
    }

    pub fn natural_key(&self, workspace: &Workspace, kind: &str, reference: &str, id: &str) -> NaturalKeyRow {
        NaturalKeyRow {
            entity: workspace.head.entity.clone(),
            kind: kind.to_owned(),
            reference: reference.to_owned(),
            id: id.to_owned(),
        }
    }

    /// The answer that was given under this request's idempotency key.
    ///
    /// # Errors
    /// [`RecordError::KeyReused`] when it was given to another request.
    pub async fn replay(&self, entity: &str, reader: &mut Reader<'_>) -> Result<Option<Recorded>, RecordError> {
        let Some(key) = &self.context.idempotency else { return Ok(None) };
        match reader.idempotency(entity, &key.key).await? {
            Some(row) if row.fingerprint != key.fingerprint => Err(RecordError::KeyReused),
            Some(row) => Ok(Some(Recorded {
                status: u16::try_from(row.status).unwrap_or(CREATED),
                answer: row.answer,
                replayed: true,
            })),
            None => Ok(None),
        }
    }

    /// The refusal of a reference that names something else already; `None` if it does not.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn reference_in_use(
        &self,
        command: &Command,
        reader: &mut Reader<'_>,
    ) -> Result<Option<RecordError>, RecordError> {
        let Some((kind, reference)) = command.natural_key() else { return Ok(None) };
        let id = reader.natural_key(command.entity(), kind, reference).await?;
        Ok(id.map(|id| RecordError::ReferenceInUse { kind, reference: reference.to_owned(), id }))
    }
}

impl Recorded {
    pub(super) fn new(status: u16, answer: &impl Serialize) -> Result<Recorded, RecordError> {
        Ok(Recorded { status, answer: json(answer)?, replayed: false })
    }
}

/// The strong tag of an issue, which changes with each of its events.
pub fn issue_tag(id: &str, event_sequence: i64) -> String {
    hex(&Sha256::digest(format!("{id} {event_sequence}")))[..32].to_owned()
}

fn no_entity(entity: &str) -> RecordError {
    RecordError::NotFound(format!("the entity {entity}"))
}

fn nothing(accrued_through: jiff::civil::Date) -> RecordingAnswer {
    RecordingAnswer { accrued_through: Some(accrued_through.to_string()), ..RecordingAnswer::default() }
}

fn preview_of(draft: &Draft, workspace: &mut Workspace) -> Result<RecordingAnswer, RecordError> {
    let Assembled { batches, .. } = assemble::batches(workspace, std::slice::from_ref(draft), &[], None)?;
    Ok(RecordingAnswer {
        event: Some(assemble::event(draft, None, None)),
        journal_batches: batches,
        ..draft.answer.clone()
    })
}

fn issue_answer(
    id: Option<String>,
    document: &BondIssueDocument,
    rate: EffectiveRateDocument,
    recording: RecordingAnswer,
) -> BondIssueAnswer {
    BondIssueAnswer { id, terms: document.clone(), effective_rate: rate, recording: Some(recording) }
}

pub(super) fn json(value: &impl Serialize) -> Result<String, RecordError> {
    serde_json::to_string(value).map_err(|error| RecordError::corrupt("answer", error))
}
