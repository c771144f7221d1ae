//! Workbooks of reports: made beside what else is answered, a page of issues at a time, in a temporary file.

use axum::response::Response;

use crate::export::xlsx::WorkbookError;
use crate::export::xlsx::rollforward::Book;
use crate::http::accept::Media;
use crate::http::file::TemporaryFile;
use crate::http::problem::{self, Problem};
use crate::reading::{Library, RollforwardDocument};

/// A rollforward as a workbook.
pub(super) async fn rollforward(library: &Library, report: RollforwardDocument) -> Result<Response, Problem> {
    let mut read = library.begin_books(&report).await?;
    let mut book = aside(move || Ok((Book::begin(&report)?, report))).await?;
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
        WorkbookError::TooWide(_) | WorkbookError::TooLong(_) => {
            Problem::new(problem::NOT_ACCEPTABLE, error.to_string())
        }
        WorkbookError::Apart(_)
        | WorkbookError::Figure(_)
        | WorkbookError::Workbook(_)
        | WorkbookError::Writing(_) => Problem::internal(error),
    }
}
