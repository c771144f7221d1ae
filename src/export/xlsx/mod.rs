//! Workbooks (Office Open XML): texts, exact dates and numbers, without macros, hidden sheets, merged cells or links out of them. A batch
//! is one without formulas; a rollforward is one whose figures are formulas down to what was put in, with ours beside them.
//!
//! A spreadsheet keeps numbers in binary floating point, which is exact for 15 significant digits. An amount of more is written as
//! text, and the first sheet says so. The same document makes the same bytes.

mod batch;
mod cell;
mod formats;
pub mod rollforward;

use std::io;

use rust_xlsxwriter::XlsxError;

pub use batch::batch;

/// The most columns of a sheet.
const MOST_COLUMNS: usize = 16_384;
/// The most rows of a sheet.
pub const MOST_ROWS: u32 = 1_048_576;

/// Why there is no workbook.
#[derive(Debug, thiserror::Error)]
pub enum WorkbookError {
    #[error(
        "the batch has {0} columns, one for each dimension among them, and a worksheet holds {MOST_COLUMNS}; ask for csv or json"
    )]
    TooWide(usize),
    #[error(
        "the sheet {sheet} would have more than the {most} rows that a worksheet holds; ask for csv or json, or for fewer days"
    )]
    TooLong { sheet: &'static str, most: u32 },
    #[error("what was read for the workbook is not what its report is of: {0}")]
    Apart(&'static str),
    #[error("a figure left the range of exact arithmetic")]
    Figure(#[from] crate::accounting::Refusal),
    #[error("the workbook cannot be made")]
    Workbook(#[from] XlsxError),
    #[error("the workbook cannot be written")]
    Writing(#[from] io::Error),
}
