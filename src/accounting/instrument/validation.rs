//! What terms must satisfy to be an issue that can be accounted for.

use jiff::civil::{Date, date};
use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::terms::{SettlementType, ShareCapital, Terms};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// 10^15 minor units: above it, products with a rate would no longer be exact to the minor unit in 28 digits.
const GREATEST_AMOUNT: Amount = Amount::from_minor(1_000_000_000_000_000);
const LONGEST_TERM_YEARS: i16 = 100;
const GREATEST_DECIMALS: u32 = 10;

/// Proves terms right and gives their calendar.
pub(super) fn validate(terms: &Terms) -> Result<CouponDates, Refusal> {
    amounts(terms)?;
    rates(terms)?;
    order_of_dates(terms)?;
    let dates = CouponDates::new(
        terms.dated_date,
        terms.first_coupon_date,
        terms.maturity_date,
        terms.periods_per_year(),
        terms.coupon_rate,
        terms.day_count,
        !terms.is_zero_coupon(),
    )?;
    calendar(terms, &dates)?;
    put_dates(terms)?;
    conversion(terms)?;
    premium(terms)?;
    Ok(dates)
}

fn amounts(terms: &Terms) -> Result<(), Refusal> {
    let major = |amount: Amount| amount.to_major(terms.currency);
    let positive = |field, amount: Amount| match amount {
        amount if !amount.is_positive() => Err(Refusal::invalid(field, major(amount), "it must be more than zero")),
        amount if amount > GREATEST_AMOUNT => {
            Err(Refusal::invalid(field, major(amount), format!("it may be at most {}", major(GREATEST_AMOUNT))))
        }
        _ => Ok(()),
    };
    positive("principal", terms.principal)?;
    positive("denomination", terms.denomination)?;
    if terms.principal.minor() % terms.denomination.minor() != 0 {
        return Err(Refusal::PrincipalNotMultiple {
            principal: major(terms.principal),
            denomination: major(terms.denomination),
        });
    }
    if terms.opening.is_some() {
        return Ok(());
    }
    positive("proceeds", terms.proceeds)?;
    if terms.issue_costs.is_negative() {
        return Err(Refusal::invalid("issue_costs", major(terms.issue_costs), "costs are stated as a positive amount"));
    }
    if terms.issue_costs >= terms.proceeds {
        return Err(Refusal::contradiction(
            "issue_costs",
            format!("issue_costs {} leave nothing of proceeds {}", major(terms.issue_costs), major(terms.proceeds)),
        ));
    }
    match terms.accrued_interest_received {
        Some(received) if received.is_negative() => {
            Err(Refusal::invalid("accrued_interest_received", major(received), "it cannot be negative"))
        }
        Some(received) if received.is_positive() && terms.is_zero_coupon() => Err(Refusal::contradiction(
            "accrued_interest_received",
            "a zero-coupon issue accrues no interest that could be received",
        )),
        Some(received) if received > terms.principal => {
            Err(Refusal::invalid("accrued_interest_received", major(received), "it cannot be more than the principal"))
        }
        _ => Ok(()),
    }
}

fn rates(terms: &Terms) -> Result<(), Refusal> {
    let rate = terms.coupon_rate;
    if rate.is_sign_negative() && !rate.is_zero() || rate > Decimal::ONE {
        return Err(Refusal::invalid(
            "coupon_rate",
            rate,
            "it is a fraction a year from 0 to 1, such as \"0.0425\" for 4.25%",
        ));
    }
    decimals("coupon_rate", rate)?;
    match (terms.coupon_frequency, terms.compounding_frequency) {
        (0, 1 | 2 | 4 | 12) if !rate.is_zero() => {
            return Err(Refusal::contradiction(
                "coupon_frequency",
                format!("coupon_frequency 0 is a zero-coupon issue, but coupon_rate is {rate}; give 1, 2, 4 or 12"),
            ));
        }
        (0, 1 | 2 | 4 | 12) | (1 | 2 | 4 | 12, _) => {}
        (0, other) => {
            return Err(Refusal::invalid("compounding_frequency", other, "it must be 1, 2, 4 or 12 periods a year"));
        }
        (other, _) => {
            return Err(Refusal::invalid("coupon_frequency", other, "it must be 1, 2, 4 or 12 coupons a year, or 0"));
        }
    }
    if terms.redemption_price <= Decimal::ZERO || terms.redemption_price > Decimal::TEN {
        let percent = terms.redemption_price.saturating_mul(Decimal::ONE_HUNDRED);
        return Err(Refusal::invalid(
            "redemption_price",
            percent.normalize(),
            "it is in percent of principal, above 0 and at most 1000",
        ));
    }
    decimals("redemption_price", terms.redemption_price)?;
    if let Some(stated) = terms.stated_effective_rate {
        decimals("stated_effective_rate", stated)?;
        if stated <= Decimal::NEGATIVE_ONE / Decimal::TWO || stated > Decimal::from(3) {
            return Err(Refusal::invalid(
                "stated_effective_rate",
                stated,
                "it is a nominal annual fraction between -0.5 and 3",
            ));
        }
    }
    Ok(())
}

