//! The first sheet: the total, then each issue's lines, every one of them a sum of the rows of its entries.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::columns::{Event, Line};
use super::figures::exact;
use super::moved::{MOVED, Moved};
use crate::accounting::Currency;
use crate::accounting::journal::REVERSAL_OF;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::WorkbookError;
use crate::export::xlsx::cell::{Column, Held, Look, Row};
use crate::reading::{RollforwardDocument, RollforwardLine};

/// Sums of entries by the columns of amounts, and of shares.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    amounts: [Amount; MOVED.len()],
    pub shares: Decimal,
}

impl Sums {
    pub fn add(&mut self, moved: &Moved) -> Result<(), Refusal> {
        for (sum, (_, amount)) in self.amounts.iter_mut().zip(moved.amounts()) {
            *sum = sum.plus(amount)?;
        }
        self.shares = self.shares.checked_add(moved.shares).ok_or(Refusal::Overflow)?;
        Ok(())
    }

    pub fn plus(&mut self, other: &Sums) -> Result<(), Refusal> {
        for (sum, amount) in self.amounts.iter_mut().zip(other.amounts) {
            *sum = sum.plus(amount)?;
        }
        self.shares = self.shares.checked_add(other.shares).ok_or(Refusal::Overflow)?;
        Ok(())
    }

    pub fn of(&self, column: Event) -> Amount {
        let found = MOVED.iter().zip(self.amounts).find(|(known, _)| **known == column);
        found.map_or(Amount::ZERO, |(_, amount)| amount)
    }

    pub fn set(&mut self, column: Event, amount: Amount) {
        for (known, place) in MOVED.iter().zip(&mut self.amounts) {
            if *known == column {
                *place = amount;
            }
        }
    }
}

/// Where an issue's rows are on the sheet of entries, and what they add up to by movement.
pub(super) struct Place {
    pub id: String,
    pub events: (u32, u32),
    pub opening: Sums,
    pub movements: BTreeMap<String, Sums>,
}

impl Place {
    /// What a line of the issue shows.
    fn sums(&self, key: &str) -> Result<Sums, Refusal> {
        if key == "opening" {
            return Ok(self.opening);
        }
        if key != "closing" {
            return Ok(self.movements.get(key).copied().unwrap_or_default());
        }
        let mut sums = self.opening;
        for movement in self.movements.values() {
            sums.plus(movement)?;
        }
        Ok(sums)
    }
}

/// Columns of a line with those of the entries that they are sums of.
const COLUMNS: [(Line, Event); 15] = [
    (Line::Principal, Event::Principal),
    (Line::PremiumDiscount, Event::PremiumDiscount),
    (Line::IssueCosts, Event::IssueCosts),
    (Line::InterestPayable, Event::InterestPayable),
    (Line::InterestReceivable, Event::InterestReceivable),
    (Line::Equity, Event::Equity),
    (Line::Coupon, Event::Coupon),
    (Line::Amortization, Event::Amortization),
    (Line::ConversionExpense, Event::ConversionExpense),
    (Line::AmendmentLoss, Event::AmendmentLoss),
    (Line::GainLoss, Event::GainLoss),
    (Line::Cash, Event::Cash),
    (Line::CommonStock, Event::CommonStock),
    (Line::TreasuryStock, Event::TreasuryStock),
    (Line::PaidIn, Event::PaidIn),
];

/// Columns that are sums of others.
const DERIVED: [(Line, &[Line]); 3] = [
    (Line::Carrying, &[Line::Principal, Line::PremiumDiscount, Line::IssueCosts]),
    (Line::Expense, &[Line::Coupon, Line::Amortization, Line::ConversionExpense, Line::AmendmentLoss]),
    (Line::Capital, &[Line::CommonStock, Line::TreasuryStock, Line::PaidIn]),
];

const BALANCES: [Line; 6] = [
    Line::Principal,
    Line::PremiumDiscount,
    Line::IssueCosts,
    Line::InterestPayable,
    Line::InterestReceivable,
    Line::Equity,
];

/// What a line is called, unique among those of an issue.
pub(super) fn name(line: &RollforwardLine) -> String {
    match line.reverses_movement {
        Some(reversed) => format!("{REVERSAL_OF}{reversed}"),
        None => line.movement.to_owned(),
    }
}

/// The movement of entries that a line is made of.
pub(super) fn key(line: &RollforwardLine) -> String {
    match name(line).strip_prefix(REVERSAL_OF).unwrap_or(line.movement) {
        "amortization" | "coupon_accrued" if line.reverses_movement.is_some() => format!("{REVERSAL_OF}accrual"),
        "amortization" | "coupon_accrued" => "accrual".to_owned(),
        _ => name(line),
    }
}

