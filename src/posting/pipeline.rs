//! The loop around the writer: while one group of commands is being written, the next is decided.
//!
//! A command for which memory is enough, as it is for nearly all conversions, is decided when it comes, as if those before it were
//! committed already. If one of them turns out not to be, because another process was first or a key was taken, what was decided after it
//! is forgotten, and all of them are decided under the lock. So is every command that needs more than memory holds.

use std::collections::{BTreeMap, VecDeque};
use std::pin::Pin;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::sync::{Mutex, mpsc, watch};

use super::error::RecordError;
use super::group::{Group, answer, count};
use super::recorder::{Job, Recorded};
use super::writer::Writer;
use crate::store::{EntityHeadRow, Lot, Store};

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
    written: Option<Written>,
}

/// Commands that are decided on what memory holds, with the heads of their entities before them.
struct Ahead {
    jobs: Vec<Job>,
    group: Group,
    lot: Lot,
    heads: BTreeMap<String, EntityHeadRow>,
    /// When the first of them was decided.
    since: Option<Instant>,
}

/// A group that is being written; it ends with its commands if it could not be.
type Writing = Pin<Box<dyn Future<Output = Result<Written, Vec<Job>>> + Send>>;

/// A group that is committed, and whose callers wait for their answers.
struct Written {
    jobs: Vec<Job>,
    outcomes: Vec<Result<Recorded, RecordError>>,
}

impl Pipeline {
    /// Records what comes, until no more can.
    pub async fn run(store: Store, committed: watch::Sender<()>, commands: mpsc::Receiver<Job>) {
        let commands = Arc::new(Mutex::new(commands));
        loop {
            let pipeline = Pipeline {
                writer: Writer::new(store.clone(), committed.clone()),
                waiting: VecDeque::new(),
                ahead: Ahead::new(&store),
                writing: None,
                written: None,
            };
            let commands = Arc::clone(&commands);
            // On a thread of its own, so that the database does not wait for this while the runtime's threads answer requests; and
            // so that a panic costs the callers of the commands that it had taken their answer and nobody else theirs. What is
            // kept in memory is dropped with it, and read again.
            let runtime = Handle::current();
            let work = async move { pipeline.work(&mut *commands.lock().await).await };
            match tokio::task::spawn_blocking(move || runtime.block_on(work)).await {
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
            } else if let Some(written) = self.written.take() {
                written.answer();
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
        let takes = self.waiting.is_empty() && self.ahead.jobs.len() < LARGEST_GROUP && !commands.is_closed();
        tokio::select! {
            biased;
            written = &mut writing => {
                self.settle(written).await;
                None
            }
            // By now the database has been given the next group.
            () = std::future::ready(()), if self.written.is_some() => {
                self.written.take().into_iter().for_each(Written::answer);
                Some(writing)
            }
            // One at a time: what is being written waits while one is decided.
            _ = self.receive(commands, 1), if takes => Some(writing),
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
        let (store, committed) = (self.writer.store().clone(), self.writer.committed().clone());
        let Ahead { jobs, group, lot, heads, since } = std::mem::replace(&mut self.ahead, Ahead::new(&store));
        self.writer.forget_some();
        Box::pin(async move {
            count(&jobs);
            let in_time = || since.is_none_or(|since| since.elapsed() <= LONGEST_WAIT);
            match store.write(&heads, lot, in_time).await {
                Ok(true) => {
                    committed.send_replace(());
                    Ok(Written { jobs, outcomes: group.outcomes })
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
    async fn settle(&mut self, written: Result<Written, Vec<Job>>) {
        let unwritten = match written {
            Ok(written) => {
                // Should the one before wait still.
                self.written.replace(written).into_iter().for_each(Written::answer);
                return;
            }
            Err(jobs) => jobs,
        };
        self.written.take().into_iter().for_each(Written::answer);
        self.writer.forget_all();
        let Ahead { jobs, .. } = std::mem::replace(&mut self.ahead, Ahead::new(self.writer.store()));
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

impl Written {
    fn answer(self) {
        answer(self.jobs, self.outcomes);
    }
}

impl Ahead {
    fn new(store: &Store) -> Ahead {
        Ahead { jobs: Vec::new(), group: Group::default(), lot: store.lot(), heads: BTreeMap::new(), since: None }
    }

    /// Decides a command on what the writer holds in memory, if that is enough and nothing is against it.
    fn decide(&mut self, job: &Job, writer: &mut Writer) -> bool {
        let Some(workspace) = writer.workspace(job.command.entity()) else { return false };
        let before = workspace.head.clone();
        let Some(rows) = self.group.decide_from_memory(job, workspace) else { return false };
        self.lot.add(rows);
        self.heads.entry(before.entity.clone()).or_insert(before);
        self.since.get_or_insert_with(Instant::now);
        true
    }
}
