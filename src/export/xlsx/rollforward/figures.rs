//! Figures of entries, each with the formula that leads to it where there is one; and what a spreadsheet keeps of figures.

use rust_decimal::Decimal;

use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::export::xlsx::WorkbookError;
use crate::reading::RollforwardDocument;

/// A figure, with its formula if what that comes to is exactly the figure.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Figure {
    pub value: Amount,
    pub formula: Option<String>,
}

impl Figure {
    /// A figure that nothing leads to.
    pub fn stated(value: Amount) -> Figure {
        Figure { value, formula: None }
    }

    /// A figure that `formula` leads to if its result, computed by the rules of the core, is the one that was posted.
    pub fn of(value: Amount, formula: String, result: Amount) -> Figure {
        Figure { value, formula: (value == result).then_some(formula) }
    }
}

/// A product rounded to the minor unit.
pub(super) fn rounded(product: &str, decimals: u32) -> String {
    format!("ROUND({product},{decimals})")
}

/// Whether a spreadsheet is sure to round `principal` x `unit` as exact arithmetic does: its numbers have 53 bits, and a product that lies
/// as near to the middle between two minor units as their errors reach may come out on either side. `count` is how many payments the unit
/// comes from.
pub(super) fn is_sure(principal: Amount, unit: Decimal, count: usize) -> bool {
    let minor = Decimal::from(principal.minor());
    let Some(product) = minor.checked_mul(unit) else { return false };
    let from_middle = (product.abs().fract() - Decimal::new(5, 1)).abs();
    let error = Decimal::new(2, 16) * (Decimal::from(8) + Decimal::from(count) / Decimal::from(16));
    minor.abs().checked_mul(error).is_some_and(|reach| unit.is_zero() || from_middle > reach)
}

/// The same of interest, which is a product of whole figures divided once: what is a half in exact arithmetic is one to fifteen digits,
/// from which spreadsheets round.
pub(super) fn is_sure_interest(principal: Amount, unit: Decimal) -> bool {
    let Some(product) = Decimal::from(principal.minor()).checked_mul(unit) else { return false };
    let from_middle = (product.abs().fract() - Decimal::new(5, 1)).abs();
    let Some(reach) = product.abs().checked_mul(Decimal::new(2, 15)) else { return false };
    let is_half = from_middle < Decimal::new(1, 12) && product.abs() < Decimal::from(1_000_000_000_000_i64);
    unit.is_zero() || is_half || from_middle > reach
}

/// A figure of the report.
pub(super) fn exact(text: &str, currency: Currency) -> Result<Amount, WorkbookError> {
    let figure = text.parse().map_err(|_| WorkbookError::Apart("a figure is no number"))?;
    Ok(Amount::from_major(figure, currency)?)
}

/// Digits of the largest figure from which sums, of both sides of a journal among them, still have no more than a spreadsheet keeps.
const WIDEST: usize = 14;

/// Whether some amount has more digits than that.
pub(super) fn is_too_wide(report: &RollforwardDocument) -> bool {
    let lines = report.issues.iter().flat_map(|issue| &issue.lines).chain(&report.total);
    let mut figures = lines.flat_map(|line| {
        [&line.principal, &line.premium_discount, &line.issue_costs, &line.carrying_amount, &line.interest_payable]
            .into_iter()
            .chain([&line.expense, &line.gain_loss, &line.cash, &line.paid_in_capital])
    });
    figures.any(|figure| figure.bytes().filter(u8::is_ascii_digit).count() > WIDEST)
}
