//! Row by row: each row is a command of its own, and one that was recorded before is found again by its reference, so that the same file
//! can be sent again after whatever cut it off.

use std::collections::HashMap;

use futures_util::future::join_all;
use serde::Deserialize;

use super::atomic::next_chunk;
use super::report::{ImportSummary, RowReport, RowStatus};
use super::rows::Row;
use super::{Importer, Upload};
use crate::document::BondIssueDocument;
use crate::http::problem::Problem;
use crate::http::refusals;
use crate::posting::{Command, Context, ExistingIssue, RecordError, Recorded};

/// Records the rows one by one and tells of each, in order, until `told` says that nobody listens any more.
///
/// # Errors
/// The summary so far, with why the rest was not looked at.
pub async fn record_each<T>(
    importer: &Importer,
    upload: &Upload,
    mut told: impl FnMut(Vec<RowReport>) -> T,
) -> Result<ImportSummary, (ImportSummary, Problem)>
where
    T: Future<Output = bool>,
{
    let mut summary = ImportSummary::default();
    let mut rows = match upload.rows() {
        Ok(rows) => rows,
        Err(problem) => return Err((summary, problem)),
    };
    loop {
        let chunk;
        (chunk, rows) = match next_chunk(rows).await {
            Ok(read) => read,
            Err(problem) => return Err((summary, problem)),
        };
        if chunk.is_empty() {
            return Ok(summary);
        }
        let mut failed = None;
        let mut readable = Vec::with_capacity(chunk.len());
        for row in chunk {
            match row {
                Ok(row) => readable.push(row),
                Err(problem) => failed = Some(problem),
            }
        }
        let (reports, stopped) = record_chunk(importer, upload.entity(), readable).await;
        reports.iter().for_each(|report| summary.count(report.status));
        let heard = told(reports).await;
        if let Some(problem) = stopped.or(failed) {
            return Err((summary, problem));
        }
        if !heard {
            return Ok(summary);
        }
    }
}

/// The reports of some rows, up to one that could not be answered by a fault of ours, which ends the import.
async fn record_chunk(importer: &Importer, entity: &str, rows: Vec<Row>) -> (Vec<RowReport>, Option<Problem>) {
    let references: Vec<&str> =
        rows.iter().filter_map(|row| row.issue.as_ref().ok()).map(|issue| issue.reference.as_str()).collect();
    let existing = match importer.recorder.existing_issues(entity, &references).await {
        Ok(existing) => existing,
        Err(error) => return (Vec::new(), Some(error.into())),
    };
    let outcomes = join_all(rows.iter().map(|row| outcome(importer, row, &existing))).await;
    let mut reports = Vec::with_capacity(rows.len());
    let mut stopped = None;
    for (row, outcome) in rows.iter().zip(outcomes) {
        let reference = row.issue.as_ref().ok().map(|issue| issue.reference.clone());
        let report =
            RowReport { line: row.line, status: RowStatus::Refused, reference, bond_issue: None, problem: None };
        match outcome {
            Ok((status, id)) => reports.push(RowReport { status, bond_issue: Some(id), ..report }),
            Err(problem) if problem.status().is_server_error() => {
                stopped.get_or_insert(problem);
            }
            Err(problem) => {
                let document = serde_json::from_slice(&problem.document(Some(&importer.request_id))).ok();
                reports.push(RowReport { problem: document, ..report });
            }
        }
    }
    (reports, stopped)
}

async fn outcome(
    importer: &Importer,
    row: &Row,
    existing: &HashMap<String, ExistingIssue>,
) -> Result<(RowStatus, String), Problem> {
    let issue = row.issue.as_ref().map_err(Problem::clone)?;
    if let Some(found) = existing.get(&issue.reference) {
        return present(issue, found);
    }
    let context =
        Context { request_id: importer.request_id.clone(), actor: importer.actor.clone(), ..Context::default() };
    match importer.recorder.record(Command::Issue(Box::new(issue.clone())), context).await {
        Ok(recorded) => Ok((RowStatus::Recorded, id(&recorded)?)),
        // Another row of the file, or another caller, was first.
        Err(refused @ RecordError::ReferenceInUse { .. }) => {
            let found = importer.recorder.existing_issues(&issue.entity, &[&issue.reference]).await?;
            match found.get(&issue.reference) {
                Some(found) => present(issue, found),
                None => Err(refusals::of_row(refused)),
            }
        }
        Err(error) => Err(refusals::of_row(error)),
    }
}

/// A reference names one issue: the same again is no mistake, and another one is.
fn present(issue: &BondIssueDocument, found: &ExistingIssue) -> Result<(RowStatus, String), Problem> {
    if *issue == found.document {
        return Ok((RowStatus::Present, found.id.clone()));
    }
    let (kind, reference, id) = ("bond_issue", issue.reference.clone(), found.id.clone());
    Err(refusals::of_row(RecordError::ReferenceInUse { kind, reference, id }))
}

fn id(recorded: &Recorded) -> Result<String, Problem> {
    #[derive(Deserialize)]
    struct Identified {
        id: String,
    }
    let read: Result<Identified, _> = serde_json::from_str(&recorded.answer);
    Ok(read.map_err(Problem::internal)?.id)
}
