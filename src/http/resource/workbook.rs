//! Workbooks of reports: made beside what else is answered, a page of issues at a time, in a temporary file.

use std::sync::Arc;
use std::time::Duration;

use axum::response::Response;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::export::xlsx::rollforward::Book;
use crate::export::xlsx::{MOST_ROWS, WorkbookError};
use crate::http::accept::Media;
use crate::http::file::TemporaryFile;
use crate::http::problem::{self, Problem};
use crate::reading::{Library, RollforwardDocument};

/// How many workbooks of reports are made at a time, and how long their sheets may be. Each holds its report and a page of issues in memory,
/// beside temporary files.
#[derive(Clone, Debug)]
pub struct Workbooks {
    pub most_rows: u32,
    at_once: Arc<Semaphore>,
    wait: Duration,
}

impl Default for Workbooks {
    /// Two at a time, for which others wait twenty seconds.
    fn default() -> Workbooks {
        Workbooks::new(MOST_ROWS, 2, Duration::from_secs(20))
    }
}

impl Workbooks {
    /// So many at a time, for which another waits so long.
    pub fn new(most_rows: u32, at_once: usize, wait: Duration) -> Workbooks {
        Workbooks { most_rows, at_once: Arc::new(Semaphore::new(at_once)), wait }
    }

    /// The turn to make one, which ends when it is dropped.
    ///
    /// # Errors
    /// When others are being made for longer than one waits.
    pub async fn turn(&self) -> Result<OwnedSemaphorePermit, Problem> {
        match tokio::time::timeout(self.wait, Arc::clone(&self.at_once).acquire_owned()).await {
            Ok(turn) => turn.map_err(Problem::internal),
            Err(_) => {
                let waited = self.wait.as_secs();
                let detail = format!(
                    "as many workbooks as fit are being made, and none was done within {waited} seconds; ask again"
                );
                Err(Problem::new(problem::UNAVAILABLE, detail)
                    .retry_after(u32::try_from(waited).unwrap_or(u32::MAX).max(1)))
            }
        }
    }
}

/// A rollforward as a workbook, whose sheets may have so many rows.
pub(super) async fn rollforward(
    library: &Library,
    report: RollforwardDocument,
    most_rows: u32,
) -> Result<Response, Problem> {
    let mut read = library.begin_books(&report).await?;
    let mut book = aside(move || Ok((Book::begin(&report, most_rows)?, report))).await?;
    loop {
        let page = library.next_books(&mut read).await?;
        if page.is_empty() {
            break;
        }
        book = aside(move || {
            book.0.add(&page)?;
            Ok(book)
        })
        .await?;
    }
    let (book, report) = book;
    let name = format!("rollforward-{}-{}-{}", report.entity, report.from, report.to);
    let file = aside(move || {
        let mut file = TemporaryFile::new()?;
        book.finish(&report, &mut file)?;
        Ok(file)
    })
    .await?;
    file.answer(Media::Xlsx, &name)
}

/// Work that takes long, in which others are to be answered.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, WorkbookError> + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(Problem::internal)?.map_err(no_workbook)
}

/// Why there is no workbook, to the caller.
pub(super) fn no_workbook(error: WorkbookError) -> Problem {
    match error {
        WorkbookError::TooWide(_) | WorkbookError::TooLong { .. } => {
            Problem::new(problem::NOT_ACCEPTABLE, error.to_string())
        }
        WorkbookError::Apart(_) | WorkbookError::Figure(_) | WorkbookError::Workbook(_) | WorkbookError::Writing(_) => {
            Problem::internal(error)
        }
    }
}
