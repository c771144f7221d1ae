//! Amounts in minor units.

use std::fmt;

use rust_decimal::Decimal;

use super::Currency;
use crate::accounting::Refusal;

/// An amount of money in minor units of a currency that its context names (the issue's): cents for USD, whole yen for JPY.
///
/// It is always a whole number of minor units: a product becomes an amount only by rounding. Arithmetic is checked; an overflow
/// is a [`Refusal::Overflow`].
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Amount(i64);

impl Amount {
    /// Nothing.
    pub const ZERO: Amount = Amount(0);

    /// An amount of so many minor units.
    pub const fn from_minor(minor: i64) -> Amount {
        Amount(minor)
    }

    /// The number of minor units.
    pub const fn minor(self) -> i64 {
        self.0
    }

    /// The exact amount of a decimal in major units.
    ///
    /// # Errors
    /// [`Refusal::TooManyDecimals`] when the currency has no unit that small, [`Refusal::Overflow`] when it is too large.
    pub fn from_major(major: Decimal, currency: Currency) -> Result<Amount, Refusal> {
        let normal = major.normalize();
        if normal.scale() > u32::from(currency.exponent()) {
            return Err(Refusal::TooManyDecimals {
                field: None,
                amount: major,
                currency: currency.code(),
                exponent: currency.exponent(),
            });
        }
        let minor =
            Decimal::from(10_i64.pow(u32::from(currency.exponent()))).checked_mul(normal).ok_or(Refusal::Overflow)?;
        i64::try_from(minor).map(Amount).map_err(|_| Refusal::Overflow)
    }

    /// The decimal in major units, with all decimals of the currency: `1024.40`.
    pub fn to_major(self, currency: Currency) -> Decimal {
        Decimal::from_i128_with_scale(i128::from(self.0), u32::from(currency.exponent()))
    }

    /// The sum.
    pub fn plus(self, other: Amount) -> Result<Amount, Refusal> {
        self.0.checked_add(other.0).map(Amount).ok_or(Refusal::Overflow)
    }

    /// The difference.
    pub fn minus(self, other: Amount) -> Result<Amount, Refusal> {
        self.0.checked_sub(other.0).map(Amount).ok_or(Refusal::Overflow)
    }

    /// The same amount with the other sign.
    pub fn negated(self) -> Result<Amount, Refusal> {
        self.0.checked_neg().map(Amount).ok_or(Refusal::Overflow)
    }

    /// The sum of all.
    pub fn total(amounts: impl IntoIterator<Item = Amount>) -> Result<Amount, Refusal> {
        amounts.into_iter().try_fold(Amount::ZERO, Amount::plus)
    }

    /// Whether it is nothing.
    pub fn is_zero(self) -> bool {
        self.0 == 0
    }

    /// Whether it is below nothing.
    pub fn is_negative(self) -> bool {
        self.0 < 0
    }

    /// Whether it is above nothing.
    pub fn is_positive(self) -> bool {
        self.0 > 0
    }

    /// The part above nothing.
    pub fn positive_part(self) -> Amount {
        Amount(self.0.max(0))
    }

    /// The part below nothing, itself not above zero.
    pub fn negative_part(self) -> Amount {
        Amount(self.0.min(0))
    }
}

impl fmt::Debug for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} minor", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_amount_keeps_the_decimals_of_its_currency() {
        for (text, code, minor, shown) in
            [("1024.4", "USD", 102_440, "1024.40"), ("7", "JPY", 7, "7"), ("-0.001", "KWD", -1, "-0.001")]
        {
            let currency = Currency::from_code(code).expect("listed");
            let amount = Amount::from_major(text.parse().expect("decimal"), currency).expect("fits");
            assert_eq!(
                (amount.minor(), amount.to_major(currency).to_string()),
                (minor, shown.to_owned()),
                "{text} {code}"
            );
        }
    }

    #[test]
    fn an_amount_with_too_many_decimals_is_refused_and_trailing_zeros_are_not_decimals() {
        let yen = Currency::from_code("JPY").expect("listed");
        assert!(matches!(
            Amount::from_major("1.5".parse().expect("decimal"), yen),
            Err(Refusal::TooManyDecimals { .. })
        ));
        assert_eq!(Amount::from_major("2.00".parse().expect("decimal"), yen), Ok(Amount::from_minor(2)));
    }

    #[test]
    fn an_overflow_is_a_refusal() {
        assert_eq!(Amount::from_minor(i64::MAX).plus(Amount::from_minor(1)), Err(Refusal::Overflow));
    }
}
