//! A batch as a workbook.

use std::io::Write;

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook, Worksheet, XlsxError};

use super::formats::{FIRST_DAY, Formats, exact_number, fitting};
use super::{MOST_COLUMNS, WorkbookError};
use crate::document::{BatchDocument, Field, JournalLineDocument, Value};
use crate::reading::CAUTION;

/// Of more lines the cells wait in a temporary file without a name: in memory they take five times as much as what they show.
const MANY_LINES: usize = 5_000;

const AMOUNTS: &str = "Amounts are numbers with the decimals of the currency. A spreadsheet keeps 15 significant digits of a number: an \
                       amount of more is text here, as it is exact in the JSON and CSV of the batch.";

/// Writes a batch as a workbook: a sheet about it, and a sheet with a row for each of its lines.
///
/// # Errors
/// [`WorkbookError::TooWide`] if there are more dimensions than columns of a sheet; those of `out`.
pub fn batch(batch: &BatchDocument, mut out: impl Write) -> Result<(), WorkbookError> {
    let formats = Formats::of(&batch.currency);
    let number = batch.number.as_deref().unwrap_or_default();
    let mut workbook = Workbook::new();
    let mut properties = DocProperties::new().set_title(number).set_comment(CAUTION);
    // The time of the file is that of the batch, in whole seconds, as the library writes no fraction well.
    let seconds = batch.recorded_at.as_deref().and_then(|time| time.split('.').next());
    if let Some(Ok(time)) = seconds.map(ExcelDateTime::parse_from_str) {
        properties = properties.set_creation_datetime(&time);
    }
    workbook.set_properties(&properties);
    about(batch, &formats, workbook.add_worksheet().set_name("Batch")?)?;
    let sheet = match batch.totals.lines > MANY_LINES {
        true => workbook.add_worksheet_with_low_memory()?,
        false => workbook.add_worksheet(),
    };
    lines(batch, &formats, sheet.set_name("Lines")?)?;
    Ok(out.write_all(&workbook.save_to_buffer()?)?)
}

impl Formats {
    fn write(&self, sheet: &mut Worksheet, row: u32, column: u16, value: Value<'_>) -> Result<(), XlsxError> {
        match value {
            Value::Empty | Value::Text("") => return Ok(()),
            Value::Text(text) => sheet.write_string_with_format(row, column, fitting(text), &self.plain)?,
            Value::Count(count) => sheet.write(row, column, count)?,
            Value::Date(date) => match ExcelDateTime::parse_from_str(date) {
                Ok(day) if date >= FIRST_DAY => sheet.write_datetime_with_format(row, column, day, &self.date)?,
                _ => sheet.write_string_with_format(row, column, date, &self.plain)?,
            },
            Value::Amount(amount) => match exact_number(amount) {
                Some(number) => sheet.write_number_with_format(row, column, number, &self.amount)?,
                None => sheet.write_string_with_format(row, column, amount, &self.amount_text)?,
            },
        };
        Ok(())
    }
}

/// The sheet about the batch: a name and a value a row, then what a reader should know.
fn about(batch: &BatchDocument, formats: &Formats, sheet: &mut Worksheet) -> Result<(), XlsxError> {
    let (totals, effects) = (&batch.totals, &batch.statement_effects);
    let rows = [
        ("Batch", Value::text(batch.number.as_deref())),
        ("Entity", Value::text(Some(&batch.entity))),
        ("Status", Value::text(Some(&batch.status))),
        ("Release", Value::count(batch.release)),
        ("Revision", Value::count(batch.revision)),
        ("Posting date", Value::Date(&batch.posting_date)),
        ("Effective date", Value::Date(&batch.effective_date)),
        ("Currency", Value::text(Some(&batch.currency))),
        ("Entries", Value::count(i64::try_from(totals.entries).ok())),
        ("Lines", Value::count(i64::try_from(totals.lines).ok())),
        ("Total debit", Value::Amount(&totals.debit)),
        ("Total credit", Value::Amount(&totals.credit)),
        ("Effect on assets", Value::Amount(&effects.assets)),
        ("Effect on liabilities", Value::Amount(&effects.liabilities)),
        ("Effect on equity", Value::Amount(&effects.equity)),
        ("of which net income", Value::Amount(&effects.net_income)),
        ("Recorded at", Value::text(batch.recorded_at.as_deref())),
        ("Id", Value::text(batch.id.as_deref())),
        ("Inverts the batch", Value::text(batch.reverses.as_deref())),
        ("Inverted by the batch", Value::text(batch.reversed_by.as_deref())),
        ("Content SHA-256", Value::text(batch.content_sha256.as_deref())),
    ];
    let mut at = 0;
    for (name, value) in rows.into_iter().filter(|(_, value)| *value != Value::Empty) {
        sheet.write_string_with_format(at, 0, name, &formats.heading)?;
        formats.write(sheet, at, 1, value)?;
        at += 1;
    }
    for (name, sentence) in [("Amounts", AMOUNTS), ("Caution", CAUTION)] {
        sheet.write_string_with_format(at, 0, name, &formats.heading)?;
        sheet.write_string_with_format(at, 1, sentence, &formats.sentence)?;
        at += 1;
    }
    sheet.set_column_width(0, 22)?.set_column_width(1, 72)?;
    print_set_up(batch, sheet);
    Ok(())
}

/// The sheet of the lines. Its header stays in sight, and on every page.
fn lines(batch: &BatchDocument, formats: &Formats, sheet: &mut Worksheet) -> Result<(), WorkbookError> {
    let dimensions = JournalLineDocument::dimensions(std::slice::from_ref(batch));
    // Columns are found by their place: a dimension may have the name of a field.
    let fields = Field::plain().map(|field| field.name());
    let header: Vec<&str> = fields.chain(dimensions.iter().copied()).collect();
    let last = u16::try_from(header.len().saturating_sub(1)).unwrap_or(u16::MAX);
    if header.len() > MOST_COLUMNS {
        return Err(WorkbookError::TooWide(header.len()));
    }
    for (name, column) in header.into_iter().zip(0..) {
        sheet.write_string_with_format(0, column, fitting(name), &formats.heading)?;
        sheet.set_column_width(column, width(name))?;
    }
    let mut row = 0;
    for line in JournalLineDocument::of(batch) {
        row += 1;
        let dimension = |name: &&str| Value::text(line.dimensions.get(*name).map(String::as_str));
        let values = Field::plain().map(|field| line.value(field)).chain(dimensions.iter().map(dimension));
        for (value, column) in values.zip(0..) {
            formats.write(sheet, row, column, value)?;
        }
    }
    sheet.set_freeze_panes(1, 0)?.set_repeat_rows(0, 0)?.autofilter(0, 0, row, last)?;
    sheet.set_landscape().set_print_fit_to_pages(1, 0);
    print_set_up(batch, sheet);
    Ok(())
}

/// What every page says. The paper is the printer's.
fn print_set_up(batch: &BatchDocument, sheet: &mut Worksheet) {
    let number = batch.number.as_deref().unwrap_or_default();
    sheet.set_paper_size(0).set_header(format!("&L{number}&R&A")).set_footer("&CPage &P of &N");
}

/// A column's width in characters: as much as its usual values need.
fn width(column: &str) -> u16 {
    match column {
        "bond_issue" | "event" => 44,
        "content_sha256" => 66,
        "memo" => 48,
        "account_name" | "account_role" => 30,
        "number" | "debit" | "credit" | "reference" => 20,
        "entry" | "line" | "revision" | "release" => 9,
        _ => 15,
    }
}
