//! What is told of an import.

use serde::Serialize;

use crate::http::problem::{FieldError, Problem};

/// What became of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RowStatus {
    /// The issue is recorded.
    Recorded,
    /// It was recorded before, with the same terms.
    Present,
    Refused,
}

/// One line of the report of an import row by row.
#[derive(Clone, Debug, Serialize)]
pub struct RowReport {
    /// The line of the file on which the row begins, from 1.
    pub line: u64,
    pub status: RowStatus,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// The id of the issue that is recorded or present.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bond_issue: Option<String>,
    /// Why it is refused: the problem that the row alone would have been answered with.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub problem: Option<serde_json::Value>,
}

/// How many rows became what.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct ImportSummary {
    pub rows: u64,
    pub recorded: u64,
    pub present: u64,
    pub refused: u64,
}

impl ImportSummary {
    /// Counts a row.
    pub fn count(&mut self, status: RowStatus) {
        self.rows += 1;
        match status {
            RowStatus::Recorded => self.recorded += 1,
            RowStatus::Present => self.present += 1,
            RowStatus::Refused => self.refused += 1,
        }
    }
}

/// What is wrong with a row, each with its line, and the code of the row's refusal.
pub(super) fn on_line(problem: &Problem, line: u64) -> Vec<FieldError> {
    let whole = [FieldError::new("", problem.detail())];
    let errors = if problem.errors().is_empty() { &whole } else { problem.errors() };
    errors.iter().map(|error| error.within("", problem.code()).on_line(line)).collect()
}
