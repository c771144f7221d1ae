//! The components of debt as columns of a table.

use super::table::{Cell, Column, figures, figures_if_any};
use crate::document::{ComponentsDocument, DebtDocument, PositionDocument, SurrenderedDocument};

/// The columns. The first [`DEBT`] are those that there always are.
pub const COLUMNS: [Column; 7] = [
    figures("Principal"),
    figures("Premium (discount)"),
    figures("Issue costs"),
    figures("Carrying amount"),
    figures("Interest payable"),
    figures_if_any("Interest receivable"),
    figures_if_any("Equity component"),
];

/// How many columns there always are.
pub const DEBT: usize = 5;

/// How many there are of a part of the debt, whose interest is not parted.
pub const PARTED: usize = 4;

/// The figures of the columns, in their order.
pub struct Components<'a>([&'a str; COLUMNS.len()]);

impl<'a> Components<'a> {
    fn of(debt: [&'a String; PARTED], interest: [&'a str; 2], equity: Option<&'a String>) -> Components<'a> {
        let [principal, premium_discount, issue_costs, carrying_amount] = debt.map(String::as_str);
        let [payable, receivable] = interest;
        let equity = equity.map_or("0", String::as_str);
        Components([principal, premium_discount, issue_costs, carrying_amount, payable, receivable, equity])
    }
}

impl<'a> From<&'a ComponentsDocument> for Components<'a> {
    fn from(of: &'a ComponentsDocument) -> Components<'a> {
        let debt = [&of.principal, &of.premium_discount, &of.issue_costs, &of.carrying_amount];
        Components::of(debt, [&of.interest_payable, &of.interest_receivable], of.equity_component.as_ref())
    }
}

impl<'a> From<&'a PositionDocument> for Components<'a> {
    fn from(of: &'a PositionDocument) -> Components<'a> {
        let debt = [&of.principal, &of.premium_discount, &of.issue_costs, &of.carrying_amount];
        Components::of(debt, [&of.interest_payable, &of.interest_receivable], of.equity_component.as_ref())
    }
}

impl<'a> From<&'a SurrenderedDocument> for Components<'a> {
    fn from(of: &'a SurrenderedDocument) -> Components<'a> {
        let debt = [&of.principal, &of.premium_discount, &of.issue_costs, &of.carrying_amount];
        Components::of(debt, [&of.interest, ""], of.equity_component.as_ref())
    }
}

/// A part of the debt, whose interest is not parted.
impl<'a> From<&'a DebtDocument> for Components<'a> {
    fn from(of: &'a DebtDocument) -> Components<'a> {
        Components([&of.principal, &of.premium_discount, &of.issue_costs, &of.carrying_amount, "", "", ""])
    }
}

/// Their cells.
pub fn cells<'a>(of: impl Into<Components<'a>>) -> impl Iterator<Item = Cell<'a>> {
    of.into().0.into_iter().map(Cell::Figure)
}
