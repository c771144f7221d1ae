//! The one writer of a process: groups of commands decided under the lock, one commit each.

use std::collections::{BTreeSet, HashMap};

use tokio::sync::watch;

use super::command::Command;
use super::error::{Failure, RecordError};
use super::group::{Group, answer, count};
use super::import::{self, IssueSource};
use super::recorder::{Job, Recorded, now};
use super::session::Session;
use super::workspace::Workspace;
use crate::store::{Constraint, Posting, Store};

/// How often a command is decided again when another process was first.
const MOST_ATTEMPTS: usize = 5;

/// How many issues' books are kept from group to group.
const MOST_ISSUES_IN_MEMORY: usize = 4_096;

pub(super) struct Writer {
    store: Store,
    /// Books kept from group to group; each is used only while its entity's head is as it was left.
    workspaces: HashMap<String, Workspace>,
    committed: watch::Sender<()>,
}

impl Writer {
    pub fn new(store: Store, committed: watch::Sender<()>) -> Writer {
        Writer { store, workspaces: HashMap::new(), committed }
    }

    pub fn store(&self) -> &Store {
        &self.store
    }

    /// What is told of every commit.
    pub fn committed(&self) -> &watch::Sender<()> {
        &self.committed
    }

    /// The books of an entity that memory holds.
    pub fn workspace(&mut self, entity: &str) -> Option<&mut Workspace> {
        self.workspaces.get_mut(entity)
    }

    /// Forgets all books, so that they are read again.
    pub fn forget_all(&mut self) {
        self.workspaces.clear();
    }

    /// Records what came in order: an import in a commit of its own, what is around it in groups.
    pub async fn process(&mut self, jobs: Vec<Job>) {
        let mut group = Vec::with_capacity(jobs.len());
        for job in jobs {
            if let Command::ImportIssues { issues, .. } = &job.command {
                self.process_group(std::mem::take(&mut group)).await;
                let outcome = self.import(&job, &**issues).await;
                answer(vec![job], vec![outcome]);
            } else {
                group.push(job);
            }
        }
        self.process_group(group).await;
    }

    /// Records an import. What it wrote when it fails is rolled back.
    async fn import(&mut self, job: &Job, issues: &dyn IssueSource) -> Result<Recorded, RecordError> {
        let mut attempt = 1;
        loop {
            match self.attempt_import(job, issues).await {
                Err(RecordError::Store(error)) if error.is_retryable() || error.conflict().is_some() => {
                    if attempt == MOST_ATTEMPTS {
                        return Err(RecordError::Busy(Some(error)));
                    }
                    attempt += 1;
                }
                outcome => return outcome,
            }
        }
    }

    async fn attempt_import(&mut self, job: &Job, issues: &dyn IssueSource) -> Result<Recorded, RecordError> {
        let entities = BTreeSet::from([job.command.entity()]);
        let mut held = self.take(&entities);
        let mut posting = self.store.begin().await?;
        self.lock(&mut posting, &entities, &mut held).await?;
        let session = Session { context: &job.context, now: now() };
        let outcome = match session.replay(job.command.entity(), &mut posting.reader()?).await {
            Ok(None) => import::write(&session, job.command.entity(), issues, &mut posting, &mut held).await,
            Ok(Some(recorded)) => Ok(recorded),
            Err(error) => Err(error),
        };
        if outcome.as_ref().is_ok_and(|recorded| !recorded.replayed) {
            posting.commit().await?;
            self.committed.send_replace(());
        } else {
            posting.rollback().await?;
        }
        outcome
    }

    /// Records a group in one commit; if that fails, each command alone.
    async fn process_group(&mut self, jobs: Vec<Job>) {
        if jobs.is_empty() {
            return;
        }
        count(&jobs);
        match self.attempt(&jobs).await {
            Ok(outcomes) => answer(jobs, outcomes),
            Err(error) if jobs.len() > 1 => {
                tracing::debug!(
                    error = &error as &dyn std::error::Error,
                    commands = jobs.len(),
                    "a group failed; each command is recorded alone"
                );
                for job in jobs {
                    self.process_alone(job).await;
                }
            }
            Err(error) => {
                for job in jobs {
                    self.retry(job, &error).await;
                }
            }
        }
    }

    async fn process_alone(&mut self, job: Job) {
        let jobs = vec![job];
        match self.attempt(&jobs).await {
            Ok(outcomes) => answer(jobs, outcomes),
            Err(error) => {
                for job in jobs {
                    self.retry(job, &error).await;
                }
            }
        }
    }