fn decimals(field: &'static str, rate: Decimal) -> Result<(), Refusal> {
    match rate.normalize().scale() {
        scale if scale > GREATEST_DECIMALS + 2 => Err(Refusal::invalid(field, rate, "it may have at most 10 decimals")),
        _ => Ok(()),
    }
}

fn order_of_dates(terms: &Terms) -> Result<(), Refusal> {
    let (earliest, latest) = (date(1900, 1, 1), date(2300, 12, 31));
    for (field, day) in [("dated_date", terms.dated_date), ("maturity_date", terms.maturity_date)] {
        if day < earliest || day > latest {
            return Err(Refusal::invalid(field, day, format!("it must lie from {earliest} to {latest}")));
        }
    }
    let before = |field, day: Date, other: &str, other_day: Date| {
        Refusal::contradiction(field, format!("{field} {day} must be after {other} {other_day}"))
    };
    if terms.settlement_date < terms.dated_date {
        return Err(Refusal::contradiction(
            "dated_date",
            format!("dated_date {} must not be after settlement_date {}", terms.dated_date, terms.settlement_date),
        ));
    }
    if terms.maturity_date <= terms.settlement_date {
        return Err(before("maturity_date", terms.maturity_date, "settlement_date", terms.settlement_date));
    }
    if terms.maturity_date.year() - terms.dated_date.year() > LONGEST_TERM_YEARS {
        return Err(Refusal::invalid("maturity_date", terms.maturity_date, "an issue may run for at most 100 years"));
    }
    match terms.first_coupon_date {
        Some(_) if terms.is_zero_coupon() => Err(Refusal::contradiction(
            "first_coupon_date",
            "a zero-coupon issue has no coupon dates; leave first_coupon_date out",
        )),
        Some(first) if first > terms.maturity_date => {
            Err(Refusal::AfterMaturity { field: "first_coupon_date", date: first, maturity_date: terms.maturity_date })
        }
        Some(first) if first <= terms.dated_date => {
            Err(before("first_coupon_date", first, "dated_date", terms.dated_date))
        }
        _ => Ok(()),
    }
}

fn calendar(terms: &Terms, dates: &CouponDates) -> Result<(), Refusal> {
    let first = dates.grid().first().copied().unwrap_or(terms.maturity_date);
    if !terms.is_zero_coupon() && terms.settlement_date >= first {
        return Err(Refusal::contradiction(
            "settlement_date",
            format!(
                "settlement_date {} must be before the first coupon date {first}; an issue that settles later accrues from the coupon date \
                 before it: give that as dated_date",
                terms.settlement_date
            ),
        ));
    }
    if let Some(end) = terms.amortization_end {
        if end <= terms.settlement_date || end > terms.maturity_date {
            return Err(Refusal::invalid(
                "amortization_end",
                end,
                format!(
                    "it must lie after settlement_date {} and not after maturity_date {}",
                    terms.settlement_date, terms.maturity_date
                ),
            ));
        }
        if dates.grid().binary_search(&end).is_err() {
            let nearest = dates.grid().iter().copied().min_by_key(|date| date.duration_until(end).abs());
            return Err(Refusal::NotACouponDate { field: "amortization_end", date: end, nearest });
        }
    }
    match terms.record_days {
        Some(days) if terms.is_zero_coupon() || i32::from(days) >= 28 * (12 / i32::from(terms.periods_per_year())) => {
            Err(Refusal::invalid(
                "record_days",
                days,
                "a record date lies within the coupon period, and a zero-coupon issue has none",
            ))
        }
        _ => Ok(()),
    }
}

/// Puts lie within the issue's life, and discount and issue costs run to the earliest of them if to any.
fn put_dates(terms: &Terms) -> Result<(), Refusal> {
    let mut before = terms.settlement_date;
    for put in &terms.put_dates {
        if *put <= before || *put >= terms.maturity_date {
            let rule = format!(
                "each date comes once, in order, after settlement_date {} and before maturity_date {}",
                terms.settlement_date, terms.maturity_date
            );
            return Err(Refusal::invalid("put_dates", put, rule));
        }
        before = *put;
    }
    match (terms.amortization_end, terms.put_dates.first()) {
        (Some(end), Some(first)) if end > *first => Err(Refusal::contradiction(
            "amortization_end",
            format!(
                "it is the earliest put, but holders may demand repayment on {first} already; give that date or leave it out"
            ),
        )),
        _ => Ok(()),
    }
}

