//! The only rounding in the crate: half away from zero, to the minor unit.

use rust_decimal::{Decimal, RoundingStrategy};

use super::Amount;
use crate::accounting::Refusal;

/// How many significant digits of a figure are kept before it is rounded.
///
/// A 28-digit decimal of a quotient such as one third can fall short of an exact half by its last digits, and would then round the
/// wrong way. Figures are first brought to 27 digits, counted from the highest of what they are a part of, so that what is a half in
/// exact arithmetic is a half here, and what is short of one by more than the error of the decimals is not.
const GUARD_DIGITS: u32 = 27;

/// The whole number of minor units nearest to `minor_units`, halves away from zero.
///
/// ```
/// use parwright::accounting::{Amount, money::round_to_minor_unit};
/// let third = rust_decimal::Decimal::ONE / rust_decimal::Decimal::from(3);
/// // 1.5 thirds are a half, though 0.333... x 1.5 is a little less.
/// assert_eq!(round_to_minor_unit(third * rust_decimal::Decimal::new(15, 1)), Ok(Amount::from_minor(1)));
/// assert_eq!(round_to_minor_unit(rust_decimal::Decimal::new(-25, 1)), Ok(Amount::from_minor(-3)));
/// ```
///
/// # Errors
/// [`Refusal::Overflow`] when it does not fit in 64 bits.
pub fn round_to_minor_unit(minor_units: Decimal) -> Result<Amount, Refusal> {
    round(minor_units, minor_units)
}

/// The value of `principal` at `per_unit` a unit of principal, rounded to the minor unit.
///
/// ```
/// use parwright::accounting::{Amount, money::units_of};
/// // Less than a half by 3.4 millionths of a millionth, and it stays less: 1000.00 has room for that.
/// let per_unit = "0.003184999999999966".parse().unwrap();
/// assert_eq!(units_of(Amount::from_minor(100_000), per_unit), Ok(Amount::from_minor(318)));
/// ```
///
/// # Errors
/// [`Refusal::Overflow`] when it does not fit.
pub fn units_of(principal: Amount, per_unit: Decimal) -> Result<Amount, Refusal> {
    let principal = Decimal::from(principal.minor());
    round(principal.checked_mul(per_unit).ok_or(Refusal::Overflow)?, principal)
}

/// How many significant digits of a present value are kept before it is rounded: it carries the errors of as many products as there
/// are payments.
const WORTH_DIGITS: u32 = 24;

/// The same for a present value, which may be a half without showing it: at the rate that a price was solved for it is that price.
///
/// ```
/// use parwright::accounting::{Amount, money::worth_of};
/// // 0.0298391666... of 42,000.00 is 1,253.245 exactly, of which an error in the 26th decimal leaves a little less.
/// let per_unit = "0.02983916666666666666666660".parse().unwrap();
/// assert_eq!(worth_of(Amount::from_minor(4_200_000), per_unit), Ok(Amount::from_minor(125_325)));
/// ```
///
/// # Errors
/// [`Refusal::Overflow`] when it does not fit.
pub fn worth_of(principal: Amount, per_unit: Decimal) -> Result<Amount, Refusal> {
    let principal = Decimal::from(principal.minor());
    round_from(WORTH_DIGITS, principal.checked_mul(per_unit).ok_or(Refusal::Overflow)?, principal)
}

/// The share of `amount` that falls to a `part` of a `whole`, rounded to the minor unit.
///
/// ```
/// use parwright::accounting::{Amount, money::pro_rata};
/// let [costs, part, whole] = [100, 1, 8].map(Amount::from_minor);
/// assert_eq!(pro_rata(costs, part, whole), Ok(Amount::from_minor(13)));
/// ```
///
/// # Errors
/// [`Refusal::Overflow`] when the whole is zero or the share does not fit.
pub fn pro_rata(amount: Amount, part: Amount, whole: Amount) -> Result<Amount, Refusal> {
    let [amount, part, whole] = [amount, part, whole].map(|figure| Decimal::from(figure.minor()));
    let share = amount.checked_mul(part).and_then(|product| product.checked_div(whole));
    round_to_minor_unit(share.ok_or(Refusal::Overflow)?)
}

/// Shares for one denomination to the nearest ten-thousandth, halves away from zero, as indentures state conversion rates.
pub fn round_shares(shares: Decimal) -> Decimal {
    shares.round_dp_with_strategy(4, RoundingStrategy::MidpointAwayFromZero).normalize()
}

/// A figure for one share to six decimals, halves away from zero.
pub fn round_per_share(figure: Decimal) -> Decimal {
    figure.round_dp_with_strategy(6, RoundingStrategy::MidpointAwayFromZero).normalize()
}

/// Years to two decimals, halves away from zero.
pub fn round_years(years: Decimal) -> Decimal {
    years.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero).normalize()
}

/// `whole` is what the figure is computed from: the error of its decimals is in proportion to that.
fn round(minor_units: Decimal, whole: Decimal) -> Result<Amount, Refusal> {
    round_from(GUARD_DIGITS, minor_units, whole)
}

fn round_from(kept: u32, minor_units: Decimal, whole: Decimal) -> Result<Amount, Refusal> {
    let digits = whole.trunc().mantissa().unsigned_abs().checked_ilog10().map_or(0, |log| log + 1);
    let rounded = minor_units
        .round_dp_with_strategy(kept.saturating_sub(digits.max(1)), RoundingStrategy::MidpointAwayFromZero)
        .round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero);
    i64::try_from(rounded).map(Amount::from_minor).map_err(|_| Refusal::Overflow)
}
