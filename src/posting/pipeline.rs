//! The loop around the writer: while one group of commands is being written, the next is decided.
//!
//! A command for which memory is enough, as it is for nearly all conversions, is decided when it comes, as if those before it were
//! committed already. If one of them turns out not to be, because another process was first or a key was taken, what was decided after it
//! is forgotten, and all of them are decided under the lock. So is every command that needs more than memory holds.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::{Mutex, mpsc, watch};
use tokio::task::{JoinError, JoinHandle};

use super::error::RecordError;
use super::group::{Group, answer, count, newest_heads};
use super::recorder::Job;
use super::writer::Writer;
use crate::store::{EntityHeadRow, Rows, Store};

/// What was decided longer ago than this when its heads are locked is decided anew: whoever asked meanwhile for what was known did not see
/// it, and its time lies before that.
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// How many commands share a commit at most.
pub(super) const LARGEST_GROUP: usize = 64;

/// The way of a command from the channel to its commit.
pub(super) struct Pipeline {
    writer: Writer,
    /// Commands that came and are not decided, in order.
    waiting: VecDeque<Job>,
    ahead: Ahead,
    writing: Option<Writing>,
}

/// Commands that are decided on what memory holds, with the heads of their entities before them.
#[derive(Default)]
struct Ahead {
    jobs: Vec<Job>,
    group: Group,
    heads: BTreeMap<String, EntityHeadRow>,
    /// When the first of them was decided.
    since: Option<Instant>,
}

/// A group that is being written; it ends with its commands if it could not be.
type Writing = JoinHandle<Result<(), Vec<Job>>>;

impl Pipeline {
    /// Records what comes, until no more can.
    pub async fn run(store: Store, committed: watch::Sender<()>, commands: mpsc::Receiver<Job>) {
        let commands = Arc::new(Mutex::new(commands));
        loop {
            let pipeline = Pipeline {
                writer: Writer::new(store.clone(), committed.clone()),
                waiting: VecDeque::new(),
                ahead: Ahead::default(),
                writing: None,
            };
            let commands = Arc::clone(&commands);
            // In a task of its own, so that a panic costs the callers of the commands that it had taken their answer and nobody
            // else theirs. What is kept in memory is dropped with it, and read again.
            match tokio::spawn(async move { pipeline.work(&mut *commands.lock().await).await }).await {
                Ok(()) => return,
                Err(error) => tracing::error!(%error, "the commands that wait were given up"),
            }
        }
    }

    async fn work(mut self, commands: &mut mpsc::Receiver<Job>) {
        loop {
            self.decide_ahead();
            if let Some(writing) = self.writing.take() {
                self.writing = self.take_more(writing, commands).await;
            } else if !self.ahead.jobs.is_empty() {
                self.writing = Some(self.write());
            } else if !self.waiting.is_empty() {
                self.decide_under_lock(commands).await;
            } else if self.receive(commands, LARGEST_GROUP).await == 0 {
                return;
            }
        }
    }

    /// Waits for commands; none when no more can come.
    async fn receive(&mut self, commands: &mut mpsc::Receiver<Job>, most: usize) -> usize {
        let mut came = Vec::new();
        let count = commands.recv_many(&mut came, most).await;
        self.waiting.extend(came);
        count
    }

    /// Takes commands that come while a group is being written, unless it is written first.
    async fn take_more(&mut self, mut writing: Writing, commands: &mut mpsc::Receiver<Job>) -> Option<Writing> {
        // What cannot be decided ahead holds up what comes after it.
        let room = if self.waiting.is_empty() { LARGEST_GROUP - self.ahead.jobs.len() } else { 0 };
        let takes = room > 0 && !commands.is_closed();
        tokio::select! {
            biased;
            written = &mut writing => {
                self.settle(written).await;
                None
            }
            _ = self.receive(commands, room), if takes => Some(writing),
        }
    }

    /// Decides on what memory holds as many of the commands that wait as can be, in order.
    fn decide_ahead(&mut self) {
        while self.ahead.jobs.len() < LARGEST_GROUP
            && let Some(job) = self.waiting.pop_front_if(|job| self.ahead.decide(job, &mut self.writer))
        {
            self.ahead.jobs.push(job);
        }
    }

    /// Begins to write what was decided ahead.
    fn write(&mut self) -> Writing {
        let Ahead { jobs, group, heads, since } = std::mem::take(&mut self.ahead);
        let (store, committed) = (self.writer.store().clone(), self.writer.committed().clone());
        self.writer.forget_some();
        tokio::spawn(async move {
            count(&jobs);
            match write(&store, &heads, since, group.rows).await {
                Ok(true) => {
                    committed.send_replace(());
                    answer(jobs, group.outcomes);
                    Ok(())
                }
                Ok(false) => Err(jobs),
                Err(error) => {
                    tracing::debug!(
                        error = &error as &dyn std::error::Error,
                        "a group was not written as it was decided"
                    );
                    Err(jobs)
                }
            }
        })
    }

    /// What follows from the end of a writing. If it failed, memory is ahead of the books.
    async fn settle(&mut self, written: Result<Result<(), Vec<Job>>, JoinError>) {
        let unwritten = match written {
            Ok(Ok(())) => return,
            Ok(Err(jobs)) => jobs,
            Err(error) => {
                tracing::error!(%error, "a group of commands was given up");
                Vec::new()
            }
        };
        self.writer.forget_all();
        let Ahead { jobs, .. } = std::mem::take(&mut self.ahead);
        for job in jobs.into_iter().rev() {
            self.waiting.push_front(job);
        }
        self.writer.process(unwritten).await;
    }

    /// Records what waits, and what else has come, under the lock.
    async fn decide_under_lock(&mut self, commands: &mut mpsc::Receiver<Job>) {
        while self.waiting.len() < LARGEST_GROUP
            && let Ok(job) = commands.try_recv()
        {
            self.waiting.push_back(job);
        }
        let count = self.waiting.len().min(LARGEST_GROUP);
        let jobs = self.waiting.drain(..count).collect();
        self.writer.process(jobs).await;
    }
}

impl Ahead {
    /// Decides a command on what the writer holds in memory, if that is enough and nothing is against it.
    fn decide(&mut self, job: &Job, writer: &mut Writer) -> bool {
        let Some(workspace) = writer.workspace(job.command.entity()) else { return false };
        let before = workspace.head.clone();
        let decided = self.group.decide_from_memory(job, workspace);
        if decided {
            self.heads.entry(before.entity.clone()).or_insert(before);
            self.since.get_or_insert_with(Instant::now);
        }
        decided
    }
}

/// Writes rows that were decided on a moment ago if the heads of their entities are still these, and says whether it did.
async fn write(
    store: &Store,
    heads: &BTreeMap<String, EntityHeadRow>,
    since: Option<Instant>,
    rows: Rows,
) -> Result<bool, RecordError> {
    let mut posting = store.begin().await?;
    let entities: Vec<&str> = heads.keys().map(String::as_str).collect();
    let locked = posting.lock_heads(&entities).await?;
    let is_late = since.is_some_and(|since| since.elapsed() > LONGEST_WAIT);
    if is_late || !locked.iter().eq(heads.values()) {
        posting.rollback().await?;
        return Ok(false);
    }
    posting.append(&newest_heads(rows)).await?;
    posting.commit().await?;
    Ok(true)
}
