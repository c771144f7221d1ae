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

impl<'a> From<&'a ComponentsDocument> for Components<'a> {
    fn from(of: &'a ComponentsDocument) -> Components<'a> {
        let equity = of.equity_component.as_deref().unwrap_or("0");
        Components([
            &of.principal,
            &of.premium_discount,
            &of.issue_costs,
            &of.carrying_amount,
            &of.interest_payable,
            &of.interest_receivable,
            equity,
        ])
    }
}

impl<'a> From<&'a PositionDocument> for Components<'a> {
    fn from(of: &'a PositionDocument) -> Components<'a> {
        let equity = of.equity_component.as_deref().unwrap_or("0");
        Components([
            &of.principal,
            &of.premium_discount,
            &of.issue_costs,
            &of.carrying_amount,
            &of.interest_payable,
            &of.interest_receivable,
            equity,
        ])
    }
}

impl<'a> From<&'a SurrenderedDocument> for Components<'a> {
    fn from(of: &'a SurrenderedDocument) -> Components<'a> {
        let equity = of.equity_component.as_deref().unwrap_or("0");
        Components([
            &of.principal,
            &of.premium_discount,
            &of.issue_costs,
            &of.carrying_amount,
            &of.interest,
            "",
            equity,
        ])
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
