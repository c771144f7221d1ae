//! New issues in bulk: many issues in one commit. Each is the command that it would be alone, with a record, a sequence and batches of its
//! own. They are decided and written a page at a time, so that they never stand in memory together, and the reader of a hundred
//! thousand of them holds the lock for as long as it takes to write them: what can be found wrong before that is found before.

use std::collections::{BTreeSet, HashMap};
use std::fmt;
use std::io;

use serde::Serialize;
use utoipa::ToSchema;

use super::command::Context;
use super::decide;
use super::error::{RecordError, RefusedRow};
use super::record::CREATED;
use super::recorder::{Recorded, Recorder, now};
use super::series;
use super::session::Session;
use super::workspace::Workspace;
use crate::accounting::Refusal;
use crate::accounting::instrument::Terms;
use crate::accounting::transaction::series::check_alike;
use crate::document::BondIssueDocument;
use crate::store::{Posting, Reader, Rows, Store};

/// How many issues are decided and written at once.
const PAGE: usize = 250;

/// Under which references of issues are unique.
const KIND: &str = "bond_issue";

/// A new issue with the line of the file that states it.
#[derive(Clone, Debug)]
pub struct NumberedIssue {
    pub line: u64,
    pub document: BondIssueDocument,
}

/// Issues one after the other.
pub type IssueDocuments = Box<dyn Iterator<Item = io::Result<NumberedIssue>> + Send>;

/// Issues to record together, which can be read again when another process was first.
pub trait IssueSource: fmt::Debug + Send + Sync {
    /// The issues from the first one on.
    ///
    /// # Errors
    /// When they cannot be read.
    fn documents(&self) -> io::Result<IssueDocuments>;

    /// Is told how many are written, though not committed yet.
    fn written(&self, rows: u64);
}

/// What an import in one commit is answered with.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ImportAnswer {
    pub entity: String,
    /// How many issues were recorded: as many as the file has rows.
    pub recorded: u64,
    /// The sequences that they were given, one each and in the order of the file.
    pub first_sequence: i64,
    pub last_sequence: i64,
}

/// Writes all issues into an open posting, whose caller commits it or takes it back.
///
/// # Errors
/// [`RecordError::LinesRefused`] for the rows that can no longer be recorded.
pub(super) async fn write(
    session: &Session<'_>,
    entity: &str,
    issues: &dyn IssueSource,
    posting: &mut Posting,
    held: &mut HashMap<String, Workspace>,
) -> Result<Recorded, RecordError> {
    let workspace = held.get_mut(entity).ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
    let unreadable = |error: io::Error| RecordError::corrupt("import", error);
    let mut documents = issues.documents().map_err(unreadable)?;
    // The key is that of the whole, and not of each.
    let context = Context { idempotency: None, preview_sha256: None, if_match: None, ..session.context.clone() };
    let first_sequence = workspace.head.sequence + 1;
    let mut recorded = 0;
    loop {
        let page;
        (page, documents) = next_page(documents).await?;
        let page = page.into_iter().collect::<Result<Vec<_>, _>>().map_err(unreadable)?;
        if page.is_empty() {
            break;
        }
        refuse_taken(entity, &page, &mut posting.reader()?).await?;
        let (mut rows, mut pending) = (Rows::default(), BTreeSet::new());
        for NumberedIssue { line, document } in &page {
            let refused = |why| refused_line(*line, why);
            if let Some(series) = &document.series {
                // What is of the same series must be there to be compared with.
                if pending.contains(series) {
                    posting.append(std::mem::take(&mut rows)).await?;
                    pending.clear();
                }
                series::check_member(workspace, document, &mut posting.reader()?).await.map_err(refused)?;
                pending.insert(series.clone());
            }
            let done = Session { context: &context, now: now() }.issue(document, workspace).map_err(refused)?;
            done.rows.bond_issues.iter().for_each(|issue| workspace.forget(&issue.id));
            rows.extend(done.rows);
        }
        posting.append(rows).await?;
        posting.keep_statistics().await?;
        recorded += page.len() as u64;
        issues.written(recorded);
    }
    let last_sequence = workspace.head.sequence;
    let answer = ImportAnswer { entity: entity.to_owned(), recorded, first_sequence, last_sequence };
    let recorded = Recorded::new(CREATED, &answer)?;
    let mut rows = Rows::default();
    session.keep_answer(entity, workspace.head.recorded_at, &recorded, &mut rows);
    posting.append(rows).await?;
    Ok(recorded)
}

type Page = Vec<io::Result<NumberedIssue>>;

async fn next_page(mut documents: IssueDocuments) -> Result<(Page, IssueDocuments), RecordError> {
    let reading = tokio::task::spawn_blocking(move || (documents.by_ref().take(PAGE).collect(), documents));
    reading.await.map_err(|error| RecordError::corrupt("import", error))
}

