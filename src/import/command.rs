//! An import from the command line, straight into the database: whoever may read its address needs no token, and no service has to run.
//! One that runs may go on: every posting takes the lock of its entity in the database, whichever process makes it, and decides on the
//! books as they are under it.

use std::error::Error;
use std::fs::File;
use std::io::{self, IsTerminal, Read, Seek, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::Serialize;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::{Format, ImportSummary, Importer, MOST_BYTES, Mode, RowReport, Upload, record, record_each};
use crate::cli::Import;
use crate::document::hex;
use crate::http::problem::Problem;
use crate::posting::{IdempotencyKey, Recorder};
use crate::store::Store;

/// How often progress is shown.
const EVERY: Duration = Duration::from_secs(1);

/// Why an import did not record every row.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    #[error("cannot read {0}")]
    File(String, #[source] io::Error),
    #[error("{0} is longer than {MOST_BYTES} bytes; import it in parts")]
    TooLong(String),
    #[error("give --format: the name {0} does not end in .jsonl, .ndjson or .csv")]
    Format(String),
    #[error("cannot write the report")]
    Report(#[source] io::Error),
    #[error("{refused} of {rows} rows were refused; the report says why")]
    Refused { refused: u64, rows: u64 },
    #[error("nothing was recorded: {0}")]
    Nothing(Problem),
    #[error("the import ended after {rows} rows, and can be repeated: {problem}")]
    Ended { rows: u64, problem: Problem },
}

/// Imports a file, shows progress on standard error and writes the report.
///
/// # Errors
/// When a row was refused, or not looked at.
pub async fn run(import: &Import, store: &Store) -> Result<(), Box<dyn Error>> {
    let name = import.file.display().to_string();
    let format = import.format.or_else(|| format_of(&import.file)).ok_or_else(|| ImportError::Format(name.clone()))?;
    let unreadable = |error| ImportError::File(name.clone(), error);
    let file = if name == "-" { spooled(io::stdin().lock()) } else { File::open(&import.file) }.map_err(unreadable)?;
    if file.metadata().map_err(unreadable)?.len() > MOST_BYTES {
        return Err(ImportError::TooLong(name).into());
    }
    let mut report: Box<dyn Write + Send> = match &import.report {
        Some(path) => Box::new(io::BufWriter::new(File::create(path).map_err(ImportError::Report)?)),
        None => Box::new(io::stdout()),
    };
    let entity = import.entity.as_str();
    let importer = Importer {
        recorder: Recorder::start(store.clone()),
        request_id: uuid::Uuid::now_v7().to_string(),
        actor: "command line".to_owned(),
    };
    let key = match import.mode {
        Mode::Atomic => Some(key_of(&file, entity).map_err(unreadable)?),
        Mode::PerRow => None,
    };
    let upload = Arc::new(Upload::new(file, format, entity));
    let outcome = match key {
        Some(key) => all(&importer, &upload, key, &mut report).await,
        None => each(&importer, &upload, &mut report).await,
    };
    report.flush().map_err(ImportError::Report)?;
    Ok(outcome?)
}

async fn all(
    importer: &Importer,
    upload: &Arc<Upload>,
    key: IdempotencyKey,
    report: &mut impl Write,
) -> Result<(), ImportError> {
    let mut progress = Progress::new();
    let mut recording = std::pin::pin!(record(importer, Arc::clone(upload), key));
    let outcome = loop {
        tokio::select! {
            outcome = &mut recording => break outcome,
            () = tokio::time::sleep(EVERY) => progress.show(&ImportSummary { rows: upload.written(), ..ImportSummary::default() }),
        }
    };
    match outcome {
        Ok(recorded) => writeln!(report, "{}", recorded.answer).map_err(ImportError::Report),
        Err(problem) => {
            for error in problem.errors() {
                write_line(report, error)?;
            }
            Err(ImportError::Nothing(problem))
        }
    }
}

async fn each(importer: &Importer, upload: &Upload, report: &mut (impl Write + Send)) -> Result<(), ImportError> {
    let (mut progress, mut counted, mut failed) = (Progress::new(), ImportSummary::default(), None);
    let outcome = record_each(importer, upload, |reports: Vec<RowReport>| {
        for row in &reports {
            counted.count(row.status);
            if failed.is_none() {
                failed = write_line(report, row).err();
            }
        }
        progress.show_now_and_then(&counted);
        std::future::ready(failed.is_none())
    });
    let outcome = outcome.await;
    if let Some(error) = failed {
        return Err(error);
    }
    let summary = match &outcome {
        Ok(summary) | Err((summary, _)) => summary.clone(),
    };
    progress.show(&summary);
    write_line(report, &json!({"summary": summary}))?;
    match outcome {
        Err((summary, problem)) => Err(ImportError::Ended { rows: summary.rows, problem }),
        Ok(ImportSummary { refused: 0, .. }) => Ok(()),
        Ok(ImportSummary { refused, rows, .. }) => Err(ImportError::Refused { refused, rows }),
    }
}

fn write_line(report: &mut impl Write, value: &impl Serialize) -> Result<(), ImportError> {
    let line = serde_json::to_string(value).map_err(|error| ImportError::Report(error.into()))?;
    writeln!(report, "{line}").map_err(ImportError::Report)
}

fn format_of(file: &Path) -> Option<Format> {
    match file.extension()?.to_str()? {
        "jsonl" | "ndjson" => Some(Format::JsonLines),
        "csv" => Some(Format::Csv),
        _ => None,
    }
}

/// A stream as a file, which can be read again.
fn spooled(mut input: impl Read) -> io::Result<File> {
    let mut file = tempfile::tempfile()?;
    io::copy(&mut input.by_ref().take(MOST_BYTES + 1), &mut file)?;
    Ok(file)
}

/// The key of a file: the same file for the same entity is recorded once, also when it is not known whether the last attempt was.
fn key_of(mut file: &File, entity: &str) -> io::Result<IdempotencyKey> {
    let mut hash = Sha256::new();
    file.rewind()?;
    io::copy(&mut file, &mut hash)?;
    hash.update(entity);
    let fingerprint = hex(&hash.finalize());
    Ok(IdempotencyKey { key: format!("import-{fingerprint}"), fingerprint })
}

/// Progress on standard error: over and over on one line of a terminal, else line by line.
struct Progress {
    begun: Instant,
    shown: Instant,
}

impl Progress {
    fn new() -> Progress {
        Progress { begun: Instant::now(), shown: Instant::now() }
    }

    fn show_now_and_then(&mut self, summary: &ImportSummary) {
        if self.shown.elapsed() >= EVERY {
            self.show(summary);
        }
    }

    fn show(&mut self, summary: &ImportSummary) {
        self.shown = Instant::now();
        let ImportSummary { rows, refused, .. } = summary;
        let a_second = u128::from(*rows) * 1_000 / self.begun.elapsed().as_millis().max(1);
        let mut output = io::stderr();
        let end = if output.is_terminal() { "\r" } else { "\n" };
        // Standard error may be closed; there is nobody to show anything then.
        let _ = write!(output, "{rows} rows, {refused} refused, {a_second} rows a second{end}");
    }
}
