//! A layout that is known to be right: what is wrong with one is said here, all at once.

use super::super::journal_line::Field;
use super::date_pattern::{DatePart, date_parts};
use super::{
    AmountSignName, ColumnDocument, DecimalMarkName, DelimiterName, EncodingName, LayoutDocument, QuotingName,
};

/// How many columns a layout has at most.
const MOST_COLUMNS: usize = 200;
/// How many characters a header, a constant or the name of a dimension has at most.
const LONGEST_TEXT: usize = 200;
/// How the name of a dimension is told from that of a field.
const DIMENSION: &str = "dimension:";

/// What a column holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    Field(Field),
    /// The dimension of this name.
    Dimension(String),
    Constant(String),
}

/// A column with the text of its header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    pub header: String,
    pub cell: Cell,
}

/// A layout by which every journal line can be written, unless its encoding lacks a character.
///
/// Guarantees: it has columns, and they show every amount; headers and constants are of its encoding; what it writes can be told
/// apart again by its own rules.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    document: LayoutDocument,
    columns: Vec<Column>,
    date: Vec<DatePart>,
    replacement: Option<char>,
}

/// What is wrong with a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LayoutError {
    /// The JSON pointer of what is wrong.
    pub pointer: String,
    /// What to change.
    pub detail: String,
}

/// Whether ISO 8859-1 has a character. Its bytes from 0x80 to 0x9F are control characters at most, and readers take them for others.
pub fn in_latin1(character: char) -> bool {
    matches!(character, '\0'..='\u{7f}' | '\u{a0}'..='\u{ff}')
}

impl Layout {
    /// Checks a layout.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn new(document: LayoutDocument) -> Result<Layout, Vec<LayoutError>> {
        let mut errors = Errors(Vec::new());
        let columns = errors.columns(&document);
        errors.amounts(&document, &columns);
        errors.marks(&document);
        let date = errors.date(&document.date_pattern);
        let replacement = errors.encoding(&document);
        errors.texts(&document, replacement);
        match errors.0.is_empty() {
            true => Ok(Layout { document, columns, date, replacement }),
            false => Err(errors.0),
        }
    }

    /// The one that a file is written by where none is asked for: every field as it is, then dimensions.
    pub fn plain(dimensions: impl IntoIterator<Item = String>) -> Layout {
        let column = |cell, header: String| Column { header, cell };
        let fields = Field::plain().map(|field| column(Cell::Field(field), field.name().to_owned()));
        let dimensions = dimensions.into_iter().map(|name| column(Cell::Dimension(name.clone()), name));
        Layout {
            columns: fields.chain(dimensions).collect(),
            date: [DatePart::Year, DatePart::Separator('-'), DatePart::Month, DatePart::Separator('-'), DatePart::Day]
                .into(),
            replacement: None,
            document: LayoutDocument::default(),
        }
    }

    /// The layout as it was stated.
    pub fn document(&self) -> &LayoutDocument {
        &self.document
    }

    /// Its columns, in order.
    pub fn columns(&self) -> &[Column] {
        &self.columns
    }

    /// The parts of a date, in order.
    pub fn date(&self) -> &[DatePart] {
        &self.date
    }

    /// What takes the place of a character that the encoding does not have.
    pub fn replacement(&self) -> Option<char> {
        self.replacement
    }

    /// Whether a debit is positive in a signed amount.
    pub fn debit_is_positive(&self) -> bool {
        self.document.amount_sign.unwrap_or_default() == AmountSignName::DebitPositive
    }

    /// Whether some text may hold a character that cannot be written.
    pub fn may_lack_characters(&self) -> bool {
        self.document.encoding == EncodingName::Latin1 && self.replacement.is_none()
    }
}

struct Errors(Vec<LayoutError>);

impl Errors {
    fn add(&mut self, pointer: impl Into<String>, detail: impl Into<String>) {
        self.0.push(LayoutError { pointer: pointer.into(), detail: detail.into() });
    }

    fn columns(&mut self, document: &LayoutDocument) -> Vec<Column> {
        match document.columns.len() {
            0 => self.add("/columns", "there is no column; give at least one, and at most 200"),
            1..=MOST_COLUMNS => {}
            count => self.add("/columns", format!("there are {count} columns; give at most {MOST_COLUMNS}")),
        }
        let mut columns: Vec<Column> = Vec::new();
        for (at, stated) in document.columns.iter().enumerate().take(MOST_COLUMNS) {
            let Some(cell) = self.cell(at, stated) else { continue };
            let named = stated.field.clone().unwrap_or_default();
            let header = stated.header.clone().unwrap_or(named);
            if document.header && !header.is_empty() && columns.iter().any(|other| other.header == header) {
                let detail = format!("an earlier column has the header {header:?} already; give this one another");
                self.add(format!("/columns/{at}/header"), detail);
            }
            columns.push(Column { header, cell });
        }
        columns
    }

    fn cell(&mut self, at: usize, stated: &ColumnDocument) -> Option<Cell> {
        let (field, constant) = (stated.field.as_deref(), stated.constant.as_deref());
        let name = match (field, constant) {
            (None, Some(text)) => return Some(Cell::Constant(text.to_owned())),
            (Some(name), None) => name,
            (Some(_), Some(_)) => {
                self.add(format!("/columns/{at}"), "a column has a field or a constant; remove one of them");
                return None;
            }
            (None, None) => {
                self.add(format!("/columns/{at}"), "the column carries nothing; give a field or a constant");
                return None;
            }
        };
        let pointer = || format!("/columns/{at}/field");
        if let Some(dimension) = name.strip_prefix(DIMENSION) {
            if dimension.is_empty() {
                self.add(pointer(), "write the name of the dimension after \"dimension:\"");
                return None;
            }
            return Some(Cell::Dimension(dimension.to_owned()));
        }
        let known = Field::ALL.iter().copied().find(|field| field.name() == name);
        if known.is_none() {
            let names: Vec<&str> = Field::ALL.iter().map(|field| field.name()).collect();
            let detail = format!("there is no field {name:?}; expected {}, or dimension:<name>", names.join(", "));
            self.add(pointer(), detail);
        }
        known.map(Cell::Field)
    }

