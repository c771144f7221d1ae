//! All rows, or none: checked without any lock first, so that a file with mistakes holds nobody up, then recorded in one commit.

use std::sync::Arc;

use super::report::on_line;
use super::rows::{Row, Rows};
use super::{Importer, Upload};
use crate::http::problem::{FieldError, Problem};
use crate::http::refusals;
use crate::posting::{Command, Context, IdempotencyKey, NumberedIssue, Recorded};

/// How many rows are read and checked at once.
pub(super) const CHUNK: usize = 500;
/// The most mistakes that are named one by one.
const MOST_ERRORS: usize = 10_000;

/// Checks every row as it would be recorded after those before it; nothing is recorded. Gives how many there are.
///
/// # Errors
/// A problem that names every row that would be refused.
pub async fn check(importer: &Importer, upload: &Upload) -> Result<u64, Problem> {
    let mut checker = importer.recorder.issue_checker(upload.entity()).await?;
    let mut found = Mistakes::default();
    let (mut rows, mut counted) = (upload.rows()?, 0);
    loop {
        let chunk;
        (chunk, rows) = next_chunk(rows).await?;
        if chunk.is_empty() {
            break;
        }
        counted += chunk.len() as u64;
        let mut readable = Vec::with_capacity(chunk.len());
        for row in chunk {
            let Row { line, issue } = row?;
            match issue {
                Ok(document) => readable.push(NumberedIssue { line, document }),
                Err(problem) => found.add(&problem, line),
            }
        }
        for refused in checker.check(&readable).await? {
            let line = refused.at as u64;
            found.add(&refusals::of_row(refused.why), line);
        }
    }
    if counted == 0 {
        return Err(Problem::invalid_field("", "the file holds no rows"));
    }
    found.none_of(counted)
}

/// Records all rows.
///
/// # Errors
/// Why none of them is recorded.
pub async fn record(
    importer: &Importer,
    upload: Arc<Upload>,
    idempotency: IdempotencyKey,
) -> Result<Recorded, Problem> {
    let entity = upload.entity().to_owned();
    let context = Context {
        request_id: importer.request_id.clone(),
        actor: importer.actor.clone(),
        idempotency: Some(idempotency),
        ..Context::default()
    };
    // The rows of one that is repeated are there, and would be refused.
    if let Some(recorded) = importer.recorder.replayed(&entity, &context).await? {
        return Ok(recorded);
    }
    check(importer, &upload).await?;
    Ok(importer.recorder.record(Command::ImportIssues { entity, issues: upload }, context).await?)
}

/// Some rows, read where waiting for a disk stops nobody. None are the end.
pub(super) async fn next_chunk(mut rows: Rows) -> Result<(Vec<Result<Row, Problem>>, Rows), Problem> {
    let reading = tokio::task::spawn_blocking(move || (rows.by_ref().take(CHUNK).collect(), rows));
    reading.await.map_err(Problem::internal)
}

/// What is wrong with the rows of a file.
#[derive(Default)]
struct Mistakes {
    errors: Vec<FieldError>,
    rows: u64,
    never_right: bool,
}

impl Mistakes {
    fn add(&mut self, problem: &Problem, line: u64) {
        self.rows += 1;
        self.never_right |= problem.status().as_u16() != 409;
        if self.errors.len() < MOST_ERRORS {
            self.errors.extend(on_line(problem, line));
        }
    }

    fn none_of(mut self, rows: u64) -> Result<u64, Problem> {
        // Shapes are looked at before what the books say, chunk by chunk.
        self.errors.sort_by_key(|error| error.line);
        let Some(first) = self.errors.first() else { return Ok(rows) };
        let line = first.line.unwrap_or_default();
        let mut detail = format!(
            "{} of {rows} rows are refused, and nothing is recorded; the first is on line {line}: {}",
            self.rows, first.detail
        );
        if self.errors.len() >= MOST_ERRORS {
            detail.push_str(&format!(" (the first {MOST_ERRORS} mistakes are listed)"));
        }
        Err(Problem::new(refusals::rows_kind(self.never_right), detail).with_errors(self.errors))
    }
}
