//! Journal batches and the feed of their releases.

use std::collections::HashMap;

use serde::Serialize;
use utoipa::ToSchema;

use super::issues::one_more;
use super::{Known, Library, ReadError};
use crate::accounting::Refusal;
use crate::document::wire::Timestamp;
use crate::document::{AcknowledgementDocument, BatchDocument, OpenRelease, TotalsDocument};
use crate::posting::{RecordError, render};
use crate::store::{BatchFilter, BatchHead, EventOfBatch, Reader, ReleasedBatch, WholeBatch};

/// The batches of events by their ids, each with its number and its id.
pub type EventBatches = HashMap<String, Vec<(String, String)>>;

/// How many numbers, or events, are looked up at once.
const NUMBERS: usize = 1_000;

/// A release: an immutable revision of a batch, with accounts, names and dimensions as mapped at that moment.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReleaseDocument {
    /// Gap-free in the entity.
    pub release: i64,
    /// The batch's id.
    pub batch: String,
    pub number: String,
    pub revision: i64,
    /// `released`, `acknowledged` or `rejected`.
    pub status: String,
    /// What the ledger answered to this release.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acknowledgement: Option<AcknowledgementDocument>,
    pub released_at: String,
    pub totals: TotalsDocument,
    /// SHA-256 over the RFC 8785 canonical form of accounts, batch, content_sha256, number, release and revision.
    pub release_sha256: String,
    pub journal_batch: BatchDocument,
}

/// A batch as a list shows it.
#[derive(Clone, Debug)]
pub struct RecentBatch {
    pub id: String,
    pub number: String,
    pub currency: String,
    pub posting_date: String,
    pub effective_date: String,
    /// `ready`, `released`, `acknowledged` or `rejected`.
    pub status: String,
    pub totals: TotalsDocument,
}

