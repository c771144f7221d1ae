//! What the checks of this module are written in.

use super::{Curve, Cutoff, DayCount, Method, OnConversion, Terms, Within};
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Pow};

pub fn day(text: &str) -> Date {
    text.parse().expect("a date")
}

/// A decimal written out.
pub fn decimal(text: &str) -> BigRational {
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    let digits: BigInt = format!("{whole}{part}").parse().expect("digits");
    BigRational::new(digits, BigInt::from(10).pow(part.len() as u32))
}

/// Amounts in minor units of two decimals.
pub fn cents(text: &str) -> i128 {
    let minor = decimal(text) * BigInt::from(100);
    assert!(minor.denom().is_one(), "{text} has at most two decimals");
    minor.numer().try_into().expect("an amount")
}

pub fn close(found: &BigRational, expected: &str, tolerance: &str) {
    let difference = found - decimal(expected);
    let limit = decimal(tolerance);
    assert!(
        -limit.clone() <= difference && difference <= limit,
        "{expected} was expected within {tolerance}, the difference is {difference}"
    );
}

/// 1,000,000.00 at 6 percent twice a year, five years from the middle of March 2020, issued at par.
pub fn bond() -> Terms {
    Terms {
        principal_minor: cents("1000000"),
        denomination_minor: cents("1000"),
        coupon_rate: decimal("0.06"),
        frequency: 2,
        compounding_frequency: 2,
        day_count: DayCount::Thirty360,
        dated: day("2020-03-15"),
        settlement: day("2020-03-15"),
        first_coupon: None,
        maturity: day("2025-03-15"),
        proceeds_minor: cents("1000000"),
        issue_costs_minor: 0,
        redemption: BigRational::one(),
        method: Method::EffectiveInterest,
        within: Within::Ratable,
        cutoff: Cutoff::ThroughDate,
        amortization_end: None,
        stated_rate: None,
        accrued_received_minor: None,
        record_days: None,
        on_conversion: OnConversion::Forfeited,
    }
}

pub fn curve(terms: &Terms) -> Curve {
    Curve::new(terms).expect("terms that have a curve")
}

/// Premium, discount and issue costs of the whole issue added to its principal.
pub fn carrying(curve: &Curve, boundary: &str) -> i128 {
    let principal = curve.terms().principal_minor;
    let balance = curve.balance(principal, day(boundary));
    principal + balance.premium_discount + balance.issue_costs
}