    /// A command that failed alone: replayed if its key has an answer, refused if its reference is in use, else decided again.
    async fn retry(&mut self, job: Job, error: &RecordError) {
        let mut last = error.failure();
        for _ in 1..MOST_ATTEMPTS {
            match last {
                Failure::Conflict(constraint) => {
                    if let Some(outcome) = self.explain(&job, constraint).await {
                        return answer(vec![job], vec![outcome]);
                    }
                }
                Failure::Retryable => {}
                Failure::Final => break,
            }
            match self.attempt(std::slice::from_ref(&job)).await {
                Ok(outcomes) => return answer(vec![job], outcomes),
                Err(error) => last = error.failure(),
            }
        }
        // The last error is had once more, so that it reaches the log with its causes.
        let outcome = match self.attempt(std::slice::from_ref(&job)).await {
            Ok(outcomes) => return answer(vec![job], outcomes),
            Err(RecordError::Store(error)) if error.is_retryable() || error.conflict().is_some() => {
                Err(RecordError::Busy(Some(error)))
            }
            Err(error) => Err(error),
        };
        answer(vec![job], vec![outcome]);
    }

    /// What a unique key that was taken means for the caller; `None` if only that another process was first.
    async fn explain(&self, job: &Job, constraint: Constraint) -> Option<Result<Recorded, RecordError>> {
        let mut reading = self.store.reading().await.ok()?;
        let mut reader = reading.reader();
        let session = Session { context: &job.context, now: now() };
        match session.replay(job.command.entity(), &mut reader).await {
            Ok(None) => {}
            Ok(Some(recorded)) => return Some(Ok(recorded)),
            Err(error) => return Some(Err(error)),
        }
        match constraint {
            Constraint::EntityCode => Some(Err(RecordError::EntityExists(job.command.entity().to_owned()))),
            Constraint::NaturalKey => match session.reference_in_use(&job.command, &mut reader).await {
                Ok(error) => error.map(Err),
                Err(error) => Some(Err(error)),
            },
            _ => None,
        }
    }

    /// Locks, decides and writes a group. A command that a rule refuses is an outcome; an error is one of the whole group, of
    /// which then nothing was kept.
    async fn attempt(&mut self, jobs: &[Job]) -> Result<Vec<Result<Recorded, RecordError>>, RecordError> {
        let entities: BTreeSet<&str> = jobs.iter().map(|job| job.command.entity()).collect();
        let mut held = self.take(&entities);
        let mut posting = self.store.begin().await?;
        self.lock(&mut posting, &entities, &mut held).await?;
        self.fetch(&mut posting, jobs, &mut held).await?;
        let mut group = Group::default();
        for job in jobs {
            group.decide(job, &mut posting, &mut held).await?;
        }
        if !group.rows.is_empty() {
            posting.append(group.rows).await?;
            posting.commit().await?;
            self.committed.send_replace(());
        } else if group.wrote() {
            posting.commit().await?;
            self.committed.send_replace(());
        } else {
            posting.rollback().await?;
        }
        // Only what is committed may be decided on next time.
        self.workspaces.extend(held);
        self.forget_some();
        Ok(group.outcomes)
    }

    /// Keeps memory bounded: books that are forgotten are read again when they are needed.
    pub fn forget_some(&mut self) {
        if self.workspaces.values().map(Workspace::issues_in_memory).sum::<usize>() > MOST_ISSUES_IN_MEMORY {
            self.workspaces.clear();
        }
    }

    fn take(&mut self, entities: &BTreeSet<&str>) -> HashMap<String, Workspace> {
        entities.iter().filter_map(|entity| self.workspaces.remove_entry(*entity)).collect()
    }

    /// Locks the heads in order of code. Books whose head has moved are read again.
    async fn lock(
        &self,
        posting: &mut Posting,
        entities: &BTreeSet<&str>,
        held: &mut HashMap<String, Workspace>,
    ) -> Result<(), RecordError> {
        let codes: Vec<&str> = entities.iter().copied().collect();
        for head in posting.lock_heads(&codes).await? {
            let current = held.get(&head.entity).is_some_and(|workspace| workspace.head == head);
            if current {
                continue;
            }
            let entity = head.entity.clone();
            if let Some(workspace) = Workspace::load(head, &mut posting.reader()?).await? {
                held.insert(entity, workspace);
            }
        }
        Ok(())
    }

    async fn fetch(
        &self,
        posting: &mut Posting,
        jobs: &[Job],
        held: &mut HashMap<String, Workspace>,
    ) -> Result<(), RecordError> {
        for (entity, workspace) in held.iter_mut() {
            let on_entity = jobs.iter().filter(|job| job.command.entity() == entity);
            let ids: BTreeSet<&str> = on_entity.filter_map(|job| job.command.bond_issue()).collect();
            let ids: Vec<&str> = ids.into_iter().collect();
            workspace.fetch(&ids, &mut posting.reader()?).await?;
        }
        Ok(())
    }
}