/// A row that a rule refuses, which refuses all of them; a failure of the store stays one.
fn refused_line(line: u64, why: RecordError) -> RecordError {
    match why {
        why @ (RecordError::Refused(_) | RecordError::ReferenceInUse { .. }) => {
            RecordError::LinesRefused(vec![RefusedRow { at: usize::try_from(line).unwrap_or(usize::MAX), why }])
        }
        other => other,
    }
}

async fn refuse_taken(entity: &str, page: &[NumberedIssue], reader: &mut Reader<'_>) -> Result<(), RecordError> {
    let taken = taken(entity, page, reader).await?;
    if taken.is_empty() { Ok(()) } else { Err(RecordError::LinesRefused(taken)) }
}

/// The rows whose references name something recorded before.
async fn taken(entity: &str, page: &[NumberedIssue], reader: &mut Reader<'_>) -> Result<Vec<RefusedRow>, RecordError> {
    let references: Vec<&str> = page.iter().map(|issue| issue.document.reference.as_str()).collect();
    let named: HashMap<String, String> = reader.natural_keys(entity, KIND, &references).await?.into_iter().collect();
    let refused = |issue: &NumberedIssue| {
        let reference = issue.document.reference.clone();
        let id = named.get(&reference)?.clone();
        let at = usize::try_from(issue.line).unwrap_or(usize::MAX);
        Some(RefusedRow { at, why: RecordError::ReferenceInUse { kind: KIND, reference, id } })
    };
    Ok(page.iter().filter_map(refused).collect())
}

/// Checks new issues as they would be recorded one after the other; nothing is recorded, and nothing is locked.
#[derive(Debug)]
pub struct IssueChecker {
    store: Store,
    workspace: Workspace,
    /// The line on which a reference stands.
    seen: HashMap<String, u64>,
    /// Of each series an issue that was checked, with its reference.
    series: HashMap<String, (Terms, String)>,
}

/// An issue that a reference names.
#[derive(Clone, Debug)]
pub struct ExistingIssue {
    pub id: String,
    pub document: BondIssueDocument,
}

impl Recorder {
    /// A check of issues of an entity, on the books as they are now.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when there is no such entity.
    pub async fn issue_checker(&self, entity: &str) -> Result<IssueChecker, RecordError> {
        let mut reading = self.store().reading().await?;
        let mut reader = reading.reader();
        let workspace = Workspace::of(entity, &mut reader).await?;
        Ok(IssueChecker { store: self.store().clone(), workspace, seen: HashMap::new(), series: HashMap::new() })
    }

    /// The issues of an entity that some references name.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn existing_issues(
        &self,
        entity: &str,
        references: &[&str],
    ) -> Result<HashMap<String, ExistingIssue>, RecordError> {
        let mut reading = self.store().reading().await?;
        let mut reader = reading.reader();
        let named = reader.natural_keys(entity, KIND, references).await?;
        let ids: Vec<&str> = named.iter().map(|(_, id)| id.as_str()).collect();
        let mut existing = HashMap::with_capacity(ids.len());
        for state in reader.issue_states(entity, &ids).await? {
            let document: BondIssueDocument =
                serde_json::from_str(&state.issue.terms).map_err(|error| RecordError::corrupt("bond issue", error))?;
            existing.insert(document.reference.clone(), ExistingIssue { id: state.issue.id, document });
        }
        Ok(existing)
    }
}

impl IssueChecker {
    /// The rows among these that would be refused, each with its line.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn check(&mut self, issues: &[NumberedIssue]) -> Result<Vec<RefusedRow>, RecordError> {
        let store = self.store.clone();
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let entity = self.workspace.head.entity.clone();
        let mut refused = taken(&entity, issues, &mut reader).await?;
        let named: BTreeSet<usize> = refused.iter().map(|row| row.at).collect();
        for issue in issues {
            let at = usize::try_from(issue.line).unwrap_or(usize::MAX);
            if named.contains(&at) {
                continue;
            }
            match self.check_one(issue, &mut reader).await {
                Ok(()) => {}
                Err(why @ RecordError::Refused(_)) => refused.push(RefusedRow { at, why }),
                Err(error) => return Err(error),
            }
        }
        Ok(refused)
    }

    async fn check_one(
        &mut self,
        NumberedIssue { line, document }: &NumberedIssue,
        reader: &mut Reader<'_>,
    ) -> Result<(), RecordError> {
        if let Some(first) = self.seen.get(&document.reference) {
            let rule = format!("line {first} has it already; give each issue its own");
            return Err(Refusal::invalid("reference", &document.reference, rule).into());
        }
        self.seen.insert(document.reference.clone(), *line);
        decide::new_issue(&self.workspace, document, None)?;
        let Some(series) = &document.series else { return Ok(()) };
        match self.series.get(series) {
            Some((terms, reference)) => check_alike(&document.terms()?, terms, reference)?,
            None => {
                series::check_member(&mut self.workspace, document, reader).await?;
                self.series.insert(series.clone(), (document.terms()?, document.reference.clone()));
            }
        }
        Ok(())
    }
}
