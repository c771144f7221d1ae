//! What bondholders get at conversion: shares, cash, or both.

use rust_decimal::Decimal;

use crate::accounting::instrument::{ConversionTerms, SettlementType, Terms};
use crate::accounting::money::{Amount, Currency, round_to_minor_unit};
use crate::accounting::refusal::Refusal;

/// What becomes of a fraction of a share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FractionalShares {
    /// Paid in cash at the share price.
    Cash,
    /// Dropped, as the terms say.
    RoundDown,
}

/// Where the shares come from that holders get.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ShareSource {
    #[default]
    NewShares,
    /// Shares held in treasury, at their cost a share.
    TreasuryShares(Decimal),
}

/// How one conversion is settled, where it is not as the terms say or needs figures of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settlement {
    pub kind: SettlementType,
    pub cash: Option<Amount>,
    pub shares: Option<Decimal>,
}

/// What is given for the bonds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Consideration {
    /// Whole shares.
    pub shares: Decimal,
    pub cash: Amount,
    pub cash_in_lieu: Amount,
}

/// The shares of a principal at a rate for one denomination, not rounded.
pub(super) fn shares_of(principal: Amount, terms: &Terms, per_denomination: Decimal) -> Result<Decimal, Refusal> {
    let bonds = principal.minor() / terms.denomination.minor();
    Decimal::from(bonds).checked_mul(per_denomination).ok_or(Refusal::Overflow)
}

/// A product of a quantity and a price in major units, as an amount.
pub(super) fn value(quantity: Decimal, price: Decimal, currency: Currency) -> Result<Amount, Refusal> {
    let minor = Decimal::from(10_i64.pow(u32::from(currency.exponent())));
    let product = quantity.checked_mul(price).and_then(|value| value.checked_mul(minor)).ok_or(Refusal::Overflow)?;
    round_to_minor_unit(product)
}

/// What is given for bonds that convert into `shares` (not rounded).
///
/// # Errors
/// A fraction or a settlement in cash without a share price, or figures that contradict the settlement's type.
pub(super) fn consideration(
    shares: Decimal,
    conversion: &ConversionTerms,
    settlement: Option<Settlement>,
    share_price: Option<Decimal>,
    fractional: FractionalShares,
    currency: Currency,
) -> Result<Consideration, Refusal> {
    let settlement = settlement.unwrap_or(Settlement { kind: conversion.settlement, cash: None, shares: None });
    let (given, cash) = match (settlement.kind, settlement.cash, settlement.shares) {
        (SettlementType::Physical, None, None) => (shares, Amount::ZERO),
        (SettlementType::Physical, ..) => {
            return Err(Refusal::contradiction(
                "settlement",
                "physical settlement gives the shares of the terms: leave cash and shares out",
            ));
        }
        (SettlementType::Cash, _, Some(_)) => {
            return Err(Refusal::contradiction(
                "settlement/shares",
                "a settlement in cash gives no shares: leave shares out or choose combination",
            ));
        }
        (SettlementType::Cash, Some(cash), None) => (Decimal::ZERO, cash),
        (SettlementType::Cash, None, None) => {
            let price = share_price.ok_or_else(|| {
                Refusal::missing("settlement/cash", "give the cash, or share_price to compute the conversion value")
            })?;
            (Decimal::ZERO, value(shares, price, currency)?)
        }
        (SettlementType::Combination, None, _) => {
            return Err(Refusal::missing(
                "settlement/cash",
                "a combination settlement needs the part that is paid in cash",
            ));
        }
        (SettlementType::Combination, Some(cash), Some(shares)) => (shares, cash),
        (SettlementType::Combination, Some(cash), None) => {
            let price = share_price.ok_or_else(|| {
                Refusal::missing(
                    "settlement/shares",
                    "give the shares, or share_price to compute them from the conversion value",
                )
            })?;
            let in_cash = cash.to_major(currency).checked_div(price).ok_or(Refusal::Overflow)?;
            if in_cash > shares {
                let worth = value(shares, price, currency)?.to_major(currency);
                return Err(Refusal::contradiction(
                    "settlement/cash",
                    format!(
                        "cash {} is more than the conversion value {worth}; state the shares (\"0\") if that is meant",
                        cash.to_major(currency)
                    ),
                ));
            }
            (shares - in_cash, cash)
        }
    };
    if cash.is_negative() {
        return Err(Refusal::invalid("settlement/cash", cash.to_major(currency), "it cannot be negative"));
    }
    if given < Decimal::ZERO {
        return Err(Refusal::invalid("settlement/shares", given, "it cannot be negative"));
    }
    let whole = given.floor();
    let fraction = given - whole;
    let cash_in_lieu = match (fraction.is_zero(), fractional, share_price) {
        (true, ..) | (false, FractionalShares::RoundDown, _) => Amount::ZERO,
        (false, FractionalShares::Cash, Some(price)) => value(fraction, price, currency)?,
        (false, FractionalShares::Cash, None) => {
            return Err(Refusal::FractionWithoutPrice { shares: given.normalize() });
        }
    };
    Ok(Consideration { shares: whole.normalize(), cash, cash_in_lieu })
}

/// A share price, or another figure a share, that can be right.
pub(super) fn check_per_share(field: &'static str, figure: Option<Decimal>) -> Result<(), Refusal> {
    match figure {
        Some(figure) if figure <= Decimal::ZERO || figure > Decimal::from(1_000_000_000) => {
            Err(Refusal::invalid(field, figure, "it must be more than zero and at most 1000000000"))
        }
        Some(figure) if figure.normalize().scale() > 10 => {
            Err(Refusal::invalid(field, figure, "it may have at most 10 decimals"))
        }
        _ => Ok(()),
    }
}