/// A premium has a treatment of its own only on a convertible issue, and only where there is one.
fn premium(terms: &Terms) -> Result<(), Refusal> {
    if terms.premium_treatment.is_none() {
        return Ok(());
    }
    let no_use = |detail: String| Err(Refusal::contradiction("premium_treatment", detail));
    if terms.conversion.is_none() {
        return no_use("the premium of an issue that is not convertible is part of the debt; leave it out".to_owned());
    }
    if terms.opening.is_some() {
        return no_use("an opening_balance states what is left of the premium in the debt; leave it out".to_owned());
    }
    let repaid = terms.repaid_at_maturity()?;
    if terms.proceeds <= repaid {
        let major = |amount: Amount| amount.to_major(terms.currency);
        return no_use(format!(
            "proceeds {} are no more than the {} that is repaid at maturity: there is no premium; leave it out",
            major(terms.proceeds),
            major(repaid)
        ));
    }
    Ok(())
}

/// What the terms say about conversions that pay cash.
fn cash_on_conversion(terms: &Terms) -> Result<(), Refusal> {
    let Some(conversion) = &terms.conversion else { return Ok(()) };
    if conversion.principal_on_conversion.is_some() && conversion.settlement != SettlementType::Combination {
        return Err(Refusal::contradiction(
            "conversion/principal_on_conversion",
            "only where a conversion is settled in cash and shares is there a question in what the principal is paid; leave it out",
        ));
    }
    let Some(condition) = conversion.sale_price_condition else { return Ok(()) };
    if condition.threshold <= Decimal::ZERO || condition.threshold > Decimal::TEN {
        let percent = condition.threshold.saturating_mul(Decimal::ONE_HUNDRED).normalize();
        let rule = "it is in percent of the conversion price, above 0 and at most 1000";
        return Err(Refusal::invalid("conversion/sale_price_condition/percent", percent, rule));
    }
    decimals("conversion/sale_price_condition/percent", condition.threshold)?;
    if condition.days == 0 || condition.days > condition.of_days || condition.of_days > 60 {
        let rule = "it lies from 1 to of_days, and a quarter has no more than 60 trading days to look at";
        return Err(Refusal::invalid("conversion/sale_price_condition/days", condition.days, rule));
    }
    match condition.convertible_from {
        Some(from) if from > terms.maturity_date => Err(Refusal::invalid(
            "conversion/sale_price_condition/convertible_from",
            from,
            format!("it is not after maturity_date {}", terms.maturity_date),
        )),
        _ => Ok(()),
    }
}

fn conversion(terms: &Terms) -> Result<(), Refusal> {
    let Some(conversion) = &terms.conversion else { return Ok(()) };
    let figure = |field, value: Decimal, zero_allowed: bool| {
        if value.is_sign_negative() || (value.is_zero() && !zero_allowed) || value > Decimal::from(1_000_000_000) {
            return Err(Refusal::invalid(field, value, "it must be more than zero and at most 1000000000"));
        }
        match value.normalize().scale() {
            scale if scale > GREATEST_DECIMALS => {
                Err(Refusal::invalid(field, value, "it may have at most 10 decimals"))
            }
            _ => Ok(()),
        }
    };
    figure("conversion/shares_per_denomination", conversion.shares_per_denomination, false)?;
    if let Some(table) = &conversion.make_whole {
        table.check()?;
        if let Some(most) = table.most_shares.filter(|most| *most < conversion.shares_per_denomination) {
            let rule = "it includes the shares of the terms, so it cannot be less than these";
            return Err(Refusal::invalid("conversion/make_whole/most_shares_per_denomination", most, rule));
        }
    }
    cash_on_conversion(terms)?;
    decimals("conversion/minimum_adjustment", conversion.minimum_adjustment.unwrap_or_default())?;
    if let Some(least) =
        conversion.minimum_adjustment.filter(|least| *least <= Decimal::ZERO || *least > Decimal::new(1, 1))
    {
        let rule = "it is a fraction above 0 and at most 0.1, such as \"0.01\" for one percent";
        return Err(Refusal::invalid("conversion/minimum_adjustment", least, rule));
    }
    match conversion.share_capital {
        ShareCapital::ParValue(par) => figure("conversion/share_par_value", par, true),
        ShareCapital::NoPar => Ok(()),
    }
}
