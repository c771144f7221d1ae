//! What an attempt changes in the store. Each step is a transaction of its own, made under the lease; between them, while something
//! is sent, none is open.

use std::time::Duration;

use super::sender::{Attempted, Outcome};
use super::{Push, schedule};
use crate::document::DestinationState;
use crate::posting::destination::{ACTIVE, GONE, PARKED};
use crate::posting::{Destination, RecordError};
use crate::store::{AttemptRow, DeliveryRow, Posting, Rows, Store, Taken};

/// An attempt that may be made now: the lease is held, and the store knows which release is tried.
#[derive(Clone, Debug)]
pub struct Begun {
    delivery: DeliveryRow,
    pub url: String,
}

impl Begun {
    /// The release to send.
    pub fn release(&self) -> i64 {
        self.delivery.trying
    }
}

/// The steps of deliveries.
#[derive(Clone, Debug)]
pub struct Progress {
    pub store: Store,
    pub push: Push,
}

impl Progress {
    /// Takes the lease of a destination, or keeps it by its fence, follows the commands that came, and begins the next attempt. None
    /// if there is nothing to deliver, or somebody else has the lease; then it is not held any more.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn begin(
        &self,
        (entity, destination): (&str, &str),
        fence: Option<i64>,
    ) -> Result<Option<Begun>, RecordError> {
        let mut posting = self.store.begin().await?;
        let length = microseconds(self.push.lease());
        let taken = match fence {
            None => posting.take_delivery(entity, destination, length).await?,
            Some(fence) => posting.hold_delivery(entity, destination, fence, length).await?,
        };
        let Some(Taken { delivery, now }) = taken else {
            posting.rollback().await?;
            return Ok(None);
        };
        let interrupted = interrupted(&delivery, now);
        let newest = posting.reader()?.entity_head(entity).await?.map_or(0, |head| head.release);
        let mut followed = Destination::follow(delivery, &mut posting.reader()?).await?;
        let is_active = followed.state() == DestinationState::Active;
        let delivery = &mut followed.delivery;
        let due = is_active && delivery.delivered < newest && delivery.due_at <= now;
        if due {
            delivery.attempt += 1;
            (delivery.trying, delivery.tried_at) = (delivery.delivered + 1, now);
        } else {
            (delivery.trying, delivery.tried_at, delivery.lease_until) = (0, 0, 0);
        }
        finish(posting, delivery, interrupted).await?;
        Ok(due.then_some(Begun { delivery: followed.delivery, url: followed.command.url }))
    }

    /// Records what came of an attempt, and moves on if the release was delivered. Returns the fence if the lease is still held;
    /// none if there is nothing more to do now, or the lease was lost meanwhile: then nothing is recorded.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn end(
        &self,
        begun: Begun,
        attempted: &Attempted,
        duration: Duration,
        random: u64,
    ) -> Result<Option<i64>, RecordError> {
        let mut posting = self.store.begin().await?;
        let Begun { delivery: before, .. } = begun;
        let length = microseconds(self.push.lease());
        let held = posting.hold_delivery(&before.entity, &before.destination, before.fence, length).await?;
        let Some(Taken { mut delivery, now }) = held else {
            posting.rollback().await?;
            return Ok(None);
        };
        self.judge(&mut delivery, attempted, now, random);
        let goes_on = attempted.outcome == Outcome::Delivered;
        if !goes_on {
            delivery.lease_until = 0;
        }
        let row = AttemptRow {
            entity: before.entity,
            destination: before.destination,
            attempt: before.attempt,
            release: before.trying,
            started_at: before.tried_at,
            duration: microseconds(duration),
            outcome: attempted.outcome.as_str().to_owned(),
            status: attempted.status.map_or(0, i64::from),
            detail: attempted.detail.clone(),
            next_attempt_at: delivery.due_at,
        };
        finish(posting, &delivery, Some(row)).await?;
        if delivery.state != ACTIVE {
            let DeliveryRow { entity, destination, reason, .. } = &delivery;
            tracing::error!(
                entity,
                destination,
                reason,
                "nothing more is delivered until somebody resumes the destination"
            );
        }
        Ok(goes_on.then_some(before.fence))
    }

    /// Lets the lease go.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn release(&self, (entity, destination): (&str, &str), fence: i64) -> Result<(), RecordError> {
        let mut posting = self.store.begin().await?;
        posting.hold_delivery(entity, destination, fence, 0).await?;
        Ok(posting.commit().await?)
    }

    /// What an attempt means for the deliveries.
    fn judge(&self, delivery: &mut DeliveryRow, attempted: &Attempted, now: i64, random: u64) {
        let (release, attempts) = (delivery.trying, i64::from(self.push.attempts));
        (delivery.trying, delivery.tried_at, delivery.due_at) = (0, 0, 0);
        if attempted.outcome == Outcome::Delivered {
            (delivery.delivered, delivery.failures) = (release, 0);
            return;
        }
        delivery.failures += 1;
        let why = attempted.detail.as_deref().unwrap_or_default();
        let (state, reason) = if attempted.outcome == Outcome::Gone {
            (GONE, Some(format!("release {release}: the receiver answered 410 and wants no more")))
        } else if delivery.failures >= attempts {
            (PARKED, Some(format!("release {release} was not delivered in {attempts} attempts; the last: {why}")))
        } else {
            let failures = u32::try_from(delivery.failures).unwrap_or(u32::MAX);
            let backoff = schedule::backoff(failures, self.push.backoff, self.push.longest_wait, random);
            let asked = attempted.retry_after.unwrap_or_default().min(self.push.longest_wait);
            delivery.due_at = now.saturating_add(microseconds(backoff.max(asked)));
            (ACTIVE, None)
        };
        (delivery.state, delivery.reason) = (state.to_owned(), reason);
    }
}

/// The attempt that whoever held the lease before did not end.
fn interrupted(delivery: &DeliveryRow, now: i64) -> Option<AttemptRow> {
    (delivery.trying > 0).then(|| AttemptRow {
        entity: delivery.entity.clone(),
        destination: delivery.destination.clone(),
        attempt: delivery.attempt,
        release: delivery.trying,
        started_at: delivery.tried_at,
        duration: now.saturating_sub(delivery.tried_at).max(0),
        outcome: Outcome::Interrupted.as_str().to_owned(),
        status: 0,
        detail: Some("the service ended before the attempt did; the receiver may have got the release".to_owned()),
        next_attempt_at: 0,
    })
}

async fn finish(mut posting: Posting, delivery: &DeliveryRow, attempt: Option<AttemptRow>) -> Result<(), RecordError> {
    posting.put_delivery(delivery).await?;
    let rows = Rows { attempts: attempt.into_iter().collect(), ..Rows::default() };
    posting.append(rows).await?;
    Ok(posting.commit().await?)
}

fn microseconds(duration: Duration) -> i64 {
    i64::try_from(duration.as_micros()).unwrap_or(i64::MAX)
}
