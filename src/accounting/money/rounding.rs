//! The only rounding in the crate: half away from zero, to the minor unit.

use rust_decimal::{Decimal, RoundingStrategy};

use super::Amount;
use crate::accounting::Refusal;

/// How many decimals of a minor unit are kept before a figure is rounded.
///
/// A 28-digit decimal of a quotient such as one third can fall short of an exact half by its last digit, and would then round the
/// wrong way. Figures are first brought to eleven decimals of a minor unit, far above that error and far below anything that
/// has a meaning, so that what is a half in exact arithmetic is a half here.
const GUARD_DECIMALS: u32 = 11;

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
    let whole = minor_units
        .round_dp_with_strategy(GUARD_DECIMALS, RoundingStrategy::MidpointAwayFromZero)
        .round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero);
    i64::try_from(whole).map(Amount::from_minor).map_err(|_| Refusal::Overflow)
}

/// The value of `principal` at `per_unit` a unit of principal, rounded to the minor unit.
///
/// # Errors
/// [`Refusal::Overflow`] when it does not fit.
pub fn units_of(principal: Amount, per_unit: Decimal) -> Result<Amount, Refusal> {
    Decimal::from(principal.minor()).checked_mul(per_unit).ok_or(Refusal::Overflow).and_then(round_to_minor_unit)
}
