//! The way to the writer: commands go in, answers come out, and nobody else writes.

use std::time::{SystemTime, UNIX_EPOCH};

use tokio::sync::{mpsc, oneshot, watch};

use super::command::{Command, Context};
use super::error::RecordError;
use super::pipeline::{LARGEST_GROUP, Pipeline};
use super::session::Session;
use super::workspace::Workspace;

use crate::store::Store;

/// What a command was answered with: what was committed, or what was committed before under the same key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recorded {
    pub status: u16,
    /// JSON.
    pub answer: String,
    /// Whether this is the answer of an earlier request with the same idempotency key.
    pub replayed: bool,
}

/// The way to the writer. Clones share it.
#[derive(Clone, Debug)]
pub struct Recorder {
    store: Store,
    jobs: mpsc::Sender<Job>,
    commits: watch::Receiver<()>,
}

pub(super) struct Job {
    pub command: Command,
    pub context: Context,
    pub answer: oneshot::Sender<Result<Recorded, RecordError>>,
}

impl Recorder {
    /// Starts the writer on the current runtime. It ends when the last clone is gone and everything that waited is answered.
    pub fn start(store: Store) -> Recorder {
        let (jobs, waiting) = mpsc::channel(4 * LARGEST_GROUP);
        let (committed, commits) = watch::channel(());
        tokio::spawn(Pipeline::run(store.clone(), committed, waiting));
        Recorder { store, jobs, commits }
    }

    /// Records a command. A caller that stops waiting neither cancels it nor holds anything up.
    ///
    /// # Errors
    /// Why it was not recorded; then nothing of it was.
    pub async fn record(&self, command: Command, context: Context) -> Result<Recorded, RecordError> {
        let (answer, answered) = oneshot::channel();
        self.jobs.send(Job { command, context, answer }).await.map_err(|_| RecordError::Busy(None))?;
        answered.await.unwrap_or(Err(RecordError::Busy(None)))
    }

    /// What recording a command would answer; nothing is written.
    ///
    /// # Errors
    /// Why it would not be recorded.
    pub async fn preview(&self, command: Command, context: Context) -> Result<Recorded, RecordError> {
        let mut reading = self.store.reading().await?;
        let mut reader = reading.reader();
        let mut workspace = match reader.entity_head(command.entity()).await? {
            Some(head) => Workspace::load(head, &mut reader).await?,
            None => None,
        };
        let ids: Vec<&str> = command.bond_issue().into_iter().collect();
        if let Some(workspace) = &mut workspace {
            workspace.fetch(&ids, &mut reader).await?;
        }
        let session = Session { context: &context, now: now() };
        session.preview(&command, workspace.as_mut(), &mut reader).await
    }

    /// What a command was answered with before under its idempotency key.
    ///
    /// # Errors
    /// [`RecordError::KeyReused`].
    pub async fn replayed(&self, entity: &str, context: &Context) -> Result<Option<Recorded>, RecordError> {
        let mut reading = self.store.reading().await?;
        Session { context, now: now() }.replay(entity, &mut reading.reader()).await
    }

    /// Changes with every commit of this process.
    pub fn commits(&self) -> watch::Receiver<()> {
        self.commits.clone()
    }

    /// The store that it writes to.
    pub fn store(&self) -> &Store {
        &self.store
    }
}

/// Microseconds since 1970 by the machine's clock.
pub(super) fn now() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}
