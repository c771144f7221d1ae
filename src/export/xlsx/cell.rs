//! What a cell is, apart from how it is written; and a sheet that rows are written to one after the other.

use std::borrow::Cow;

use jiff::civil::Date;
use rust_decimal::Decimal;
use rust_xlsxwriter::{ExcelDateTime, Formula, Workbook, Worksheet, XlsxError};

use super::WorkbookError;
use super::formats::{FIRST_DAY, Formats, exact_number, fitting};
use crate::accounting::Currency;
use crate::accounting::money::Amount;

/// At how many percent sheets are printed: type of 11 points becomes one of 7.7.
const PRINT_SCALE: u16 = 70;
/// How high the row of headings is, in points: they may take three lines.
const HEADINGS: u16 = 45;

/// What a cell shows, or what its formula comes to.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Held {
    Text(Cow<'static, str>),
    Date(Date),
    Amount(Amount),
    Number(Decimal),
    /// A step of a search for a rate, which decides nothing.
    Guess(f64),
    Truth(bool),
}

/// How a cell looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// As what it holds does.
    Usual,
    Title,
    Heading,
    /// Over a column, in as many lines as it takes.
    ColumnHeading,
    /// An amount that is a sum of others.
    Total,
    Rate,
    /// May be changed.
    Input,
}

/// A cell of a row.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cell {
    pub column: u16,
    pub held: Held,
    pub formula: Option<String>,
    pub look: Look,
}

/// How many characters of running text a printed page is wide.
const LINE: usize = 150;

/// A text in so many lines: at spaces, and the last one with whatever is left.
fn folded(text: &str, rows: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let count = lines.len();
        match lines.last_mut() {
            Some(line) if line.is_empty() => line.push_str(word),
            Some(line) if count == rows || line.len() + word.len() < LINE => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.resize(rows, String::new());
    lines
}

/// The cells of a row, in any order.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Row(pub Vec<Cell>);

/// The columns of a sheet, in order.
pub(super) trait Column: Copy + Sized + 'static {
    const SHEET: &'static str;
    /// Each with its heading and its width in characters.
    const ALL: &'static [(Self, &'static str, u16)];
    /// So many of the first columns stand on every printed page.
    const REPEATED: u16;
    /// The columns with which a printed page begins, after the first. Of each page, with what is repeated, the columns fit at
    /// [`PRINT_SCALE`] on Letter in landscape, which is narrower than A4.
    const PAGES: &'static [Self];

    fn index(self) -> u16;

    /// The address of its cell in a row, on its own sheet.
    fn at(self, row: u32) -> String {
        format!("{}{row}", letters(self.index()))
    }

    /// The same on any sheet.
    fn of(self, row: u32) -> String {
        format!("{}!{}", Self::SHEET, self.at(row))
    }

    /// The cells from one row to another, on any sheet.
    fn span(self, first: u32, last: u32) -> String {
        let letters = letters(self.index());
        format!("{}!${letters}${first}:${letters}${last}", Self::SHEET)
    }
}

/// Declares the columns of a sheet, and how it is cut into pages: name, heading and width of each column.
macro_rules! columns {
    ($(#[$doc:meta])* $name:ident of $sheet:literal repeats $repeated:literal pages [$($page:ident),*] { $($column:ident $heading:literal $width:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(in crate::export::xlsx) enum $name { $($column,)* }

        impl $crate::export::xlsx::cell::Column for $name {
            const SHEET: &'static str = $sheet;
            const ALL: &'static [($name, &'static str, u16)] = &[$(($name::$column, $heading, $width),)*];
            const REPEATED: u16 = $repeated;
            const PAGES: &'static [$name] = &[$($name::$page),*];

            fn index(self) -> u16 {
                self as u16
            }
        }
    };
}
pub(super) use columns;

fn letters(column: u16) -> String {
    rust_xlsxwriter::utility::column_number_to_name(column)
}

impl Row {
    fn put(&mut self, column: impl Column, held: Held, formula: Option<String>, look: Look) {
        self.0.push(Cell { column: column.index(), held, formula, look });
    }

