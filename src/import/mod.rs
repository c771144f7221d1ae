//! Bond issues and opening balances in bulk: a file of rows is read, checked and recorded, in bounded memory.
//!
//! Each row is the body of one bond issue. All of them are recorded in one commit, or each is a command of its own with a report.
//! A file is read more than once, so it is a file by then: whoever sends one slowly holds nothing up.
//!
//! Reading order: `upload` (the file), `rows` with `json_lines` and `csv` (its rows), `atomic` and `per_row` (what becomes of them),
//! `command` (the same from the command line).

mod atomic;
pub mod command;
mod csv;
mod json_lines;
mod per_row;
mod report;
mod rows;
mod upload;

pub use atomic::{check, record};
pub use per_row::record_each;
pub use report::{ImportSummary, RowReport, RowStatus};
pub use rows::Row;
pub use upload::{Format, Upload};

use serde::Deserialize;
use utoipa::ToSchema;

/// The most rows of one import. A larger portfolio is imported in several.
pub const MOST_ROWS: u64 = 100_000;
/// The longest file, in bytes.
pub const MOST_BYTES: u64 = 256 << 20;
/// The longest row, in bytes: as long as the body of one bond issue.
const MOST_OF_A_ROW: u64 = 1 << 20;

/// What becomes of the rows when some are refused.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, ToSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
#[value(rename_all = "kebab-case")]
pub enum Mode {
    /// All rows are recorded in one commit, or none.
    #[default]
    Atomic,
    /// Each row is recorded by itself, and told of.
    PerRow,
}

/// Who imports, as the audit records have it.
#[derive(Clone, Debug)]
pub struct Importer {
    pub recorder: crate::posting::Recorder,
    pub request_id: String,
    pub actor: String,
}
