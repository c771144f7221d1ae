//! Destinations of releases and the attempts to deliver to them.

use super::issues::one_more;
use super::{Library, ReadError};
use crate::document::{AttemptDocument, DestinationDocument, DestinationState};
use crate::posting::RecordError;
use crate::posting::destination::{Destination, time};
use crate::store::AttemptRow;

impl Library {
    /// A destination.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn destination(&self, entity: &str, name: &str) -> Result<DestinationDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let found = Destination::read(entity, name, &mut reader).await?;
        let found = found.ok_or_else(|| RecordError::NotFound(format!("the destination {name}")))?;
        let newest = reader.entity_head(entity).await?.map_or(0, |head| head.release);
        Ok(found.document(newest))
    }

    /// Destinations of an entity in order of their names, after one, those in a state if one is given; `limit` and one more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] without such an entity.
    pub async fn destinations(
        &self,
        entity: &str,
        state: Option<DestinationState>,
        after: &str,
        limit: usize,
    ) -> Result<Vec<DestinationDocument>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let head = reader.entity_head(entity).await?;
        let head = head.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
        let (mut found, mut after) = (Vec::new(), after.to_owned());
        // The state depends on commands that were not followed yet, which the database does not know of: it is looked at here.
        loop {
            let page = reader.deliveries(entity, &after, one_more(limit)).await?;
            let Some(last) = page.last() else { return Ok(found) };
            after.clone_from(&last.destination);
            for delivery in page {
                let destination = Destination::follow(delivery, &mut reader).await?.document(head.release);
                if state.is_none_or(|state| state == destination.state) {
                    found.push(destination);
                }
                if found.len() > limit {
                    return Ok(found);
                }
            }
        }
    }

    /// Attempts to deliver to a destination, the newest first, before one; `limit` and one more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] without such a destination.
    pub async fn attempts(
        &self,
        entity: &str,
        name: &str,
        before: i64,
        limit: usize,
    ) -> Result<Vec<AttemptDocument>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let found = reader.delivery(entity, name).await?;
        found.ok_or_else(|| RecordError::NotFound(format!("the destination {name}")))?;
        let rows = reader.attempts(entity, name, before, one_more(limit)).await?;
        Ok(rows.into_iter().map(attempt).collect())
    }
}

fn attempt(row: AttemptRow) -> AttemptDocument {
    AttemptDocument {
        attempt: row.attempt,
        release: row.release,
        started_at: time(row.started_at).unwrap_or_default(),
        duration_ms: row.duration / 1000,
        outcome: row.outcome,
        status: Some(row.status).filter(|status| *status > 0),
        detail: row.detail,
        next_attempt_at: time(row.next_attempt_at),
    }
}
