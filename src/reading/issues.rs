//! Bond issues, their schedules and events; entities.

use serde::Serialize;
use utoipa::ToSchema;

use super::{Known, Library, ReadError, known};
use crate::accounting::money::Amount;
use crate::document::wire::Timestamp;
use crate::document::{
    BondIssueAnswer, BondIssueDocument, EffectiveRateDocument, EntityDocument, RevisionDocument, money,
};
use crate::posting::{self, RecordError, issue_tag};
use crate::store::{BondIssueRow, EntityRow, IssueFilter, ListedIssue, RecordedRevision};

/// An issue's schedule.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ScheduleDocument {
    pub bond_issue: String,
    pub reference: String,
    pub currency: String,
    /// The principal that the rows are of.
    pub principal: String,
    pub effective_rate: EffectiveRateDocument,
    pub rows: Vec<ScheduleRowDocument>,
}

/// One coupon period (of a zero-coupon issue: compounding period).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ScheduleRowDocument {
    pub period: usize,
    pub start: String,
    pub end: String,
    pub coupon: String,
    pub interest_expense: String,
    pub amortization: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
}

/// A recorded event with everything that its answer told but the batches.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct EventRecord {
    pub id: String,
    pub kind: String,
    pub sequence: i64,
    pub effective_date: String,
    pub bond_issue: String,
    pub reference: Option<String>,
    /// The id of the event that took it back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reversed_by: Option<String>,
    /// The request and the answer's positions and blocks.
    #[schema(value_type = Object)]
    pub detail: serde_json::Value,
    pub journal_batches: Vec<String>,
}

impl Library {
    /// An entity.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn entity(&self, code: &str) -> Result<EntityDocument, ReadError> {
        let row = self.reading().await?.reader().entity(code).await?;
        row.map(entity_document).unwrap_or_else(|| Err(RecordError::NotFound(format!("the entity {code}"))))
    }

    /// Entities in order of code after one, `limit` and one more.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn entities(&self, after: &str, limit: usize) -> Result<Vec<EntityDocument>, ReadError> {
        let rows = self.reading().await?.reader().entities(after, one_more(limit)).await?;
        rows.into_iter().map(entity_document).collect()
    }

    /// An issue with its tag.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn bond_issue(&self, entity: &str, id: &str) -> Result<(BondIssueAnswer, String), ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let states = reader.issue_states(entity, &[id]).await?;
        let state = states.into_iter().next().ok_or_else(|| not_found(id))?;
        let voided_by = reader.reversed(entity, id, i64::MAX).await?.remove(&state.issue.sequence);
        let revisions = reader.revisions(entity, &[id]).await?;
        Ok((issue_answer(&state.issue, &revisions, voided_by)?, issue_tag(id, state.head.event_sequence)))
    }

    /// Issues in order of entity and record, as known at a time, after one; `limit` and one more.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn bond_issues(
        &self,
        filter: IssueFilter<'_>,
        known_at: Timestamp,
        after: (&str, i64),
        limit: usize,
    ) -> Result<Vec<(BondIssueAnswer, i64)>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let rows = reader.bond_issues(filter, known_at.microseconds(), after, one_more(limit)).await?;
        let mut revisions = Vec::new();
        for of_entity in rows.chunk_by(|one, next| one.issue.entity == next.issue.entity) {
            let Some(first) = of_entity.first() else { continue };
            let ids: Vec<&str> = of_entity.iter().map(|row| row.issue.id.as_str()).collect();
            revisions.extend(reader.revisions(&first.issue.entity, &ids).await?);
        }
        let answer = |row: ListedIssue| Ok((issue_answer(&row.issue, &revisions, row.voided_by)?, row.issue.sequence));
        rows.into_iter().map(answer).collect()
    }

    /// An issue's schedule of its original principal, or of what is outstanding now.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn schedule(&self, entity: &str, id: &str, outstanding: bool) -> Result<ScheduleDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let states = reader.issue_states(entity, &[id]).await?;
        let state = states.into_iter().next().ok_or_else(|| not_found(id))?;
        let revisions = reader.revisions(entity, &[id]).await?;
        let (document, instrument) = posting::instrument(&state.issue, &revisions)?;
        let currency = instrument.terms().currency;
        let principal =
            if outstanding { Amount::from_minor(state.position.principal) } else { instrument.terms().principal };
        let rows = instrument.schedule(principal)?.into_iter().map(|row| ScheduleRowDocument {
            period: row.period,
            start: row.start.to_string(),
            end: row.end.to_string(),
            coupon: money(row.coupon, currency),
            interest_expense: money(row.interest_expense, currency),
            amortization: money(row.amortization, currency),
            premium_discount: money(row.premium_discount, currency),
            issue_costs: money(row.issue_costs, currency),
            carrying_amount: money(row.carrying_amount, currency),
        });
        Ok(ScheduleDocument {
            bond_issue: id.to_owned(),
            reference: document.reference,
            currency: currency.code().to_owned(),
            principal: money(principal, currency),
            effective_rate: EffectiveRateDocument::of(&instrument),
            rows: rows.collect(),
        })
    }

    /// Events of an issue in order of record, after one; `limit` and one more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn events(
        &self,
        entity: &str,
        id: &str,
        at: Option<Timestamp>,
        after: i64,
        limit: usize,
    ) -> Result<(Known, Vec<EventRecord>), ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let known = known(&mut reader, entity, at).await?;
        reader.bond_issue(entity, id).await?.ok_or_else(|| not_found(id))?;
        let mut events = Vec::new();
        let mut reversed = reader.reversed(entity, id, known.sequence).await?;
        for event in reader.events(entity, id, known.sequence, after, one_more(limit)).await? {
            let journal_batches = reader.batches_of_event(entity, &event.id).await?;
            events.push(EventRecord {
                detail: serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?,
                id: event.id,
                kind: event.kind,
                reversed_by: reversed.remove(&event.sequence),
                sequence: event.sequence,
                effective_date: event.effective_date,
                bond_issue: event.bond_issue,
                reference: event.reference,
                journal_batches,
            });
        }
        Ok((known, events))
    }
}

pub(super) fn one_more(limit: usize) -> i64 {
    i64::try_from(limit).map_or(i64::MAX, |limit| limit.saturating_add(1))
}

fn not_found(id: &str) -> RecordError {
    RecordError::NotFound(format!("the bond issue {id}"))
}

fn issue_answer(
    row: &BondIssueRow,
    revisions: &[RecordedRevision],
    voided_by: Option<String>,
) -> Result<BondIssueAnswer, ReadError> {
    let (terms, instrument): (BondIssueDocument, _) = posting::instrument(row, revisions)?;
    Ok(BondIssueAnswer {
        id: Some(row.id.clone()),
        voided_by,
        effective_rate: EffectiveRateDocument::of(&instrument),
        revisions: RevisionDocument::all(&instrument),
        terms,
        recording: None,
    })
}

fn entity_document(row: EntityRow) -> Result<EntityDocument, ReadError> {
    Ok(EntityDocument {
        framework: serde_json::from_value(row.framework.into())
            .map_err(|error| RecordError::corrupt("entity", error))?,
        code: row.entity,
        name: row.name,
        functional_currency: row.functional_currency,
        fiscal_year_end: row.fiscal_year_end,
        fiscal_calendar: posting::weeks(row.fiscal_calendar.as_deref())?,
        lei: row.lei,
        max_lines_per_batch: u32::try_from(row.max_lines_per_batch).ok().filter(|most| *most > 0),
    })
}
