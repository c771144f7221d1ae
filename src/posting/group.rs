//! A group in the making: commands decided one after another, with the rows that will be written together.

use std::collections::{BTreeSet, HashMap};

use super::error::RecordError;
use super::record::Pages;
use super::recorder::{Job, Recorded, now};
use super::session::Session;
use super::workspace::Workspace;
use crate::store::{Posting, Rows};

/// What was decided of a group, in order.
#[derive(Default)]
pub(super) struct Group {
    /// Idempotency keys that its commands carried, with their entities.
    keys: BTreeSet<(String, String)>,
    pub rows: Rows,
    pub outcomes: Vec<Result<Recorded, RecordError>>,
}

impl Group {
    pub fn wrote(&self) -> bool {
        self.outcomes.iter().any(|outcome| outcome.as_ref().is_ok_and(|recorded| !recorded.replayed))
    }

    /// Whether a command carries a key that one of this group had.
    fn repeats(&self, job: &Job) -> bool {
        key(job).is_some_and(|key| self.keys.contains(&key))
    }

    /// The rows of a command, decided on what memory holds of the books, if that is enough and nothing is against it. If not, all is as
    /// it was.
    pub fn decide_from_memory(&mut self, job: &Job, workspace: &mut Workspace) -> Option<Rows> {
        if self.repeats(job) {
            return None;
        }
        let session = Session { context: &job.context, now: now() };
        let counters = workspace.counters();
        let Some(done) = session.record_from_memory(&job.command, workspace) else {
            workspace.restore(counters);
            return None;
        };
        self.keys.extend(key(job));
        self.outcomes.push(Ok(done.recorded));
        Some(done.rows)
    }

    /// Decides a command under the lock. An error is one of the whole group.
    pub async fn decide(
        &mut self,
        job: &Job,
        posting: &mut Posting,
        held: &mut HashMap<String, Workspace>,
    ) -> Result<(), RecordError> {
        let session = Session { context: &job.context, now: now() };
        let repeated = key(job).is_some_and(|key| !self.keys.insert(key));
        // What a command reads from the store must hold what the group wrote before it.
        let reads = repeated || session.reads_history(&job.command, held.get(job.command.entity()));
        let forgotten = forgotten(job, held);
        if (reads || forgotten.is_some()) && !self.rows.is_empty() {
            posting.append(std::mem::take(&mut self.rows)).await?;
        }
        if let (Some(id), Some(workspace)) = (forgotten, held.get_mut(job.command.entity())) {
            workspace.fetch(&[id], &mut posting.reader()?).await?;
        }
        if repeated {
            match session.replay(job.command.entity(), &mut posting.reader()?).await {
                Ok(None) => {}
                Ok(Some(recorded)) => {
                    self.outcomes.push(Ok(recorded));
                    return Ok(());
                }
                Err(RecordError::Store(error)) => return Err(error.into()),
                Err(refused) => {
                    self.outcomes.push(Err(refused));
                    return Ok(());
                }
            }
        }
        let counters = held.get(job.command.entity()).map(Workspace::counters);
        let outcome = session.record(&job.command, held, &mut posting.reader()?).await;
        if let (Err(_), Some(workspace), Some(counters)) = (&outcome, held.get_mut(job.command.entity()), counters) {
            workspace.restore(counters);
        }
        let outcome = match outcome {
            Ok(done) if !done.rows.is_empty() => {
                // Before its rows: a later command of the group may use the reference again.
                for (kind, reference) in &done.freed {
                    posting.free_natural_key(job.command.entity(), kind, reference).await?;
                }
                self.rows.extend(done.rows);
                if let Some(pages) = done.pages {
                    self.append_pages(pages, posting).await?;
                }
                Ok(done.recorded)
            }
            Err(RecordError::Store(error)) => return Err(error.into()),
            // What a repeated request asked for was done before, so that now it is refused or has nothing to do: it is answered
            // as it was then.
            other => match session.replay(job.command.entity(), &mut posting.reader()?).await {
                Ok(Some(recorded)) => Ok(recorded),
                Ok(None) => other.map(|done| done.recorded),
                Err(RecordError::Store(error)) => return Err(error.into()),
                Err(refused) => Err(refused),
            },
        };
        self.outcomes.push(outcome);
        Ok(())
    }

    /// Appends what stands here, then pages. Each is made while the database writes the one before.
    async fn append_pages(&mut self, mut pages: Pages, posting: &mut Posting) -> Result<(), RecordError> {
        loop {
            let making = tokio::task::spawn_blocking(move || (pages.next(), pages));
            posting.append(std::mem::take(&mut self.rows)).await?;
            let (page, rest) = making.await.map_err(|error| RecordError::corrupt("page", error))?;
            let Some(page) = page else { return Ok(()) };
            (self.rows, pages) = (page?, rest);
        }
    }
}

/// The idempotency key of a command, with its entity.
fn key(job: &Job) -> Option<(String, String)> {
    job.context.idempotency.as_ref().map(|key| (job.command.entity().to_owned(), key.key.clone()))
}

/// The issue of a command, if an earlier one of its group made the entity's books forget it.
fn forgotten<'a>(job: &'a Job, held: &HashMap<String, Workspace>) -> Option<&'a str> {
    let workspace = held.get(job.command.entity())?;
    job.command.bond_issue().filter(|id| workspace.issue(id).is_err())
}

/// Counts a group that shares a commit.
pub(super) fn count(jobs: &[Job]) {
    metrics::histogram!("parwright_posting_group_size").record(u32::try_from(jobs.len()).unwrap_or(u32::MAX));
}

pub(super) fn answer(jobs: Vec<Job>, outcomes: Vec<Result<Recorded, RecordError>>) {
    for (job, outcome) in jobs.into_iter().zip(outcomes) {
        // A caller that went away does not need the answer; what was recorded stays recorded.
        let _ = job.answer.send(outcome);
    }
}
