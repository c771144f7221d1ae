//! A table: a caption, names of columns, and rows whose first cell names them. A small one is made whole, one of as many rows as there are
//! issues is written row by row.

use std::io;

use maud::{Markup, PreEscaped, html};

use super::{figure, put};

/// Up to how many rows a table stays on one sheet of paper.
const KEPT_TOGETHER: usize = 12;

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
    let is_kept = which_are_kept(columns, rows.iter().chain(&total));
    let columns: Vec<Column> = kept(columns.iter().copied(), &is_kept).collect();
    html! {
        div class=(class(rows.len())) {
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

/// Writes a table row by row. What `rows` gives is asked for twice, because what is in no row must be known before the first.
pub fn write<'a, R: Iterator<Item = Vec<Cell<'a>>>>(
    out: &mut impl io::Write,
    caption: &str,
    columns: &[Column],
    rows: impl Fn() -> R,
    total: Option<Vec<Cell<'a>>>,
) -> io::Result<()> {
    let is_kept = which_are_kept(columns, rows().chain(total.clone()));
    let columns: Vec<Column> = kept(columns.iter().copied(), &is_kept).collect();
    begin(out, caption, &columns, rows().take(KEPT_TOGETHER + 1).count())?;
    out.write_all(b"<tbody>")?;
    for row in rows() {
        put(out, html! { tr { (cells(kept(row, &is_kept))) } })?;
    }
    put(out, html! { @if let Some(total) = total { tr class="sum" { (cells(kept(total, &is_kept))) } } })?;
    out.write_all(b"</tbody></table></div>")
}

/// Rows under the name of what they are of.
pub struct Group<'a> {
    pub name: Markup,
    pub rows: Vec<Vec<Cell<'a>>>,
}

/// Writes a table of groups, one after the other. All columns are kept.
pub fn write_groups<'a>(
    out: &mut impl io::Write,
    caption: &str,
    columns: &[Column],
    groups: impl Iterator<Item = Group<'a>>,
) -> io::Result<()> {
    begin(out, caption, columns, KEPT_TOGETHER + 1)?;
    for Group { name, rows } in groups {
        put(
            out,
            html! {
                tbody {
                    tr { th scope="rowgroup" class="group" colspan=(columns.len()) { (name) } }
                    @for row in rows { tr { (cells(row.into_iter())) } }
                }
            },
        )?;
    }
    out.write_all(b"</table></div>")
}

fn class(rows: usize) -> &'static str {
    if rows <= KEPT_TOGETHER { "scroll keep" } else { "scroll" }
}

fn begin(out: &mut impl io::Write, caption: &str, columns: &[Column], rows: usize) -> io::Result<()> {
    put(
        out,
        html! {
            (PreEscaped(format!("<div class=\"{}\"><table>", class(rows))))
            caption { (caption) }
            thead { tr { (names(columns)) } }
        },
    )
}

/// Of each column, whether it is kept: it must be, or holds something.
fn which_are_kept<'a, R: std::borrow::Borrow<Vec<Cell<'a>>>>(
    columns: &[Column],
    rows: impl Iterator<Item = R>,
) -> Vec<bool> {
    let mut is_kept: Vec<bool> = columns.iter().map(|column| !column.may_be_left_out).collect();
    for row in rows {
        for (is_kept, cell) in is_kept.iter_mut().zip(row.borrow()) {
            *is_kept = *is_kept || !cell.is_empty();
        }
    }
    is_kept
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
