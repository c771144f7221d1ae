//! The file of an import.

use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, Seek};
use std::sync::atomic::{AtomicU64, Ordering};

use super::rows::Rows;
use crate::http::problem::Problem;
use crate::posting::{IssueDocuments, IssueSource, NumberedIssue};

/// How rows are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A JSON object a line.
    #[value(name = "jsonl")]
    JsonLines,
    /// RFC 4180, with a header.
    Csv,
}

/// A file of rows for an entity, whole by now. It is read by one reader at a time.
pub struct Upload {
    file: File,
    format: Format,
    entity: String,
    written: AtomicU64,
}

impl Upload {
    pub fn new(file: File, format: Format, entity: &str) -> Upload {
        Upload { file, format, entity: entity.to_owned(), written: AtomicU64::new(0) }
    }

    /// The entity whose issues the rows are.
    pub fn entity(&self) -> &str {
        &self.entity
    }

    /// How many rows of it are written, committed or not.
    pub fn written(&self) -> u64 {
        self.written.load(Ordering::Relaxed)
    }

    /// Its rows from the first one on.
    ///
    /// # Errors
    /// When it cannot be read, or its header names columns that there are not.
    pub fn rows(&self) -> Result<Rows, Problem> {
        let mut file = self.file.try_clone().map_err(Problem::internal)?;
        file.rewind().map_err(Problem::internal)?;
        Rows::of(BufReader::with_capacity(1 << 16, file), self.format, &self.entity)
    }
}

impl fmt::Debug for Upload {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Upload").field("format", &self.format).field("entity", &self.entity).finish_non_exhaustive()
    }
}

/// The rows once they were checked: one that cannot be read now is a fault.
impl IssueSource for Upload {
    fn documents(&self) -> io::Result<IssueDocuments> {
        self.written.store(0, Ordering::Relaxed);
        let rows = self.rows().map_err(io::Error::other)?;
        Ok(Box::new(rows.map(|row| {
            let row = row.map_err(io::Error::other)?;
            let document = row.issue.map_err(io::Error::other)?;
            Ok(NumberedIssue { line: row.line, document })
        })))
    }

    fn written(&self, rows: u64) {
        self.written.store(rows, Ordering::Relaxed);
    }
}