    /// Every amount is shown once: a file without its debits posts something else.
    fn amounts(&mut self, document: &LayoutDocument, columns: &[Column]) {
        let has = |field| columns.iter().any(|column| column.cell == Cell::Field(field));
        let (debit, credit, amount) = (has(Field::Debit), has(Field::Credit), has(Field::Amount));
        match (debit, credit, amount) {
            (true, true, false) | (false, false, true) => {}
            (false, false, false) if columns.len() < document.columns.len() => {} // What is wrong is said already.
            (false, false, false) => {
                self.add("/columns", "no column carries an amount; add debit and credit, or one signed amount");
            }
            (true, false, false) => self.add("/columns", "credits would be lost; add a column with the field credit"),
            (false, true, false) => self.add("/columns", "debits would be lost; add a column with the field debit"),
            (_, _, true) => {
                let detail = "amount says what debit and credit say; keep the signed amount, or debit and credit";
                self.add("/columns", detail);
            }
        }
        if document.amount_sign.is_some() && !amount {
            self.add("/amount_sign", "debit and credit have no sign; remove it, or carry one signed amount instead");
        }
    }

    fn marks(&mut self, document: &LayoutDocument) {
        let both = document.decimal_mark == DecimalMarkName::Comma && document.delimiter == DelimiterName::Comma;
        if both && document.quoting != QuotingName::Always {
            let detail =
                "a comma ends the cell too; take another decimal mark or delimiter, or set quoting to \"always\"";
            self.add("/decimal_mark", detail);
        }
    }

    fn date(&mut self, pattern: &str) -> Vec<DatePart> {
        let rule = "write year (YYYY or YY), month (MM) and day (DD) once each, with -, ., / or a space between them or nothing";
        match date_parts(pattern) {
            Ok(parts) => parts,
            Err(why) => {
                let shown: String = pattern.chars().take(40).collect();
                self.add("/date_pattern", format!("{shown:?} {why}; {rule}"));
                Vec::new()
            }
        }
    }

    fn encoding(&mut self, document: &LayoutDocument) -> Option<char> {
        let latin1 = document.encoding == EncodingName::Latin1;
        if latin1 && document.byte_order_mark {
            self.add(
                "/byte_order_mark",
                "ISO 8859-1 has no byte order mark; set it to false, or encoding to \"utf-8\"",
            );
        }
        let text = document.replacement.as_deref()?;
        if !latin1 {
            self.add("/replacement", "UTF-8 has every character, so that nothing is replaced; remove it");
            return None;
        }
        let mut characters = text.chars();
        match (characters.next(), characters.next()) {
            // One that begins a formula would make one of a harmless text.
            (Some(only), None) if in_latin1(only) && !only.is_control() && !"=+-@".contains(only) => Some(only),
            _ => {
                let detail =
                    "give one character of ISO 8859-1, such as \"?\": no control character, and none of =, +, - and @";
                self.add("/replacement", detail);
                None
            }
        }
    }

    fn texts(&mut self, document: &LayoutDocument, replacement: Option<char>) {
        for (at, column) in document.columns.iter().enumerate().take(MOST_COLUMNS) {
            let dimension = column.field.as_deref().and_then(|field| field.strip_prefix(DIMENSION));
            let texts =
                [("header", column.header.as_deref()), ("constant", column.constant.as_deref()), ("field", dimension)];
            for (name, text) in texts.into_iter().filter_map(|(name, text)| Some((name, text?))) {
                let is_written = name != "field" || column.header.is_none() && document.header;
                let lacking = document.encoding == EncodingName::Latin1 && is_written && replacement.is_none();
                let problem = match text.chars().find(|one| one.is_control()) {
                    Some(control) => Some(format!("a text of a layout has no control characters; remove {control:?}")),
                    None if text.chars().count() > LONGEST_TEXT => {
                        Some(format!("it has more than {LONGEST_TEXT} characters; shorten it"))
                    }
                    None => text.chars().find(|one| lacking && !in_latin1(*one)).map(|one| {
                        format!(
                            "ISO 8859-1 has no {one:?}; write the text without it, state a replacement, or set encoding to \"utf-8\""
                        )
                    }),
                };
                if let Some(detail) = problem {
                    self.add(format!("/columns/{at}/{name}"), detail);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plain_layout_is_a_layout() {
        let plain = Layout::plain(["desk".to_owned()]);
        assert_eq!(plain.columns().len(), Field::ALL.len());
        let columns = plain.columns().iter().map(|column| ColumnDocument {
            header: Some(column.header.clone()),
            field: match &column.cell {
                Cell::Field(field) => Some(field.name().to_owned()),
                Cell::Dimension(name) => Some(format!("{DIMENSION}{name}")),
                Cell::Constant(_) => None,
            },
            constant: None,
        });
        let stated = Layout::new(LayoutDocument { columns: columns.collect(), ..LayoutDocument::default() });
        assert_eq!(stated.map(|layout| (layout.columns, layout.date)), Ok((plain.columns, plain.date)));
    }
}
