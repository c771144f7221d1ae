//! Where the books of an issue begin: at its settlement, or at the close of the day of an opening balance.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::terms::{AccrualCutoff, Opening, Terms};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// A point in an issue's life: a date, and the day boundary up to which interest and amortization run at it.
///
/// A movement effective on D happens at boundary D. A balance at close of business on D runs to the boundary that
/// [`Instrument::close_of`](super::Instrument::close_of) gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    pub date: Date,
    pub boundary: Date,
}

impl Moment {
    /// The moment of a movement effective on `date`.
    pub fn of_movement(date: Date) -> Moment {
        Moment { date, boundary: date }
    }
}

/// The moment at which the books of an issue begin, and what of it is carried then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    pub moment: Moment,
    pub principal: Amount,
    /// Principal with premium or discount.
    pub clean: Amount,
    /// Not amortised yet, a positive amount.
    pub issue_costs: Amount,
    /// Net of its issue costs; of a convertible issue under IFRS.
    pub equity_component: Amount,
}

impl Start {
    /// The start of terms whose own figures are proven.
    pub(super) fn of(terms: &Terms, dates: &CouponDates) -> Result<Start, Refusal> {
        let Some(opening) = &terms.opening else {
            return match terms.straight_debt_rate {
                Some(rate) => super::compound::split(terms, dates, rate),
                None => Ok(Start {
                    moment: Moment::of_movement(terms.settlement_date),
                    principal: terms.principal,
                    clean: terms.proceeds.minus(terms.premium_in_capital()?)?,
                    issue_costs: terms.issue_costs,
                    equity_component: Amount::ZERO,
                }),
            };
        };
        let moment = close_of(opening.date, terms, dates);
        check(opening, moment, terms, dates)?;
        Ok(Start {
            moment,
            principal: opening.principal,
            clean: opening.principal.plus(opening.premium_discount)?,
            issue_costs: opening.issue_costs.negated()?,
            equity_component: opening.equity_component,
        })
    }

    /// What is carried for one unit of principal, before and after issue costs.
    pub(super) fn prices(&self) -> Result<(Decimal, Decimal), Refusal> {
        let principal = Decimal::from(self.principal.minor());
        let net = self.clean.minus(self.issue_costs)?;
        Ok((Decimal::from(self.clean.minor()) / principal, Decimal::from(net.minor()) / principal))
    }
}

/// The moment of close of business on a date within an issue's life. With `through_date` the day has earned its interest: boundary
/// D+1. The boundary is D on the settlement date, on a coupon date, for a month-end issue, and always with `to_date`.
pub(super) fn close_of(date: Date, terms: &Terms, dates: &CouponDates) -> Moment {
    let to_date = terms.accrual_cutoff == AccrualCutoff::ToDate
        || date == terms.settlement_date
        || dates.is_month_end()
        || dates.is_coupon_date(date);
    let boundary = if to_date { date } else { date.tomorrow().unwrap_or(date) };
    Moment { date, boundary }
}

fn check(opening: &Opening, moment: Moment, terms: &Terms, dates: &CouponDates) -> Result<(), Refusal> {
    let major = |amount: Amount| amount.to_major(terms.currency);
    if opening.date < terms.settlement_date {
        return Err(Refusal::contradiction(
            "opening_balance/date",
            format!("date {} is before the settlement date {}", opening.date, terms.settlement_date),
        ));
    }
    if moment.boundary >= terms.maturity_date {
        return Err(Refusal::invalid(
            "opening_balance/date",
            opening.date,
            format!(
                "the issue matures on {}, by the close of that day: nothing is left to account for",
                terms.maturity_date
            ),
        ));
    }
    if terms.amortization_end.is_some_and(|end| end <= moment.boundary) {
        return Err(Refusal::contradiction(
            "amortization_end",
            "the put has passed by the date of the opening balance; leave it out, and what is left runs to maturity",
        ));
    }
    if !opening.principal.is_positive() || opening.principal > terms.principal {
        return Err(Refusal::invalid(
            "opening_balance/principal",
            major(opening.principal),
            format!("it is what is outstanding of the {} issued, and more than zero", major(terms.principal)),
        ));
    }
    if opening.principal.minor() % terms.denomination.minor() != 0 {
        let (principal, denomination) = (major(opening.principal), major(terms.denomination));
        return Err(Refusal::PrincipalNotMultiple { principal, denomination });
    }
    if opening.issue_costs.is_positive() {
        return Err(Refusal::invalid(
            "opening_balance/issue_costs",
            major(opening.issue_costs),
            "what is not amortised yet is signed as in a position: zero or negative",
        ));
    }
    let carrying = Amount::total([opening.principal, opening.premium_discount, opening.issue_costs])?;
    if !carrying.is_positive() || carrying.minor() > terms.principal.minor().saturating_mul(10) {
        return Err(Refusal::invalid(
            "opening_balance/premium_discount",
            major(opening.premium_discount),
            format!("the carrying amount would be {}; a discount and issue costs are negative", major(carrying)),
        ));
    }
    if terms.is_zero_coupon() && !opening.interest_payable.is_zero() {
        return Err(Refusal::contradiction(
            "opening_balance/interest_payable",
            "a zero-coupon issue has no interest payable: what has accreted is part of the carrying amount",
        ));
    }
    if opening.equity_component.minor() > terms.principal.minor().saturating_mul(10) {
        let rule = "it is more than ten times the principal";
        return Err(Refusal::invalid("opening_balance/equity_component", major(opening.equity_component), rule));
    }
    let interest = [
        ("opening_balance/interest_due", opening.interest_due),
        ("opening_balance/interest_payable", opening.interest_payable),
    ];
    for (field, amount) in interest {
        if amount.is_negative() || amount > terms.principal {
            let rule = format!("it must lie from zero to {}", major(terms.principal));
            return Err(Refusal::invalid(field, major(amount), rule));
        }
    }
    if opening.equity_component.is_negative() || (!terms.is_compound() && !opening.equity_component.is_zero()) {
        return Err(Refusal::invalid(
            "opening_balance/equity_component",
            major(opening.equity_component),
            "it is zero or more, and only of a convertible issue with a straight_debt_rate",
        ));
    }
    if opening.interest_due > opening.interest_payable {
        return Err(Refusal::contradiction(
            "opening_balance/interest_due",
            format!(
                "interest_due {} is part of interest_payable, which is {}",
                major(opening.interest_due),
                major(opening.interest_payable)
            ),
        ));
    }
    if !opening.interest_due.is_zero() && last_coupon_date(opening.date, dates).is_none() {
        return Err(Refusal::contradiction(
            "opening_balance/interest_due",
            format!("no coupon was due by {}", opening.date),
        ));
    }
    Ok(())
}

/// The last coupon date up to a date.
pub(super) fn last_coupon_date(date: Date, dates: &CouponDates) -> Option<Date> {
    dates.coupon_dates().iter().rev().find(|coupon| **coupon <= date).copied()
}