    /// A value.
    pub fn value(&mut self, column: impl Column, held: Held) {
        self.put(column, held, None, Look::Usual);
    }

    /// A value that looks otherwise than its kind does.
    pub fn looking(&mut self, column: impl Column, held: Held, look: Look) {
        self.put(column, held, None, look);
    }

    /// A text.
    pub fn text(&mut self, column: impl Column, text: impl Into<Cow<'static, str>>) {
        self.value(column, Held::Text(text.into()));
    }

    /// An amount, left out if it is nothing.
    pub fn amount(&mut self, column: impl Column, amount: Amount) {
        if !amount.is_zero() {
            self.value(column, Held::Amount(amount));
        }
    }

    /// A formula with what it comes to.
    pub fn live(&mut self, column: impl Column, formula: String, held: Held) {
        self.put(column, held, Some(formula), Look::Usual);
    }

    /// The same, looking otherwise.
    pub fn live_looking(&mut self, column: impl Column, formula: String, held: Held, look: Look) {
        self.put(column, held, Some(formula), look);
    }
}

/// A sheet in the making. Its rows go to a temporary file without a name as they are written.
pub(super) struct Sheet {
    pub sheet: Worksheet,
    name: &'static str,
    currency: Currency,
    /// The row that is written next, counted from 1 as spreadsheets do.
    pub next: u32,
    rules: Rules,
}

/// What holds for all sheets of a workbook.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    /// Formulas are left out, and what they come to stands for them.
    pub without_formulas: bool,
    /// The most rows of a sheet.
    pub most_rows: u32,
}

impl Sheet {
    /// A sheet with the widths of its columns, and rows above the one that is written first.
    pub fn new<C: Column>(workbook: &mut Workbook, currency: Currency, rules: Rules) -> Result<Sheet, XlsxError> {
        let mut sheet = workbook.new_worksheet_with_low_memory()?;
        sheet.set_name(C::SHEET)?;
        for (column, _, width) in C::ALL {
            sheet.set_column_width(column.index(), *width)?;
        }
        Ok(Sheet { sheet, name: C::SHEET, currency, next: 1, rules })
    }

    /// The headings of the columns.
    pub fn headings<C: Column>(&mut self, formats: &Formats) -> Result<(), WorkbookError> {
        let mut row = Row::default();
        for (column, heading, _) in C::ALL {
            row.looking(*column, Held::Text((*heading).into()), Look::ColumnHeading);
        }
        self.sheet.set_row_height(self.next - 1, HEADINGS)?;
        self.write(&row, formats)
    }

    /// A text over so many rows, of which each is a line of it that fits on the first page. What is left of them stays empty.
    pub fn sentence(&mut self, text: &str, rows: usize, formats: &Formats) -> Result<(), WorkbookError> {
        for line in folded(text, rows) {
            let held = Held::Text(line.into());
            self.write(&Row(vec![Cell { column: 0, held, formula: None, look: Look::Usual }]), formats)?;
        }
        Ok(())
    }

    /// How the sheet prints: the row of the headings and the first columns on every page, the pages of the same rows after each other.
    /// The paper is the printer's.
    pub fn print<C: Column>(&mut self, head: u32, header: &str) -> Result<(), XlsxError> {
        let sheet = &mut self.sheet;
        sheet.set_repeat_rows(head - 1, head - 1)?.set_repeat_columns(0, C::REPEATED - 1)?;
        let pages: Vec<u32> = C::PAGES.iter().map(|column| column.index().into()).collect();
        sheet.set_vertical_page_breaks(&pages)?.set_page_order(false);
        sheet.set_landscape().set_paper_size(0).set_print_scale(PRINT_SCALE);
        sheet.set_margins(0.4, 0.4, 0.6, 0.6, 0.3, 0.3);
        sheet.set_header(header).set_footer("&CPage &P of &N");
        Ok(())
    }

    /// Leaves a row empty.
    pub fn skip(&mut self) {
        self.next += 1;
    }

