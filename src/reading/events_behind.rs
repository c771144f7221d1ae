//! The events behind booked rows of which something is taken back later, as they were asked for. An event never changes.

use std::sync::Arc;

use quick_cache::sync::Cache;

use super::ReadError;
use crate::store::{Store, WrittenBy};

/// How many events are kept. (One is about 150 bytes.)
const MOST: usize = 20_000;

/// Events by issue and sequence.
#[derive(Clone, Debug)]
pub(super) struct EventsBehind(Arc<Cache<(String, i64), Arc<WrittenBy>>>);

impl Default for EventsBehind {
    fn default() -> EventsBehind {
        EventsBehind(Arc::new(Cache::new(MOST)))
    }
}

impl EventsBehind {
    /// The event that a command wrote for an issue.
    pub async fn event(
        &self,
        (entity, bond_issue): (&str, &str),
        sequence: i64,
        store: &Store,
    ) -> Result<Option<Arc<WrittenBy>>, ReadError> {
        let key = (bond_issue.to_owned(), sequence);
        if let Some(event) = self.0.get(&key) {
            return Ok(Some(event));
        }
        let found = store.reading().await?.reader().event_by_sequence(entity, bond_issue, sequence).await?;
        let found = found.map(|event| Arc::new(WrittenBy { event: event.id, effective_date: event.effective_date }));
        if let Some(event) = &found {
            self.0.insert(key, Arc::clone(event));
        }
        Ok(found)
    }
}
