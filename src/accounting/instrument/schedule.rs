//! An issue's schedule: one row a coupon period.

use jiff::civil::Date;

use super::issue::Instrument;
use super::start::Moment;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// One period of an issue's schedule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScheduleRow {
    pub period: usize,
    pub start: Date,
    pub end: Date,
    pub coupon: Amount,
    pub interest_expense: Amount,
    pub amortization: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub carrying_amount: Amount,
}

impl Instrument {
    /// The schedule of a principal, one row a period of the grid, the first beginning at the start. A revision ends a row, and what it
    /// changes at once is part of none. Rows are differences of rounded balances, so they add up.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn schedule(&self, principal: Amount) -> Result<Vec<ScheduleRow>, Refusal> {
        let mut rows = self.rows(principal, self.terms().maturity_date)?;
        for (at, row) in rows.iter_mut().enumerate() {
            row.period = at + 1;
        }
        Ok(rows)
    }

    /// The rows up to a boundary.
    fn rows(&self, principal: Amount, until: Date) -> Result<Vec<ScheduleRow>, Refusal> {
        let mut start = self.since();
        let mut rows = match self.before() {
            Some(before) => before.rows(principal, start)?,
            None => Vec::new(),
        };
        let dates = self.dates();
        let first = dates.period_of(start.tomorrow().unwrap_or(start));
        let mut opening = self.net_components(principal, start)?;
        for number in first..=dates.periods() {
            let (period_start, period_end) = dates.period(number);
            let end = period_end.min(until);
            if end <= start {
                break;
            }
            let closing = self.net_components(principal, end)?;
            let accrued = |date| self.accrued(principal, Moment::of_movement(date));
            let (coupon, earned) = match end == period_end {
                _ if self.terms().is_zero_coupon() => (Amount::ZERO, Amount::ZERO),
                true => (self.coupon(principal, end)?, self.coupon(principal, end)?),
                false => (Amount::ZERO, accrued(end)?),
            };
            let received = if start > period_start { accrued(start)? } else { Amount::ZERO };
            let amortization = closing.0.plus(closing.1)?.minus(opening.0)?.minus(opening.1)?;
            rows.push(ScheduleRow {
                period: 0,
                start,
                end,
                coupon,
                interest_expense: earned.minus(received)?.plus(amortization)?,
                amortization,
                premium_discount: closing.0,
                issue_costs: closing.1,
                carrying_amount: Amount::total([principal, closing.0, closing.1])?,
            });
            (start, opening) = (end, closing);
        }
        Ok(rows)
    }
}
