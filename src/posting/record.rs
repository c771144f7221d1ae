//! What every recorded command has: its stamp, its record in the chain, the counters it moved, and its answer under its key.

use serde::Serialize;

use super::command::Command;
use super::draft::Stamp;
use super::error::RecordError;
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use crate::audit::ContentHash;
use crate::store::{IdempotencyRow, NaturalKeyRow, Reader, RecordRow, Rows};

pub(super) const CREATED: u16 = 201;
pub(super) const OK: u16 = 200;

/// What a command came to: its answer and the rows to write.
pub(super) struct Done {
    pub recorded: Recorded,
    pub rows: Rows,
    /// Rows to write after those, a page at a time.
    pub pages: Option<Pages>,
    /// References that it frees, by kind.
    pub freed: Vec<(&'static str, String)>,
}

/// Rows of one command that are too many to stand in memory together.
pub(super) type Pages = Box<dyn Iterator<Item = Result<Rows, RecordError>> + Send>;

impl Done {
    pub fn new(recorded: Recorded, rows: Rows) -> Done {
        Done { recorded, rows, pages: None, freed: Vec::new() }
    }
}

impl Session<'_> {
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
        what: (&str, &str),
        rows: &mut Rows,
        recorded: &Recorded,
    ) -> Result<(), RecordError> {
        let mut content = ContentHash::default();
        content.add(rows);
        self.finish_with(workspace, stamp, what, content, rows, recorded)
    }

    /// The same for a command that writes more than `rows`: `content` is the hash over all of it.
    pub fn finish_with(
        &self,
        workspace: &mut Workspace,
        stamp: &Stamp,
        (kind, subject): (&str, &str),
        content: ContentHash,
        rows: &mut Rows,
        recorded: &Recorded,
    ) -> Result<(), RecordError> {
        self.link(workspace, stamp, (kind, subject), content, rows);
        self.keep_counters(workspace, rows);
        let entity = workspace.head.entity.clone();
        self.keep_answer(&entity, stamp.recorded_at, recorded, rows);
        Ok(())
    }

    /// The rows of an entity's counters as they are now.
    pub fn keep_counters(&self, workspace: &Workspace, rows: &mut Rows) {
        let entity = &workspace.head.entity;
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
        rows.entity_heads.push(workspace.head.clone());
    }

    /// A record with its link of the chain: `content` is the hash over what it recorded. Moves the head.
    pub fn link(
        &self,
        workspace: &mut Workspace,
        stamp: &Stamp,
        (kind, subject): (&str, &str),
        content: ContentHash,
        rows: &mut Rows,
    ) {
        let mut record = RecordRow {
            entity: workspace.head.entity.clone(),
            sequence: stamp.sequence,
            recorded_at: stamp.recorded_at,
            kind: kind.to_owned(),
            subject: subject.to_owned(),
            request_id: self.context.request_id.clone(),
            actor: self.context.actor.clone(),
            content_sha256: content.finish(),
            hash: String::new(),
        };
        record.hash = crate::audit::link_hash(&workspace.head.hash, &record);
        workspace.head.sequence = stamp.sequence;
        workspace.head.recorded_at = stamp.recorded_at;
        workspace.head.hash.clone_from(&record.hash);
        rows.records.push(record);
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
    ) -> Result<Done, RecordError> {
        let mut rows = Rows::default();
        if let Some(recorded) = self.replay(entity, reader).await? {
            return Ok(Done::new(recorded, rows));
        }
        self.keep_answer(entity, self.now, &recorded, &mut rows);
        Ok(Done::new(recorded, rows))
    }

    pub fn keep_answer(&self, entity: &str, recorded_at: i64, recorded: &Recorded, rows: &mut Rows) {
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

pub(super) fn json(value: &impl Serialize) -> Result<String, RecordError> {
    serde_json::to_string(value).map_err(|error| RecordError::corrupt("answer", error))
}
