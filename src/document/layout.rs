//! CSV layouts: how the journal lines of an entity are written for the system that reads them.

mod checked;
mod date_pattern;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use checked::{Cell, Column, Layout, LayoutError, in_latin1};
pub use date_pattern::DatePart;

/// One column of a layout. Give `field` or `constant`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ColumnDocument {
    /// Its text in the header row; the name of the field if absent, and nothing of a constant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Document no.")]
    pub header: Option<String>,
    /// What it carries of a journal line: `number`, `revision`, `release`, `entity`, `posting_date`, `effective_date`, `currency`, `entry`,
    /// `kind`, `line`, `account`, `account_name`, `account_role`, `debit`, `credit`, `amount`, `bond_issue`, `reference`, `isin`, `event`,
    /// `memo`, `content_sha256`, or `dimension:` with the name of a dimension. `amount` is debit or credit as one signed figure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "number")]
    pub field: Option<String>,
    /// The same text in every row.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub constant: Option<String>,
}

/// Which side of a signed amount is positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AmountSignName {
    #[default]
    DebitPositive,
    CreditPositive,
}

/// What stands before the decimals. There is never a mark between thousands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum DecimalMarkName {
    #[default]
    #[serde(rename = ".")]
    Point,
    #[serde(rename = ",")]
    Comma,
}

/// What stands between two cells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DelimiterName {
    #[default]
    Comma,
    Semicolon,
    Tab,
    Pipe,
}

/// Which cells stand in double quotes. A double quote inside is doubled (RFC 4180).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum QuotingName {
    /// Those that hold the delimiter, a double quote or an end of line.
    #[default]
    WhereNeeded,
    Always,
}

/// What ends a row, the last one too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LineEndName {
    #[default]
    Crlf,
    Lf,
}

/// How characters become bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum EncodingName {
    #[default]
    #[serde(rename = "utf-8")]
    Utf8,
    /// A character that it does not have makes the request fail with `not_in_encoding`, unless there is a `replacement`.
    #[serde(rename = "iso-8859-1")]
    Latin1,
}

/// What becomes of a text that a spreadsheet would take for a formula: one that begins with `=`, `+`, `-`, `@`, TAB or CR.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FormulaTextName {
    /// It is led by an apostrophe, so that no spreadsheet runs it.
    #[default]
    Apostrophe,
    /// It is written as it is: for a ledger that would keep the apostrophe, and a file that nobody opens in a spreadsheet.
    Raw,
}

/// How journal lines are written as CSV, one row a line. The same layout serves one batch or a whole period: which of them a file is, its
/// address says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LayoutDocument {
    /// In order, 1 to 200. `debit` and `credit` are among them, or `amount`.
    #[schema(min_items = 1, max_items = 200)]
    pub columns: Vec<ColumnDocument>,
    /// Only with a column `amount`; `debit_positive` if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amount_sign: Option<AmountSignName>,
    /// One that is the delimiter too needs `quoting` of `always`.
    #[serde(default)]
    pub decimal_mark: DecimalMarkName,
    /// Year (`YYYY` or `YY`), month (`MM`) and day (`DD`), each once and in any order, with `-`, `.`, `/`, a space or nothing between them.
    #[serde(default = "iso_8601")]
    #[schema(example = "DD.MM.YYYY", default = "YYYY-MM-DD")]
    pub date_pattern: String,
    #[serde(default)]
    pub delimiter: DelimiterName,
    #[serde(default)]
    pub quoting: QuotingName,
    /// Whether the first row holds the headers.
    #[serde(default = "yes")]
    #[schema(default = true)]
    pub header: bool,
    #[serde(default)]
    pub line_end: LineEndName,
    #[serde(default)]
    pub encoding: EncodingName,
    /// Whether a file in UTF-8 begins with one.
    #[serde(default)]
    pub byte_order_mark: bool,
    /// Of `iso-8859-1`: the one character that takes the place of each that the encoding does not have.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "?")]
    pub replacement: Option<String>,
    #[serde(default)]
    pub formula_text: FormulaTextName,
}

impl Default for LayoutDocument {
    /// As if every field with a default were absent, and without columns.
    fn default() -> LayoutDocument {
        LayoutDocument {
            columns: Vec::new(),
            amount_sign: None,
            decimal_mark: DecimalMarkName::default(),
            date_pattern: iso_8601(),
            delimiter: DelimiterName::default(),
            quoting: QuotingName::default(),
            header: yes(),
            line_end: LineEndName::default(),
            encoding: EncodingName::default(),
            byte_order_mark: false,
            replacement: None,
            formula_text: FormulaTextName::default(),
        }
    }
}

fn iso_8601() -> String {
    "YYYY-MM-DD".to_owned()
}

fn yes() -> bool {
    true
}

/// A stored layout. A version never changes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StoredLayout {
    #[schema(example = "ledger-import")]
    pub name: String,
    /// Counts from 1; storing a layout that differs from the newest one makes the next.
    pub version: i64,
    pub recorded_at: String,
    pub layout: LayoutDocument,
}