/// Whether a line shows a column: an accrual is two lines, one of which has the coupon and the other all else.
fn shows(line: &RollforwardLine, column: Line) -> bool {
    let of_coupon = [Line::InterestPayable, Line::InterestReceivable, Line::Coupon];
    let movement = line.reverses_movement.unwrap_or(line.movement);
    match movement {
        "opening" | "closing" => BALANCES.contains(&column),
        "coupon_accrued" => of_coupon.contains(&column),
        "amortization" => !of_coupon.contains(&column),
        _ => true,
    }
}

/// Whether a column follows from inputs in a line of this movement, so that it has a formula though it is nothing now.
fn follows(line: &RollforwardLine, column: Line) -> bool {
    let always: &[Line] = match line.movement {
        "opening" | "closing" => &[Line::Principal, Line::PremiumDiscount, Line::IssueCosts, Line::InterestPayable],
        "amortization" => &[Line::PremiumDiscount, Line::IssueCosts, Line::Amortization],
        "coupon_accrued" => &[Line::InterestPayable, Line::Coupon],
        "coupon_paid" => &[Line::InterestPayable, Line::Cash],
        "conversion" | "induced_conversion" => {
            &[Line::PremiumDiscount, Line::IssueCosts, Line::InterestPayable, Line::Cash, Line::PaidIn]
        }
        "reclassification" | "year_end_closing" | "modification" | "reversal" => &[],
        _ => &[Line::PremiumDiscount, Line::IssueCosts, Line::InterestPayable, Line::GainLoss, Line::Cash],
    };
    always.contains(&column)
}

/// The row `at` of a line, of which each column is the formula that `formula` gives for it.
fn row(
    (line, reference, at): (&RollforwardLine, &str, u32),
    sums: &Sums,
    look: Look,
    formula: impl Fn(Line, Event) -> String,
) -> Result<Row, Refusal> {
    let mut row = Row::default();
    row.text(Line::Reference, reference.to_owned());
    row.text(Line::Movement, name(line));
    row.text(Line::Class, line.class);
    if !BALANCES_OF.contains(&line.movement) {
        row.text(Line::Entries, key(line));
    }
    let mut there = Vec::new();
    for (column, event) in COLUMNS {
        let amount = sums.of(event);
        if shows(line, column) && (follows(line, column) || !amount.is_zero()) {
            there.push(column);
            row.live_looking(column, formula(column, event), Held::Amount(amount), look);
        }
    }
    for (total, parts) in DERIVED {
        if parts.iter().any(|part| there.contains(part)) {
            let value = |part: &Line| {
                let event = COLUMNS.iter().find(|(column, _)| column == part);
                event.filter(|_| there.contains(part)).map_or(Amount::ZERO, |(_, event)| sums.of(*event))
            };
            let value = Amount::total(parts.iter().map(value))?;
            let formula = parts.iter().map(|part| part.at(at)).collect::<Vec<_>>().join("+");
            row.live_looking(total, formula, Held::Amount(value), look);
        }
    }
    if !BALANCES_OF.contains(&line.movement) && !sums.shares.is_zero() && shows(line, Line::Shares) {
        row.live(Line::Shares, formula(Line::Shares, Event::Shares), Held::Number(sums.shares.normalize()));
    }
    if !line.batches.is_empty() {
        row.text(Line::Batches, line.batches.join(", "));
    }
    Ok(row)
}

const BALANCES_OF: [&str; 2] = ["opening", "closing"];

/// A line of the total: the sum of the issues' lines of the same name, which stand in the rows `issues`.
pub(super) fn total(
    line: &RollforwardLine,
    at: u32,
    issues: (u32, u32),
    places: &[Place],
) -> Result<(Row, Sums), Refusal> {
    let (mut sums, key) = (Sums::default(), key(line));
    for place in places {
        sums.plus(&place.sums(&key)?)?;
    }
    let names = Line::Movement.span(issues.0, issues.1);
    let of_name = Line::Movement.at(at);
    let formula = |column: Line, _| format!("SUMIF({names},{of_name},{})", column.span(issues.0, issues.1));
    let mut row = row((line, "Total", at), &sums, Look::Total, formula)?;
    let behind = format!("Issues in {} to {}", issues.0, issues.1);
    let target = Line::Reference.at(issues.0);
    row.live(Line::Behind, format!("HYPERLINK(\"#{}!{target}\",\"{behind}\")", Line::SHEET), Held::Text(behind.into()));
    Ok((row, sums))
}

