//! Reads that wait together are one statement.
//!
//! What a small read costs is its statement: the way to the database, the plan and the way back, on both sides. So whoever asks
//! what is the newest of an issue puts the question in a queue, and all that wait when a statement has ended are asked together. Nothing waits for others to come: a question that finds nothing under way is asked alone, at once.
//!
//! A statement begins after all that it answers were asked, so each answer shows what was committed before its question.

use std::sync::Arc;

use tokio::sync::{Mutex, mpsc, oneshot};

use super::ReadError;
use crate::posting::RecordError;
use crate::store::{Asked, Head, Store, StoreError};

/// How many questions share a statement at most.
const LARGEST_GROUP: usize = 64;

/// How many statements are under way at most: with one the processor waits for it, and with many each answers few. (On two cores and
/// SQLite, 32 clients: one 12,300 answers a second, two 15,400, eight 13,600.)
const AT_ONCE: usize = 2;

/// The way to ask. Clones share it.
#[derive(Clone, Debug)]
pub(super) struct Together(mpsc::Sender<Waiting>);

/// A question and where its answer goes.
#[derive(Debug)]
struct Waiting {
    asked: Asked,
    answer: oneshot::Sender<Result<Option<Head>, StoreError>>,
}

impl Together {
    /// Starts asking on the current runtime. It ends when the last clone is gone and everything that waited is answered.
    pub fn start(store: Store) -> Together {
        let (questions, waiting) = mpsc::channel(4 * LARGEST_GROUP);
        let waiting = Arc::new(Mutex::new(waiting));
        for _ in 0..AT_ONCE {
            tokio::spawn(ask(store.clone(), Arc::clone(&waiting)));
        }
        Together(questions)
    }

    /// What was known at a time, and what is the newest of an issue; none when the issue is not there or its entity was not known.
    pub async fn head(&self, asked: Asked) -> Result<Option<Head>, ReadError> {
        let (answer, answered) = oneshot::channel();
        self.0.send(Waiting { asked, answer }).await.map_err(|_| RecordError::Busy(None))?;
        Ok(answered.await.map_err(|_| RecordError::Busy(None))??)
    }
}

/// One of the statements under way: while all of them run the next group grows.
async fn ask(store: Store, waiting: Arc<Mutex<mpsc::Receiver<Waiting>>>) {
    let mut group = Vec::with_capacity(LARGEST_GROUP);
    while waiting.lock().await.recv_many(&mut group, LARGEST_GROUP).await > 0 {
        // In a task of its own, so that a panic costs the callers of one group their answer and nobody else theirs.
        let answered = tokio::spawn(answer(store.clone(), std::mem::take(&mut group)));
        if let Err(error) = answered.await {
            tracing::error!(%error, "a group of reads was given up");
        }
    }
}

async fn answer(store: Store, group: Vec<Waiting>) {
    metrics::histogram!("parwright_reading_group_size").record(u32::try_from(group.len()).unwrap_or(u32::MAX));
    let (asked, answers): (Vec<_>, Vec<_>) = group.into_iter().map(|waiting| (waiting.asked, waiting.answer)).unzip();
    // A caller that went away does not need its answer.
    match heads(&store, &asked).await {
        Ok(found) => answers.into_iter().zip(found).for_each(|(answer, found)| drop(answer.send(Ok(found)))),
        Err(error) => answers.into_iter().for_each(|answer| drop(answer.send(Err(error.clone())))),
    }
}

async fn heads(store: &Store, asked: &[Asked]) -> Result<Vec<Option<Head>>, StoreError> {
    store.reading().await?.reader().heads(asked).await
}
