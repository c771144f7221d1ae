//! The loop around deliveries: one a process. It looks for destinations that wait, and has each delivered to by a task of its own,
//! so that one which stalls holds up nobody else.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::task::{Id, JoinHandle, JoinSet};
use tokio::time::Instant;

use super::Push;
use super::progress::Progress;
use super::sender::{Outcome, Sender, SenderError};
use crate::app::chain;
use crate::posting::{RecordError, Recorder};
use crate::reading::Library;

/// How many destinations are delivered to at once: each holds a release in memory.
const MOST_AT_ONCE: usize = 256;
/// How long it rests after it was told of a commit: many commits are one look.
const PACE: Duration = Duration::from_millis(20);

const DELIVERIES: &str = "parwright_deliveries_total";
const LAG: &str = "parwright_delivery_lag_releases";

/// Delivers releases until it is stopped or dropped.
#[derive(Debug)]
pub struct Courier {
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

/// Stops a courier.
#[derive(Clone, Debug)]
pub struct Stopper(watch::Sender<bool>);

impl Stopper {
    /// No attempt begins from now on; those under way are finished.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }
}

impl Courier {
    /// Starts delivering on the current runtime; none without a key.
    ///
    /// # Errors
    /// When nothing can be sent.
    pub fn start(push: &Push, recorder: &Recorder, library: &Library) -> Result<Option<Courier>, SenderError> {
        let Some(keyring) = &push.keyring else { return Ok(None) };
        describe();
        let (stop, stopping) = watch::channel(false);
        let round = Round {
            progress: Progress { store: recorder.store().clone(), push: push.clone() },
            library: library.clone(),
            sender: Arc::new(Sender::new(push, Arc::clone(keyring))?),
            stopping,
        };
        let task = tokio::spawn(round.run(recorder.commits()));
        Ok(Some(Courier { stop, task }))
    }

    /// What stops it.
    pub fn stopper(&self) -> Stopper {
        Stopper(self.stop.clone())
    }

    /// Waits for the attempts under way, after it was stopped.
    pub async fn ended(self) {
        if let Err(error) = self.task.await {
            tracing::error!(%error, "deliveries ended");
        }
    }
}

fn describe() {
    metrics::describe_counter!(DELIVERIES, "Attempts to deliver a release, by outcome.");
    metrics::describe_gauge!(LAG, "Releases that a destination has yet to get.");
}

/// Returns when a courier is stopped or dropped.
async fn stopped(stopping: &mut watch::Receiver<bool>) {
    let _ = stopping.wait_for(|stop| *stop).await;
}

/// What the loop and its tasks work with.
#[derive(Clone)]
struct Round {
    progress: Progress,
    library: Library,
    sender: Arc<Sender>,
    stopping: watch::Receiver<bool>,
}

type Key = (String, String);

impl Round {
    async fn run(self, mut commits: watch::Receiver<()>) {
        let (mut tasks, mut running, mut stopping) = (JoinSet::new(), HashMap::new(), self.stopping.clone());
        let poll = self.progress.push.poll;
        let mut measured = None;
        loop {
            let wait = match self.look(&mut tasks, &mut running).await {
                Ok(wait) => wait,
                Err(error) => {
                    tracing::error!(cause = chain(&error), "cannot look for deliveries to make");
                    poll
                }
            };
            if measured.is_none_or(|last: Instant| last.elapsed() >= poll) {
                self.measure().await;
                measured = Some(Instant::now());
            }
            tokio::select! {
                () = stopped(&mut stopping) => break,
                Some(ended) = tasks.join_next_with_id(), if !tasks.is_empty() => {
                    running.remove(&ended.map_or_else(|error| error.id(), |(id, ())| id));
                }
                changed = commits.changed() => {
                    // Nobody is there to commit anything any more.
                    if changed.is_err() { break }
                    tokio::time::sleep(PACE).await;
                }
                () = tokio::time::sleep(wait) => {}
            }
        }
        // Tasks see that it stops, and end after what they are at.
        while tasks.join_next().await.is_some() {}
    }

    /// Starts a task for each destination to which a delivery may begin, and returns how long there is none for.
    async fn look(&self, tasks: &mut JoinSet<()>, running: &mut HashMap<Id, Key>) -> Result<Duration, RecordError> {
        let mut wait = self.progress.push.poll;
        let limit = i64::try_from(MOST_AT_ONCE + running.len()).unwrap_or(i64::MAX);
        let waiting = self.progress.store.reading().await?.reader().waiting_destinations(limit).await?;
        for found in waiting {
            let key = (found.entity, found.destination);
            if running.values().any(|at| *at == key) {
                continue;
            }
            match u64::try_from(found.due_in) {
                Ok(due_in @ 1..) => wait = wait.min(Duration::from_micros(due_in)),
                _ if running.len() < MOST_AT_ONCE => {
                    let task = tasks.spawn(self.clone().deliver(key.clone()));
                    running.insert(task.id(), key);
                }
                _ => {}
            }
        }
        Ok(wait)
    }

    async fn measure(&self) {
        let Ok(mut reading) = self.progress.store.reading().await else { return };
        for lag in reading.reader().delivery_lags().await.unwrap_or_default() {
            let releases = u32::try_from(lag.releases).unwrap_or(if lag.releases < 0 { 0 } else { u32::MAX });
            metrics::gauge!(LAG, "entity" => lag.entity, "destination" => lag.destination).set(releases);
        }
    }

    /// Delivers to one destination until it has everything, an attempt fails, or the service stops.
    async fn deliver(self, (entity, destination): Key) {
        if let Err(error) = self.releases(&entity, &destination).await {
            tracing::error!(entity, destination, cause = chain(&error), "deliveries broke off");
            // What is wrong in the store may last: looking again at once would only add to it.
            let mut stopping = self.stopping.clone();
            let _ = tokio::time::timeout(self.progress.push.poll, stopped(&mut stopping)).await;
        }
    }

    async fn releases(&self, entity: &str, destination: &str) -> Result<(), RecordError> {
        let at = (entity, destination);
        let mut fence = None;
        loop {
            if *self.stopping.borrow() || self.stopping.has_changed().is_err() {
                return match fence {
                    Some(fence) => self.progress.release(at, fence).await,
                    None => Ok(()),
                };
            }
            // The time of the attempt begins before that of the lease, so that it is over first.
            let started = Instant::now();
            let deadline = started + self.progress.push.timeout;
            let Some(begun) = self.progress.begin(at, fence).await? else { return Ok(()) };
            let release = begun.release();
            let document = self.library.release(entity, release).await?;
            let sent = Instant::now();
            let attempted = self.sender.send(&begun.url, entity, &document, deadline).await;
            let (outcome, status) = (attempted.outcome.as_str(), attempted.status);
            metrics::counter!(DELIVERIES, "outcome" => outcome).increment(1);
            if attempted.outcome == Outcome::Delivered {
                tracing::debug!(entity, destination, release, "delivered");
            } else {
                tracing::warn!(
                    entity,
                    destination,
                    release,
                    outcome,
                    status,
                    detail = attempted.detail,
                    "not delivered"
                );
            }
            let random = getrandom::u64().unwrap_or(u64::MAX);
            fence = self.progress.end(begun, &attempted, sent.elapsed(), random).await?;
            if fence.is_none() {
                return Ok(());
            }
        }
    }
}
