//! A small table: a caption, names of columns, and rows whose first cell names them.

use maud::{Markup, html};

use super::figure;

/// A cell.
#[derive(Clone, Debug)]
pub enum Cell<'a> {
    Text(&'a str),
    /// A date or a time, which stays in one line.
    Date(&'a str),
    Figure(&'a str),
    /// The same, owned.
    Amount(String),
    /// A number that is no amount: printed as it is, in its column.
    Number(String),
    Markup(Markup),
}

impl Cell<'_> {
    /// Whether it holds nothing, or nothing but zero.
    fn is_empty(&self) -> bool {
        match self {
            Cell::Text(text) | Cell::Date(text) => text.is_empty(),
            Cell::Figure(decimal) => figure::is_zero(decimal),
            Cell::Amount(decimal) => figure::is_zero(decimal),
            Cell::Number(number) => number.is_empty(),
            Cell::Markup(_) => false,
        }
    }
}

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    name: &'static str,
    holds_figures: bool,
    /// Left out where it holds nothing: most books have nothing for it, and paper is narrow.
    may_be_left_out: bool,
}

/// A column of texts.
pub const fn texts(name: &'static str) -> Column {
    Column { name, holds_figures: false, may_be_left_out: false }
}

/// A column of figures.
pub const fn figures(name: &'static str) -> Column {
    Column { name, holds_figures: true, may_be_left_out: false }
}

/// A column of figures that is there if one of them is.
pub const fn figures_if_any(name: &'static str) -> Column {
    Column { name, holds_figures: true, may_be_left_out: true }
}

/// The table.
pub fn table<'a>(caption: &str, columns: &[Column], rows: impl IntoIterator<Item = Vec<Cell<'a>>>) -> Markup {
    totalled(caption, columns, rows, None)
}

/// The table with a row of totals at its end.
pub fn totalled<'a>(
    caption: &str,
    columns: &[Column],
    rows: impl IntoIterator<Item = Vec<Cell<'a>>>,
    total: Option<Vec<Cell<'a>>>,
) -> Markup {
    let rows: Vec<Vec<Cell<'a>>> = rows.into_iter().collect();
    let is_empty = |at: usize| rows.iter().chain(&total).filter_map(|row| row.get(at)).all(Cell::is_empty);
    let is_kept: Vec<bool> =
        columns.iter().enumerate().map(|(at, column)| !column.may_be_left_out || !is_empty(at)).collect();
    let columns: Vec<Column> = kept(columns.iter().copied(), &is_kept).collect();
    html! {
        div class="scroll" {
            table {
                caption { (caption) }
                thead { tr { (names(&columns)) } }
                tbody {
                    @for row in rows { tr { (cells(kept(row, &is_kept))) } }
                    @if let Some(total) = total { tr class="sum" { (cells(kept(total, &is_kept))) } }
                }
            }
        }
    }
}

/// Those of a row that are kept.
fn kept<T>(row: impl IntoIterator<Item = T>, is_kept: &[bool]) -> impl Iterator<Item = T> {
    row.into_iter().zip(is_kept).filter_map(|(cell, is_kept)| is_kept.then_some(cell))
}

/// The names of columns.
pub fn names(columns: &[Column]) -> Markup {
    html! {
        @for column in columns {
            @if column.holds_figures { th scope="col" class="n" { (column.name) } } @else { th scope="col" { (column.name) } }
        }
    }
}

fn cells<'a>(row: impl Iterator<Item = Cell<'a>>) -> Markup {
    html! {
        @for (at, cell) in row.enumerate() {
            @match cell {
                Cell::Figure(decimal) => (figure::cell(decimal)),
                Cell::Amount(decimal) => (figure::cell(&decimal)),
                Cell::Number(number) => td class="n" { (number) },
                Cell::Text(text) if at == 0 => th scope="row" { (text) },
                Cell::Date(date) if at == 0 => th scope="row" class="date" { (date) },
                Cell::Markup(markup) if at == 0 => th scope="row" { (markup) },
                Cell::Text(text) => td { (text) },
                Cell::Date(date) => td class="date" { (date) },
                Cell::Markup(markup) => td { (markup) },
            }
        }
    }
}
