//! The lines of a batch as a table, made from its JSON.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::support::client::{array, text};

/// The columns before those of dimensions.
pub const COLUMNS: &str = "number revision release entity posting_date effective_date currency entry kind line account account_name \
                           account_role debit credit bond_issue reference isin event memo content_sha256";

/// What stands in a cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Expected {
    Nothing,
    Text(String),
    Date(String),
    Amount(String),
    Count(i64),
}

impl Expected {
    /// As a cell of a file of text; a text that a spreadsheet would run is led by an apostrophe.
    pub fn as_text(&self) -> String {
        match self {
            Self::Nothing => String::new(),
            Self::Text(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => format!("'{text}"),
            Self::Text(exact) | Self::Date(exact) | Self::Amount(exact) => exact.clone(),
            Self::Count(count) => count.to_string(),
        }
    }
}

/// A batch as a header and rows.
pub fn of(batch: &Value) -> (Vec<String>, Vec<Vec<Expected>>) {
    let lines = || {
        array(&batch["entries"]).iter().flat_map(|entry| array(&entry["lines"]).iter().map(move |line| (entry, line)))
    };
    let dimensions: BTreeSet<&String> =
        lines().flat_map(|(_, line)| line["dimensions"].as_object().expect("dimensions").keys()).collect();
    let header = COLUMNS.split_whitespace().map(str::to_owned).chain(dimensions.iter().map(|name| (*name).clone()));
    let rows = lines().map(|(entry, line)| {
        let mut row: Vec<Expected> =
            COLUMNS.split_whitespace().map(|column| cell(column, batch, entry, line)).collect();
        row.extend(dimensions.iter().map(|name| shown(&line["dimensions"][*name], Expected::Text)));
        row
    });
    (header.collect(), rows.collect())
}

fn cell(column: &str, batch: &Value, entry: &Value, line: &Value) -> Expected {
    match column {
        "number" | "entity" | "currency" | "content_sha256" => shown(&batch[column], Expected::Text),
        "posting_date" | "effective_date" => shown(&batch[column], Expected::Date),
        "revision" | "release" => batch[column].as_i64().map_or(Expected::Nothing, Expected::Count),
        "entry" => Expected::Count(entry["sequence"].as_i64().expect("a number")),
        "line" => Expected::Count(line["line"].as_i64().expect("a number")),
        "debit" | "credit" if line["side"] == column => shown(&line["amount"], Expected::Amount),
        "debit" | "credit" => Expected::Nothing,
        "kind" | "bond_issue" | "reference" | "isin" | "event" => shown(&entry[column], Expected::Text),
        _ => shown(&line[column], Expected::Text),
    }
}

fn shown(value: &Value, as_what: impl Fn(String) -> Expected) -> Expected {
    if value.is_null() { Expected::Nothing } else { as_what(text(value).to_owned()) }
}