    /// Writes a row.
    pub fn write(&mut self, row: &Row, formats: &Formats) -> Result<(), WorkbookError> {
        if self.next > self.rules.most_rows {
            return Err(WorkbookError::TooLong { sheet: self.name, most: self.rules.most_rows });
        }
        for cell in &row.0 {
            match cell.formula.as_ref().filter(|_| !self.rules.without_formulas) {
                Some(formula) => self.formula(cell, formula, formats)?,
                None => self.value(cell, formats)?,
            }
        }
        self.next += 1;
        Ok(())
    }

    fn formula(&mut self, cell: &Cell, formula: &str, formats: &Formats) -> Result<(), XlsxError> {
        let result = match &cell.held {
            Held::Text(text) => text.to_string(),
            Held::Date(date) => serial(*date).to_string(),
            Held::Amount(amount) => amount.to_major(self.currency).to_string(),
            Held::Number(number) => number.to_string(),
            Held::Guess(number) => number.to_string(),
            Held::Truth(truth) => if *truth { "TRUE" } else { "FALSE" }.to_owned(),
        };
        let formula = Formula::new(formula).set_result(result);
        let format = format_of(cell, formats);
        self.sheet.write_formula_with_format(self.next - 1, cell.column, formula, format)?;
        Ok(())
    }

    fn value(&mut self, cell: &Cell, formats: &Formats) -> Result<(), XlsxError> {
        let (row, column, format) = (self.next - 1, cell.column, format_of(cell, formats));
        match &cell.held {
            Held::Text(text) => self.sheet.write_string_with_format(row, column, fitting(text), format)?,
            Held::Date(date) => {
                let text = date.to_string();
                match ExcelDateTime::parse_from_str(&text) {
                    Ok(day) if text.as_str() >= FIRST_DAY => {
                        self.sheet.write_datetime_with_format(row, column, day, format)?
                    }
                    _ => self.sheet.write_string_with_format(row, column, text, &formats.plain)?,
                }
            }
            Held::Amount(amount) => {
                let amount = amount.to_major(self.currency).to_string();
                match exact_number(&amount) {
                    Some(number) => self.sheet.write_number_with_format(row, column, number, format)?,
                    None => self.sheet.write_string_with_format(row, column, amount, &formats.amount_text)?,
                }
            }
            Held::Number(number) => match number.to_string().parse::<f64>() {
                Ok(number) => self.sheet.write_number_with_format(row, column, number, format)?,
                Err(_) => self.sheet.write_string_with_format(row, column, number.to_string(), &formats.plain)?,
            },
            Held::Guess(number) => self.sheet.write_number_with_format(row, column, *number, format)?,
            Held::Truth(truth) => self.sheet.write_boolean_with_format(row, column, *truth, format)?,
        };
        Ok(())
    }
}

/// The number by which spreadsheets keep a day.
fn serial(date: Date) -> i64 {
    crate::accounting::instrument::day_count::actual_days(jiff::civil::date(1899, 12, 30), date)
}

fn format_of<'f>(cell: &Cell, formats: &'f Formats) -> &'f rust_xlsxwriter::Format {
    match (cell.look, &cell.held) {
        (Look::Title, _) => &formats.title,
        (Look::Heading, _) => &formats.heading,
        (Look::ColumnHeading, _) => &formats.column_heading,
        (Look::Total, _) => &formats.total,
        (Look::Rate, _) | (Look::Usual, Held::Guess(_)) => &formats.rate,
        (Look::Input, Held::Amount(_)) => &formats.input_amount,
        (Look::Input, _) => &formats.input_rate,
        // A formula in a cell of text would become one when it is edited.
        (Look::Usual, Held::Text(_)) if cell.formula.is_some() => &formats.number,
        (Look::Usual, Held::Text(_)) => &formats.plain,
        (Look::Usual, Held::Date(_)) => &formats.date,
        (Look::Usual, Held::Amount(_)) => &formats.amount,
        (Look::Usual, Held::Number(_) | Held::Truth(_)) => &formats.number,
    }
}
