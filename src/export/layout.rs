//! Journal lines as CSV by a layout.

use std::borrow::Cow;

use csv::{QuoteStyle, Terminator, Writer, WriterBuilder};

use super::csv::harmless;
use crate::document::{
    BatchDocument, Cell, DatePart, DecimalMarkName, DelimiterName, EncodingName, Field, FormulaTextName,
    JournalLineDocument, Layout, LineEndName, QuotingName, Value, in_latin1,
};

/// Why lines could not be written.
#[derive(Debug, thiserror::Error)]
pub enum LayoutWriteError {
    /// A character that the encoding of the layout does not have.
    #[error(
        "ISO 8859-1 has no {character:?}, which stands in the column {column:?} ({text:?}) of line {line} of entry {entry} of {number}; change \
         what it comes from, state a `replacement` in the layout, or set its encoding to \"utf-8\""
    )]
    NotInEncoding { character: char, column: String, text: String, number: String, entry: usize, line: usize },
    /// A layout has no such header.
    #[error("the header {0:?} is not of the encoding of its layout")]
    Header(String),
    /// Writing to memory does not fail.
    #[error("the lines could not be written")]
    Csv(#[from] csv::Error),
}

/// What a file begins with: its byte order mark and its header, as far as it has them.
///
/// # Errors
/// Writing to memory does not fail, and headers are of the layout's encoding.
pub fn head(layout: &Layout) -> Result<Vec<u8>, LayoutWriteError> {
    let document = layout.document();
    let mut bytes = Vec::new();
    if document.byte_order_mark {
        bytes.extend_from_slice("\u{feff}".as_bytes());
    }
    if document.header {
        let mut writer = writer(layout, bytes);
        for column in layout.columns() {
            let text = guarded(layout, &column.header);
            let bytes = encoded(layout, &text).map_err(|_| LayoutWriteError::Header(column.header.clone()))?;
            writer.write_field(bytes)?;
        }
        writer.write_record(None::<&[u8]>)?;
        return finished(writer);
    }
    Ok(bytes)
}

/// The rows of some lines.
///
/// # Errors
/// [`LayoutWriteError::NotInEncoding`].
pub fn rows(
    layout: &Layout,
    lines: impl IntoIterator<Item = JournalLineDocument>,
) -> Result<Vec<u8>, LayoutWriteError> {
    let mut writer = writer(layout, Vec::new());
    for line in lines {
        for column in layout.columns() {
            let text = cell(layout, &column.cell, &line);
            let bytes = encoded(layout, &text).map_err(|character| LayoutWriteError::NotInEncoding {
                character,
                column: column.header.clone(),
                text: text.clone().into_owned(),
                number: line.number.clone(),
                entry: line.entry,
                line: line.line,
            })?;
            writer.write_field(bytes)?;
        }
        writer.write_record(None::<&[u8]>)?;
    }
    finished(writer)
}

/// A file of the lines of some batches; without a layout with every field and dimension.
///
/// # Errors
/// [`LayoutWriteError::NotInEncoding`].
pub fn file(layout: Option<&Layout>, batches: &[BatchDocument]) -> Result<Vec<u8>, LayoutWriteError> {
    let dimensions = || JournalLineDocument::dimensions(batches).into_iter().map(str::to_owned);
    let layout = layout.map_or_else(|| Cow::Owned(Layout::plain(dimensions())), Cow::Borrowed);
    let mut bytes = head(&layout)?;
    bytes.extend(rows(&layout, batches.iter().flat_map(JournalLineDocument::of))?);
    Ok(bytes)
}

/// The media type of what a layout writes (RFC 4180 section 3).
pub fn media_type(layout: &Layout) -> &'static str {
    let document = layout.document();
    match (document.encoding, document.header) {
        (EncodingName::Utf8, true) => "text/csv; charset=utf-8; header=present",
        (EncodingName::Utf8, false) => "text/csv; charset=utf-8; header=absent",
        (EncodingName::Latin1, true) => "text/csv; charset=iso-8859-1; header=present",
        (EncodingName::Latin1, false) => "text/csv; charset=iso-8859-1; header=absent",
    }
}

fn writer(layout: &Layout, begun: Vec<u8>) -> Writer<Vec<u8>> {
    let document = layout.document();
    WriterBuilder::new()
        .delimiter(match document.delimiter {
            DelimiterName::Comma => b',',
            DelimiterName::Semicolon => b';',
            DelimiterName::Tab => b'\t',
            DelimiterName::Pipe => b'|',
        })
        .quote_style(match document.quoting {
            QuotingName::WhereNeeded => QuoteStyle::Necessary,
            QuotingName::Always => QuoteStyle::Always,
        })
        .terminator(match document.line_end {
            LineEndName::Crlf => Terminator::CRLF,
            LineEndName::Lf => Terminator::Any(b'\n'),
        })
        .from_writer(begun)
}

fn finished(writer: Writer<Vec<u8>>) -> Result<Vec<u8>, LayoutWriteError> {
    writer.into_inner().map_err(|error| csv::Error::from(error.into_error()).into())
}

fn cell<'l>(layout: &'l Layout, cell: &'l Cell, line: &'l JournalLineDocument) -> Cow<'l, str> {
    let value = match cell {
        Cell::Constant(text) => Value::Text(text),
        Cell::Dimension(name) => Value::text(line.dimensions.get(name).map(String::as_str)),
        Cell::Field(field) => line.value(*field),
    };
    match value {
        Value::Empty => Cow::Borrowed(""),
        Value::Text(text) => guarded(layout, text),
        Value::Count(count) => count.to_string().into(),
        Value::Date(date) => dated(layout, date).into(),
        Value::Amount(amount) => {
            let is_negative = *cell == Cell::Field(Field::Amount) && line.debit.is_some() != layout.debit_is_positive();
            let amount = if is_negative { Cow::from(format!("-{amount}")) } else { amount.into() };
            match layout.document().decimal_mark {
                DecimalMarkName::Point => amount,
                DecimalMarkName::Comma => amount.replace('.', ",").into(),
            }
        }
    }
}

/// A date `YYYY-MM-DD` by the layout's pattern.
fn dated(layout: &Layout, date: &str) -> String {
    let part = |range| date.get(range).unwrap_or_default();
    let mut text = String::with_capacity(10);
    for written in layout.date() {
        match written {
            DatePart::Year => text.push_str(part(0..4)),
            DatePart::YearOfCentury => text.push_str(part(2..4)),
            DatePart::Month => text.push_str(part(5..7)),
            DatePart::Day => text.push_str(part(8..10)),
            DatePart::Separator(separator) => text.push(*separator),
        }
    }
    text
}

/// A text cell, harmless unless the layout wants it raw.
fn guarded<'t>(layout: &Layout, text: &'t str) -> Cow<'t, str> {
    match layout.document().formula_text {
        FormulaTextName::Apostrophe => harmless(text).into(),
        FormulaTextName::Raw => text.into(),
    }
}

/// The bytes of a text, or the character that cannot be written.
fn encoded<'t>(layout: &Layout, text: &'t str) -> Result<Cow<'t, [u8]>, char> {
    if layout.document().encoding == EncodingName::Utf8 || text.is_ascii() {
        return Ok(text.as_bytes().into());
    }
    let byte = |character: char| match (in_latin1(character), layout.replacement()) {
        (true, _) => u8::try_from(character).map_err(|_| character),
        (false, Some(replacement)) => u8::try_from(replacement).map_err(|_| character),
        (false, None) => Err(character),
    };
    text.chars().map(byte).collect::<Result<Vec<u8>, char>>().map(Cow::from)
}