impl Library {
    /// The batches of an entity that were posted last as known, the newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn recent_batches(&self, entity: &str, known: Known, limit: i64) -> Result<Vec<RecentBatch>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let heads = reader.newest_batches(entity, known.sequence, limit).await?;
        let ids: Vec<&str> = heads.iter().map(|head| head.batch.id.as_str()).collect();
        let answers = reader.acknowledgements(entity, &ids).await?;
        let recent = |head: BatchHead| {
            let answer = answers.iter().find(|answer| {
                answer.batch == head.batch.id
                    && Some(answer.revision) == head.revision
                    && answer.sequence <= known.sequence
            });
            let totals = render::totals(&head.batch)?;
            let released = if head.release.is_some() { "released" } else { "ready" };
            Ok(RecentBatch {
                status: answer.map_or(released, |answer| &answer.status).to_owned(),
                totals,
                id: head.batch.id,
                number: head.batch.number,
                currency: head.batch.currency,
                posting_date: head.batch.posting_date,
                effective_date: head.batch.effective_date,
            })
        };
        heads.into_iter().map(recent).collect()
    }

    /// The ids of the batches with these numbers, by number.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn batch_ids(&self, entity: &str, numbers: &[&str]) -> Result<HashMap<String, String>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let mut ids = HashMap::with_capacity(numbers.len());
        for numbers in numbers.chunks(NUMBERS) {
            let found = reader.numbered_batches(entity, numbers).await?;
            ids.extend(found.into_iter().map(|batch| (batch.number, batch.id)));
        }
        Ok(ids)
    }

    /// The batches that hold entries of some events.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn batches_of_events(&self, entity: &str, events: &[&str]) -> Result<EventBatches, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let mut batches = EventBatches::with_capacity(events.len());
        for events in events.chunks(NUMBERS) {
            for found in reader.batches_of_events(entity, events).await? {
                batches.entry(found.event).or_default().push((found.number, found.id));
            }
        }
        Ok(batches)
    }

    /// A batch.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn journal_batch(&self, entity: &str, id: &str) -> Result<BatchDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let whole = reader.batch(entity, id).await?;
        let whole = whole.ok_or_else(|| RecordError::NotFound(format!("the journal batch {id}")))?;
        document(&whole, &mut reader).await
    }

    /// The event behind a batch, or the one of its events that is named. It never changes, so that it may be read before a command on
    /// it is decided.
    ///
    /// # Errors
    /// [`RecordError::NotFound`]; a refusal of an event that is not the batch's, or of a batch of several where none is named.
    pub async fn event_of_batch(&self, entity: &str, id: &str, event: Option<&str>) -> Result<EventOfBatch, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let named = reader.event_of_batch(entity, id, event).await?;
        let found = match (named, event) {
            (None, Some(event)) if reader.event_of_batch(entity, id, None).await?.is_some() => {
                return Err(Refusal::invalid("event", event, "the batch holds no entry of such an event").into());
            }
            (found, _) => found.ok_or_else(|| RecordError::NotFound(format!("the journal batch {id}")))?,
        };
        if event.is_none() && found.events > 1 {
            let because = format!("{} events share this batch; name the one to reverse, by its id", found.events);
            return Err(Refusal::missing("event", because).into());
        }
        Ok(found)
    }

    /// Batches of an entity in order of posting, as known, after a sequence and ordinal; `limit` and one more, each with its
    /// place.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn journal_batches(
        &self,
        entity: &str,
        filter: BatchFilter,
        known: Known,
        after: (i64, i64),
        limit: usize,
    ) -> Result<Vec<(BatchDocument, (i64, i64))>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let heads = reader.batches(entity, filter, known.sequence, after, one_more(limit)).await?;
        let ids: Vec<&str> = heads.iter().map(|head| head.batch.id.as_str()).collect();
        let mut batches = Vec::with_capacity(ids.len());
        for whole in reader.whole_batches(entity, &ids).await? {
            let place = (whole.batch.sequence, whole.batch.ordinal);
            batches.push((document(&whole, &mut reader).await?, place));
        }
        Ok(batches)
    }

    /// The feed: releases of an entity in order, after a number; `limit` and one more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn releases(&self, entity: &str, after: i64, limit: usize) -> Result<Vec<ReleaseDocument>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        super::entity_row(&mut reader, entity).await?;
        let mut releases = Vec::new();
        for (release, mut whole) in reader.releases(entity, after, one_more(limit)).await? {
            // The batch as it was released then, not as its newest revision has it.
            whole.release = Some(release.clone());
            let journal_batch = document(&whole, &mut reader).await?;
            releases.push(ReleaseDocument {
                release: release.release,
                batch: release.batch,
                number: whole.batch.number.clone(),
                revision: release.revision,
                status: journal_batch.status.clone(),
                acknowledgement: journal_batch.acknowledgement.clone(),
                released_at: Timestamp::from_microseconds(release.released_at)
                    .map(|time| time.to_string())
                    .unwrap_or_default(),
                totals: journal_batch.totals.clone(),
                release_sha256: release.release_sha256,
                journal_batch,
            });
        }
        Ok(releases)
    }

    /// The releases of an entity that the ledger had not answered at a time, after a number; `limit` and one more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn open_releases(
        &self,
        entity: &str,
        after: i64,
        at: Timestamp,
        limit: usize,
    ) -> Result<Vec<OpenRelease>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let known = super::known(&mut reader, entity, Some(at)).await?;
        let open = reader.open_releases(entity, after, known.sequence, one_more(limit)).await?;
        open.iter().map(|open| open_release(open, at)).collect()
    }
}

fn open_release(ReleasedBatch { release, batch }: &ReleasedBatch, at: Timestamp) -> Result<OpenRelease, ReadError> {
    let released_at = Timestamp::from_microseconds(release.released_at);
    Ok(OpenRelease {
        release: release.release,
        batch: release.batch.clone(),
        number: batch.number.clone(),
        revision: release.revision,
        currency: batch.currency.clone(),
        posting_date: batch.posting_date.clone(),
        released_at: released_at.map(|time| time.to_string()).unwrap_or_default(),
        open_seconds: (at.microseconds() - release.released_at).max(0) / 1_000_000,
        totals: render::totals(batch)?,
    })
}

impl Library {
    /// A release, as the feed shows it.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn release(&self, entity: &str, release: i64) -> Result<ReleaseDocument, ReadError> {
        // The feed reads one more than it is asked for, and that one is enough.
        let found = self.releases(entity, release - 1, 0).await?.pop().filter(|found| found.release == release);
        found.ok_or_else(|| RecordError::NotFound(format!("the release {release} of {entity}")))
    }
}

pub(super) async fn document(whole: &WholeBatch, reader: &mut Reader<'_>) -> Result<BatchDocument, ReadError> {
    let issues = render::issues_of(whole, reader).await?;
    render::batch(whole, &issues)
}