/// A line of an issue whose first line is in the row `first`.
pub(super) fn of_issue(
    line: &RollforwardLine,
    reference: &str,
    (first, at): (u32, u32),
    place: &Place,
    service: Option<Amount>,
) -> Result<Row, Refusal> {
    let (opening, last) = place.events;
    let sums = place.sums(&key(line))?;
    let formula = |column: Line, event: Event| match line.movement {
        "opening" => event.of(opening),
        "closing" => format!("SUM({}:{})", column.at(first), column.at(at - 1)),
        _ => {
            let (figures, movements) = (event.span(opening, last), Event::Movement.span(opening, last));
            format!("SUMIF({movements},{},{figures})", Line::Entries.at(at))
        }
    };
    let mut row = row((line, reference, at), &sums, Look::Usual, formula)?;
    let behind = format!("{} {opening} to {last}", Event::SHEET);
    let target = Event::Reference.at(opening);
    row.live(
        Line::Behind,
        format!("HYPERLINK(\"#{}!{target}\",\"{behind}\")", Event::SHEET),
        Held::Text(behind.into()),
    );
    if let Some(service) = service {
        row.value(Line::Service, Held::Amount(service));
    }
    Ok(row)
}

/// The line's figure in a column, as the service answers it.
pub(super) fn service(line: &RollforwardLine, column: Line) -> Option<&str> {
    match column {
        Line::Principal => Some(&line.principal),
        Line::PremiumDiscount => Some(&line.premium_discount),
        Line::IssueCosts => Some(&line.issue_costs),
        Line::Carrying => Some(&line.carrying_amount),
        Line::InterestPayable => Some(&line.interest_payable),
        Line::InterestReceivable => Some(&line.interest_receivable),
        Line::Equity => line.equity_component.as_deref(),
        Line::Coupon => Some(&line.coupon_interest),
        Line::Amortization => Some(&line.amortization),
        Line::ConversionExpense => Some(&line.debt_conversion_expense),
        Line::AmendmentLoss => line.loss_on_amendment.as_deref(),
        Line::Expense => Some(&line.expense),
        Line::GainLoss => Some(&line.gain_loss),
        Line::Cash => Some(&line.cash),
        Line::CommonStock => Some(&line.common_stock),
        Line::TreasuryStock => line.treasury_stock.as_deref(),
        Line::PaidIn => Some(&line.additional_paid_in_capital),
        Line::Capital => Some(&line.paid_in_capital),
        _ => None,
    }
}

/// A line of the days that stand beside, as the service answers it.
pub(super) fn beside(line: &RollforwardLine, currency: Currency) -> Result<Row, WorkbookError> {
    let mut row = Row::default();
    row.text(Line::Reference, "Comparative");
    row.text(Line::Movement, name(line));
    row.text(Line::Class, line.class);
    for (column, ..) in Line::ALL {
        let Some(figure) = service(line, *column) else { continue };
        let figure = exact(figure, currency)?;
        let is_balance = BALANCES_OF.contains(&line.movement) && BALANCES.contains(column);
        if is_balance || !figure.is_zero() {
            row.value(*column, Held::Amount(figure));
        }
    }
    if let Some(shares) = line.shares.parse::<Decimal>().ok().filter(|shares| !shares.is_zero()) {
        row.value(Line::Shares, Held::Number(shares));
    }
    Ok(row)
}

/// What a line shows in a column of amounts, of these sums.
pub(super) fn shown(line: &RollforwardLine, column: Line, sums: &Sums) -> Result<Amount, Refusal> {
    let own = [column];
    let parts = DERIVED.iter().find(|(total, _)| *total == column).map_or(own.as_slice(), |(_, parts)| parts);
    let value = |part: &Line| {
        let event = COLUMNS.iter().find(|(column, _)| column == part).filter(|_| shows(line, *part));
        event.map_or(Amount::ZERO, |(_, event)| sums.of(*event))
    };
    Amount::total(parts.iter().map(value))
}

/// By how much the closing carrying amounts of the issues differ from those of the service, without signs.
pub(super) fn differing(
    report: &RollforwardDocument,
    places: &[Place],
    currency: Currency,
) -> Result<Amount, WorkbookError> {
    let ids = report.issues.iter().map(|issue| issue.bond_issue.as_str());
    if !ids.eq(places.iter().map(|place| place.id.as_str())) {
        return Err(WorkbookError::Apart("it has other issues"));
    }
    let mut differing = Amount::ZERO;
    for (issue, place) in report.issues.iter().zip(places) {
        for line in issue.lines.iter().filter(|line| line.movement == "closing") {
            let own = shown(line, Line::Carrying, &place.sums("closing")?)?;
            let difference = own.minus(exact(&line.carrying_amount, currency)?)?;
            differing = differing.plus(difference.positive_part())?.minus(difference.negative_part())?;
        }
    }
    Ok(differing)
}
