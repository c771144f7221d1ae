//! The lines of a rollforward as rows: which columns there are, and where the batches of a line are.

use maud::{Markup, html};

use super::Surroundings;
use crate::export::page::batch_address;
use crate::export::page::figure::{self, is_zero, printed};
use crate::export::page::label::movement;
use crate::reading::{IssueRollforward, RollforwardDocument, RollforwardLine};

/// How many batches of a line are shown at once; the others can be unfolded.
const BATCHES: usize = 24;

/// A column of figures.
pub struct Column {
    name: &'static str,
    of: fn(&RollforwardLine) -> Option<&str>,
    /// Whether it is shown where it holds nothing.
    always: bool,
}

const fn always(name: &'static str, of: fn(&RollforwardLine) -> Option<&str>) -> Column {
    Column { name, of, always: true }
}

const fn maybe(name: &'static str, of: fn(&RollforwardLine) -> Option<&str>) -> Column {
    Column { name, of, always: false }
}

/// What the debt stands at.
const DEBT: [Column; 7] = [
    always("Principal", |line| Some(&line.principal)),
    always("Premium (discount)", |line| Some(&line.premium_discount)),
    always("Issue costs", |line| Some(&line.issue_costs)),
    always("Carrying amount", |line| Some(&line.carrying_amount)),
    always("Interest payable", |line| Some(&line.interest_payable)),
    maybe("Interest receivable", |line| Some(&line.interest_receivable)),
    maybe("Equity component", |line| line.equity_component.as_deref()),
];

/// What of movements is income and expense.
const INCOME: [Column; 6] = [
    always("Coupon interest", |line| Some(&line.coupon_interest)),
    always("Amortization", |line| Some(&line.amortization)),
    maybe("Debt conversion expense", |line| Some(&line.debt_conversion_expense)),
    maybe("Loss on amendment of terms", |line| line.loss_on_amendment.as_deref()),
    always("All expense", |line| Some(&line.expense)),
    maybe("Gain (loss)", |line| Some(&line.gain_loss)),
];

/// What of them is cash and equity.
const EQUITY: [Column; 6] = [
    always("Cash received (paid)", |line| Some(&line.cash)),
    maybe("Shares issued", |line| Some(&line.shares)),
    maybe("Common stock", |line| Some(&line.common_stock)),
    maybe("Additional paid-in capital", |line| Some(&line.additional_paid_in_capital)),
    maybe("Treasury stock reissued", |line| line.treasury_stock.as_deref()),
    always("All paid-in capital", |line| Some(&line.paid_in_capital)),
];

/// Whether a line is a balance and moves nothing.
pub fn is_balance(line: &RollforwardLine) -> bool {
    matches!(line.movement, "opening" | "closing")
}

/// A line in words.
pub fn name(line: &RollforwardLine) -> String {
    movement(line.movement, line.reverses_movement)
}

/// The names of the columns.
pub fn heads(columns: &[&Column], has_batches: bool) -> Markup {
    html! {
        thead {
            tr {
                th scope="col" { "Movement" }
                @for column in columns { th scope="col" class="n" { (column.name) } }
                @if has_batches { th scope="col" { "Journal batches" } }
            }
        }
    }
}

/// The name of an issue over its rows, with the way to its debt where this is another table.
pub fn group(issue: &IssueRollforward, columns: usize, way: Option<&str>) -> Markup {
    html! {
        tr {
            th scope="rowgroup" class="group" colspan=(columns) {
                @match way {
                    Some(way) => { (issue.reference) " " a class="small screen" href=(way) { "its debt and batches" } },
                    None => a href=(format!("/v1/bond-issues/{}/schedule?format=html", issue.bond_issue)) { (issue.reference) },
                }
            }
        }
    }
}

/// A line, with its batches where they are shown.
pub fn row(line: &RollforwardLine, columns: &[&Column], refs: Option<&Markup>) -> Markup {
    let cells = html! {
        th scope="row" { (name(line)) }
        @for column in columns { (figure::maybe((column.of)(line))) }
        @if let Some(refs) = refs { td class="refs" { (refs) } }
    };
    html! {
        @if is_balance(line) { tr class="sum" { (cells) } } @else { tr { (cells) } }
    }
}

/// The batches of a line, each with its entries one click away.
pub fn refs(line: &RollforwardLine, with: &Surroundings<'_>) -> Markup {
    let (first, others) = line.batches.split_at(line.batches.len().min(BATCHES));
    html! {
        (links(first, with))
        @if !others.is_empty() {
            details { summary { "and " (others.len()) " more" } " " (links(others, with)) }
        }
    }
}

/// Some batches.
pub fn links(numbers: &[String], with: &Surroundings<'_>) -> Markup {
    // The entity stands on the page once; its code before each number says nothing more.
    let short =
        |number: &str| number.strip_prefix(&with.entity.code).unwrap_or(number).trim_start_matches('-').to_owned();
    html! {
        @for number in numbers {
            @match with.batches.get(number) {
                Some(id) => a href=(batch_address(id)) { (short(number)) },
                None => span { (short(number)) },
            }
            " "
        }
    }
}

/// The columns of one kind of table.
pub struct Kind {
    pub name: &'static str,
    /// Whether balances are among its rows.
    pub holds_balances: bool,
    columns: &'static [Column],
}

/// The kinds of tables, each with a part of the columns, so that they fit on paper.
pub const KINDS: [Kind; 3] = [
    Kind { name: "Debt", holds_balances: true, columns: &DEBT },
    Kind { name: "Income and expense", holds_balances: false, columns: &INCOME },
    Kind { name: "Cash and equity", holds_balances: false, columns: &EQUITY },
];

impl Kind {
    /// The columns that hold something in a report, and those that are always there.
    pub fn columns_of(&self, report: &RollforwardDocument) -> Vec<&'static Column> {
        let all = || report.issues.iter().flat_map(|issue| &issue.lines).chain(&report.total);
        let holds = |column: &Column| all().any(|line| (column.of)(line).is_some_and(|text| !is_zero(text)));
        self.columns.iter().filter(|column| column.always || holds(column)).collect()
    }

    /// The lines that are rows of it.
    pub fn rows_of<'l>(&self, lines: &'l [RollforwardLine]) -> impl Iterator<Item = &'l RollforwardLine> {
        let holds_balances = self.holds_balances;
        lines.iter().filter(move |line| holds_balances || !is_balance(line))
    }
}

/// The longest figure of a report's total: how much room a column needs.
pub fn longest(report: &RollforwardDocument) -> usize {
    let columns = || KINDS.iter().flat_map(|kind| kind.columns);
    let figures = report.total.iter().flat_map(|line| columns().filter_map(|column| (column.of)(line)));
    figures.map(|figure| printed(figure).chars().count()).max().unwrap_or_default()
}
