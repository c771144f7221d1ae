//! What an issue will cost and stand at, month by month, by the rows of what is outstanding. Nothing of it is posted.

use jiff::civil::Date;

use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::money::{Amount, units_of};
use crate::accounting::position::{Components, History};
use crate::accounting::refusal::Refusal;

/// One month, or the part of it that was asked for. All but the first two are credit positive, as the liability is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Month {
    pub first: Date,
    pub last: Date,
    /// Carried at the close of the day before.
    pub opening: Amount,
    /// Of premium or discount and issue costs (ASC 835-30-35-2, IFRS 9 5.4.1).
    pub amortization: Amount,
    /// What else changes what is carried: issuance, conversions, repayment.
    pub movements: Amount,
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// Interest at the coupon rate, by day.
    pub coupon_interest: Amount,
    /// Coupons that fall due, with what is paid besides them; whether they were paid is not asked.
    pub coupons_due: Amount,
    /// What is outstanding at maturity, at the redemption price.
    pub repayment: Amount,
}

impl Month {
    /// Principal with premium or discount and issue costs.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// Coupon interest and amortization.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn interest_expense(&self) -> Result<Amount, Refusal> {
        self.coupon_interest.plus(self.amortization)
    }

    /// A month in which nothing is.
    pub fn empty((first, last): (Date, Date)) -> Month {
        let nothing = Amount::ZERO;
        Month {
            first,
            last,
            opening: nothing,
            amortization: nothing,
            movements: nothing,
            principal: nothing,
            premium_discount: nothing,
            issue_costs: nothing,
            coupon_interest: nothing,
            coupons_due: nothing,
            repayment: nothing,
        }
    }

    /// The same month of two issues.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn plus(&self, other: &Month) -> Result<Month, Refusal> {
        Ok(Month {
            first: self.first,
            last: self.last,
            opening: self.opening.plus(other.opening)?,
            amortization: self.amortization.plus(other.amortization)?,
            movements: self.movements.plus(other.movements)?,
            principal: self.principal.plus(other.principal)?,
            premium_discount: self.premium_discount.plus(other.premium_discount)?,
            issue_costs: self.issue_costs.plus(other.issue_costs)?,
            coupon_interest: self.coupon_interest.plus(other.coupon_interest)?,
            coupons_due: self.coupons_due.plus(other.coupons_due)?,
            repayment: self.repayment.plus(other.repayment)?,
        })
    }
}

/// The months from one day to another: calendar months, the first and the last as far as they are asked for.
///
/// ```
/// use jiff::civil::date;
/// let months = parwright::reports::forecast::months(date(2027, 1, 16), date(2027, 3, 1));
/// let february = (date(2027, 2, 1), date(2027, 2, 28));
/// assert_eq!(months, [(date(2027, 1, 16), date(2027, 1, 31)), february, (date(2027, 3, 1), date(2027, 3, 1))]);
/// ```
pub fn months(from: Date, to: Date) -> Vec<(Date, Date)> {
    let first = (from <= to).then_some(from);
    std::iter::successors(first, |first| first.last_of_month().tomorrow().ok().filter(|next| *next <= to))
        .map(|first| (first, first.last_of_month().min(to)))
        .collect()
}

/// An issue's months. What is outstanding on the maturity date is taken to be repaid on it.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn forecast(instrument: &Instrument, history: &History, months: &[(Date, Date)]) -> Result<Vec<Month>, Refusal> {
    months.iter().map(|month| of_month(instrument, history, *month)).collect()
}

fn of_month(instrument: &Instrument, history: &History, (first, last): (Date, Date)) -> Result<Month, Refusal> {
    let eve = first.yesterday().unwrap_or(first);
    let (opening, closing) = (carried(instrument, history, eve)?, carried(instrument, history, last)?);
    let accrued = accrued_at(instrument, history, instrument.close_of(last))?;
    let accrued = accrued.minus(&accrued_at(instrument, history, instrument.close_of(eve))?)?;
    let mut coupons_due = Amount::ZERO;
    for coupon_date in instrument.dates().coupon_dates_between(eve, last) {
        coupons_due = coupons_due.plus(history.due_with(*coupon_date, instrument)?.total()?)?;
    }
    let terms = instrument.on(last).terms();
    let repaid = (eve < terms.maturity_date && terms.maturity_date <= last).then_some(terms.maturity_date);
    let repayment = match repaid {
        Some(maturity) => units_of(history.at(maturity, instrument)?.principal, terms.redemption_price)?,
        None => Amount::ZERO,
    };
    let amortization = accrued.premium_discount.plus(accrued.issue_costs)?;
    let opening = opening.total()?;
    Ok(Month {
        first,
        last,
        opening,
        amortization,
        movements: closing.total()?.minus(opening)?.minus(amortization)?,
        principal: closing.principal,
        premium_discount: closing.premium_discount,
        issue_costs: closing.issue_costs,
        coupon_interest: accrued.interest_payable.minus(accrued.interest_receivable)?,
        coupons_due,
        repayment,
    })
}

/// What is carried of the debt.
pub(super) struct CarriedAt {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
}

impl CarriedAt {
    /// Together.
    pub fn total(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }
}

/// What is carried at close of business; from maturity on, bonds that were surrendered and are not settled.
pub(super) fn carried(instrument: &Instrument, history: &History, date: Date) -> Result<CarriedAt, Refusal> {
    let position = history.position(instrument.close_of(date), instrument)?;
    if date >= instrument.on(date).terms().maturity_date {
        let left = position.surrendered;
        return Ok(CarriedAt {
            principal: left.principal,
            premium_discount: left.premium_discount,
            issue_costs: left.issue_costs,
        });
    }
    Ok(CarriedAt {
        principal: position.principal,
        premium_discount: position.premium_discount,
        issue_costs: position.issue_costs,
    })
}

/// What interest and amortization have come to at a moment: what is carried and due less all that was moved otherwise, as it was posted.
/// Between two moments it changes by what accruals post.
fn accrued_at(instrument: &Instrument, history: &History, moment: Moment) -> Result<Components, Refusal> {
    let moved = history.at(moment.date, instrument)?.moved;
    history.position(moment, instrument)?.components()?.minus(&moved)
}
