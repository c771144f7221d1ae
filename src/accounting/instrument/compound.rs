//! A convertible issue under IFRS: a liability, and an equity component that is the rest (IAS 32.28-32).

use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::effective_rate::present_value;
use super::start::{Moment, Start};
use super::terms::Terms;
use super::unit_curve::Spans;
use crate::accounting::money::{Amount, pro_rata, worth_of};
use crate::accounting::refusal::Refusal;

/// Splits what was received: the liability at the rate of straight debt, the rest to equity (IAS 32.31-32), and the issue costs in
/// proportion to both unless they are stated (IAS 32.38).
///
/// # Errors
/// A [`Refusal`] when nothing is left for equity, or a stated part of the costs cannot be.
pub(super) fn split(terms: &Terms, dates: &CouponDates, rate: Decimal) -> Result<Start, Refusal> {
    let major = |amount: Amount| amount.to_major(terms.currency);
    let moment = Moment::of_movement(terms.settlement_date);
    let unit = liability_price(terms, dates, moment, rate)?;
    let clean = worth_of(terms.principal, unit)?;
    let equity = terms.proceeds.minus(clean)?;
    if equity.is_negative() {
        return Err(Refusal::contradiction(
            "straight_debt_rate",
            format!(
                "at {rate} the liability alone is worth {}, more than the proceeds of {}: the option would be worth less than nothing",
                major(clean),
                major(terms.proceeds)
            ),
        ));
    }
    let to_equity = match terms.equity_issue_costs {
        Some(costs) if costs.is_negative() || costs > terms.issue_costs => {
            let rule = format!("it is a part of issue_costs, which are {}", major(terms.issue_costs));
            return Err(Refusal::invalid("equity_issue_costs", major(costs), rule));
        }
        Some(costs) => costs,
        None => pro_rata(terms.issue_costs, equity, terms.proceeds)?,
    };
    Ok(Start {
        moment,
        principal: terms.principal,
        clean,
        issue_costs: terms.issue_costs.minus(to_equity)?,
        equity_component: equity.minus(to_equity)?,
    })
}

/// What the payments after a moment are worth at a nominal annual rate, for one unit of principal and without accrued interest. As
/// everywhere here, stubs are discounted by (1+y)^T with T in coupon periods.
///
/// # Errors
/// [`Refusal::Overflow`], or a rate that is none.
pub(super) fn liability_price(
    terms: &Terms,
    dates: &CouponDates,
    moment: Moment,
    rate: Decimal,
) -> Result<Decimal, Refusal> {
    if rate <= Decimal::new(-3, 1) || rate > Decimal::from(3) || rate.normalize().scale() > 12 {
        let rule = "it is a nominal annual fraction between -0.3 and 3, such as \"0.09\" for 9%";
        return Err(Refusal::invalid("straight_debt_rate", rate, rule));
    }
    let spans = Spans::new(dates, moment.boundary, terms.maturity_date);
    let flows = spans.cash_flows(terms.redemption_price);
    let worth = present_value(&flows, rate / Decimal::from(terms.periods_per_year())).ok_or(Refusal::Overflow)?;
    Ok(worth - spans.accrued_at_settlement())
}
