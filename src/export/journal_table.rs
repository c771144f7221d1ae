//! The lines of journal batches as one table: what every tabular representation of a batch shows.

use std::collections::BTreeSet;

use crate::document::{BatchDocument, EntryDocument, LineDocument};

/// The columns that every table begins with. One for each dimension follows.
pub const COLUMNS: [&str; 21] = [
    "number",
    "revision",
    "release",
    "entity",
    "posting_date",
    "effective_date",
    "currency",
    "entry",
    "kind",
    "line",
    "account",
    "account_name",
    "account_role",
    "debit",
    "credit",
    "bond_issue",
    "reference",
    "isin",
    "event",
    "memo",
    "content_sha256",
];

/// A cell by what it holds, so that each representation writes it in its own way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cell<'a> {
    Empty,
    Text(&'a str),
    /// `YYYY-MM-DD`.
    Date(&'a str),
    /// A decimal with all decimals of its currency.
    Amount(&'a str),
    Count(i64),
}

impl<'a> Cell<'a> {
    pub fn text(text: Option<&'a str>) -> Cell<'a> {
        text.map_or(Cell::Empty, Cell::Text)
    }

    pub fn count(count: Option<i64>) -> Cell<'a> {
        count.map_or(Cell::Empty, Cell::Count)
    }
}

/// The lines of batches in order, one a row, with a column for each dimension name that occurs in them, in order of the names.
///
/// Columns are found by their place: a dimension may have the name of a column.
#[derive(Clone, Debug)]
pub struct JournalTable<'a> {
    batches: &'a [BatchDocument],
    dimensions: BTreeSet<&'a str>,
}

impl<'a> JournalTable<'a> {
    /// The table of some batches.
    pub fn of(batches: &'a [BatchDocument]) -> JournalTable<'a> {
        let lines = batches.iter().flat_map(|batch| &batch.entries).flat_map(|entry| &entry.lines);
        JournalTable {
            batches,
            dimensions: lines.flat_map(|line| line.dimensions.keys().map(String::as_str)).collect(),
        }
    }

    /// The names of the columns.
    pub fn header(&self) -> impl Iterator<Item = &'a str> + '_ {
        COLUMNS.into_iter().chain(self.dimensions.iter().copied())
    }

    /// The rows, each with a cell for every column.
    pub fn rows(&self) -> impl Iterator<Item = Vec<Cell<'a>>> + '_ {
        self.batches.iter().flat_map(move |batch| {
            batch.entries.iter().flat_map(move |entry| entry.lines.iter().map(move |line| self.row(batch, entry, line)))
        })
    }

    fn row(&self, batch: &'a BatchDocument, entry: &'a EntryDocument, line: &'a LineDocument) -> Vec<Cell<'a>> {
        let on = |side: &str| if line.side == side { Cell::Amount(&line.amount) } else { Cell::Empty };
        let mut row = Vec::with_capacity(COLUMNS.len() + self.dimensions.len());
        let columns: [Cell<'a>; COLUMNS.len()] = [
            Cell::text(batch.number.as_deref()),
            Cell::count(batch.revision),
            Cell::count(batch.release),
            Cell::Text(&batch.entity),
            Cell::Date(&batch.posting_date),
            Cell::Date(&batch.effective_date),
            Cell::Text(&batch.currency),
            Cell::count(i64::try_from(entry.sequence).ok()),
            Cell::Text(&entry.kind),
            Cell::count(i64::try_from(line.line).ok()),
            Cell::text(line.account.as_deref()),
            Cell::text(line.account_name.as_deref()),
            Cell::Text(&line.account_role),
            on("debit"),
            on("credit"),
            Cell::text(entry.bond_issue.as_deref()),
            Cell::Text(&entry.reference),
            Cell::text(entry.isin.as_deref()),
            Cell::text(entry.event.as_deref()),
            Cell::Text(&line.memo),
            Cell::text(batch.content_sha256.as_deref()),
        ];
        row.extend(columns);
        row.extend(self.dimensions.iter().map(|name| Cell::text(line.dimensions.get(*name).map(String::as_str))));
        row
    }
}
