//! What an issue stands at on a date, and how that ties to what is booked.

use jiff::civil::Date;

use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, Position, PositionRow};
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::BookedRow;

/// The stored rows in force at a date.
#[derive(Clone, Copy, Debug)]
pub struct InForce {
    /// What is outstanding at the date.
    pub position: Option<PositionRow>,
    /// What is booked by posting date at the date.
    pub booked: Option<BookedRow>,
    /// What is outstanding at the date through which those postings accrue the issue.
    pub accrued_position: Option<PositionRow>,
}

/// The carrying value of an issue at close of business on a date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CarryingValue {
    /// On the effective basis.
    pub position: Position,
    pub booked: Components,
    /// On the posted basis: what is booked, its interest split into due and accrued.
    pub posted: Position,
    pub accrued_through: Option<Date>,
    /// What an accrual through the date would post.
    pub unaccrued: Components,
    /// Booked + unaccrued + reconciling items - position.
    pub unexplained: Components,
    pub overdue: bool,
}

impl CarryingValue {
    /// Whether every component ties.
    pub fn is_tied(&self) -> bool {
        self.unexplained == Components::default()
    }
}

/// Computes an issue's carrying value from the rows in force at `as_of` and the sum of what is effective by then but posted later.
///
/// What is unaccrued is computed from the curve and the rows of what is outstanding, not from what is booked, so that a wrong
/// accrual shows as a break: with A(m) the position at a moment less all movements up to it other than accruals, it is A(as of) -
/// A(accrued through).
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn carrying_value(
    instrument: &Instrument,
    as_of: Date,
    rows: &InForce,
    out_of_period: &Components,
) -> Result<CarryingValue, Refusal> {
    let row = rows.position.unwrap_or_else(|| PositionRow::before(as_of));
    let begin = instrument.start().moment.date;
    let moment = if as_of < begin { Moment::of_movement(as_of) } else { instrument.close_of(as_of) };
    let position = if row.principal.is_zero() && rows.position.is_none() {
        nothing(moment)
    } else {
        row.position(moment, instrument)?
    };
    let booked = rows.booked.map_or_else(Components::default, |row| row.components);
    let accrued = position.components()?.minus(&row.moved)?;
    let accrued_before = accrued_by_postings(instrument, rows)?;
    let unaccrued = accrued.minus(&accrued_before)?;
    let unexplained = booked.plus(&unaccrued)?.plus(out_of_period)?.minus(&position.components()?)?;
    Ok(CarryingValue {
        posted: posted(instrument, moment, rows, &booked)?,
        accrued_through: rows.booked.map(|row| row.accrued.date.max(begin)),
        overdue: is_overdue(instrument, as_of, &row, &position)?,
        position,
        booked,
        unaccrued,
        unexplained,
    })
}

/// A at the moment to which postings accrue the issue; nothing before the first accrual, whose moment has no position yet and which also
/// posts the difference of interest received at settlement.
fn accrued_by_postings(instrument: &Instrument, rows: &InForce) -> Result<Components, Refusal> {
    match (rows.booked, rows.accrued_position) {
        (Some(booked), Some(row)) => row.position(booked.accrued, instrument)?.components()?.minus(&row.moved),
        _ => Ok(Components::default()),
    }
}

fn posted(instrument: &Instrument, moment: Moment, rows: &InForce, booked: &Components) -> Result<Position, Refusal> {
    let surrendered = rows.accrued_position.map_or_else(Components::default, |row| row.surrendered);
    let accrued = match rows.booked {
        Some(row) => {
            let outstanding = booked.principal.minus(surrendered.principal)?;
            instrument.accrued(outstanding, row.accrued)?.plus(surrendered.interest_payable)?
        }
        None => Amount::ZERO,
    };
    Ok(Position {
        moment,
        principal: booked.principal,
        premium_discount: booked.premium_discount,
        issue_costs: booked.issue_costs,
        interest_due: booked.interest_payable.minus(accrued)?,
        interest_accrued: accrued,
        interest_receivable: booked.interest_receivable,
        equity_component: booked.equity_component,
        surrendered,
    })
}

fn nothing(moment: Moment) -> Position {
    Position {
        moment,
        principal: Amount::ZERO,
        premium_discount: Amount::ZERO,
        issue_costs: Amount::ZERO,
        interest_due: Amount::ZERO,
        interest_accrued: Amount::ZERO,
        interest_receivable: Amount::ZERO,
        equity_component: Amount::ZERO,
        surrendered: Components::default(),
    }
}

/// Whether a coupon of an earlier date, or principal after maturity, is due and not paid. A coupon of the day itself is not
/// overdue, nor is what waits for the next one, nor are surrendered bonds, which are settled and not repaid.
fn is_overdue(instrument: &Instrument, as_of: Date, row: &PositionRow, position: &Position) -> Result<bool, Refusal> {
    let today = match instrument.dates().is_coupon_date(as_of) && row.date < as_of {
        true => instrument.coupon(row.principal, as_of)?,
        false => Amount::ZERO,
    };
    let waiting = row.rolled_to(as_of.max(row.date), instrument)?.with_next_coupon;
    let overdue = position.interest_due.minus(today)?.minus(waiting)?;
    Ok(overdue.is_positive() || (row.principal.is_positive() && as_of > instrument.terms().maturity_date))
}
