//! Settlement over an observation period: each of its days settles one nth of the bonds at that day's price.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::settlement::{Consideration, Settlement, check_per_share, value};
use crate::accounting::instrument::SettlementType;
use crate::accounting::money::{Amount, Currency};
use crate::accounting::refusal::Refusal;

/// The price of a share on a day of the observation period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DailyPrice {
    pub date: Date,
    pub price: Decimal,
}

/// What is given for bonds that convert into `shares` (not rounded) after an observation period of N days. The daily conversion
/// value is shares x price / N. In a combination each day gives cash up to one nth of the specified amount and the rest in shares at
/// that day's price; in a cash settlement all of it is cash. A fraction of the shares of all days is paid at the last day's price.
///
/// # Errors
/// A settlement in shares alone, or with shares stated; a combination without its cash; days out of order, or after `settled_on`.
pub fn observed(
    shares: Decimal,
    prices: &[DailyPrice],
    settlement: Settlement,
    settled_on: Date,
    currency: Currency,
) -> Result<Consideration, Refusal> {
    check(prices, settled_on)?;
    let specified = match (settlement.kind, settlement.cash, settlement.shares) {
        (SettlementType::Physical, ..) => {
            return Err(Refusal::contradiction(
                "daily_prices",
                "physical settlement has no observation period; settle in cash or in combination, or leave daily_prices out",
            ));
        }
        (_, _, Some(_)) => {
            return Err(Refusal::contradiction(
                "settlement/shares",
                "the daily prices give the shares; leave them out",
            ));
        }
        (SettlementType::Cash, None, None) => None,
        (SettlementType::Cash, Some(_), None) => {
            return Err(Refusal::contradiction("settlement/cash", "the daily prices give the cash; leave it out"));
        }
        (SettlementType::Combination, Some(cash), None) if !cash.is_negative() => Some(cash.to_major(currency)),
        (SettlementType::Combination, cash, None) => {
            return Err(match cash {
                Some(cash) => Refusal::invalid("settlement/cash", cash.to_major(currency), "it cannot be negative"),
                None => Refusal::missing("settlement/cash", "a combination settlement has a specified amount of cash"),
            });
        }
    };
    // Everything is added up as if each day settled all bonds, and divided by the days at the end.
    let (mut cash, mut given) = (Decimal::ZERO, Decimal::ZERO);
    for DailyPrice { price, .. } in prices {
        let worth = shares.checked_mul(*price).ok_or(Refusal::Overflow)?;
        let in_cash = specified.map_or(worth, |specified| specified.min(worth));
        let rest = worth.checked_sub(in_cash).and_then(|rest| rest.checked_div(*price)).ok_or(Refusal::Overflow)?;
        cash = cash.checked_add(in_cash).ok_or(Refusal::Overflow)?;
        given = given.checked_add(rest).ok_or(Refusal::Overflow)?;
    }
    let days = Decimal::from(prices.len());
    let given = given.checked_div(days).ok_or(Refusal::Overflow)?;
    let whole = given.floor();
    let last = prices.last().map_or(Decimal::ZERO, |last| last.price);
    Ok(Consideration {
        shares: whole.normalize(),
        cash: value(cash, Decimal::ONE.checked_div(days).ok_or(Refusal::Overflow)?, currency)?,
        cash_in_lieu: if given == whole { Amount::ZERO } else { value(given - whole, last, currency)? },
    })
}

/// Checks that days come once and in order, each with a price that can be.
pub(super) fn check_days(list: &'static str, prices: &[DailyPrice]) -> Result<(), Refusal> {
    for (at, pair) in prices.windows(2).enumerate() {
        if pair[1].date <= pair[0].date {
            let detail = format!("{} does not follow {}: give each day once, in order", pair[1].date, pair[0].date);
            return Err(Refusal::InvalidRow { list, at: at + 1, field: "date", detail });
        }
    }
    for (at, DailyPrice { date, price }) in prices.iter().enumerate() {
        check_per_share("price", Some(*price)).map_err(|why| {
            let detail = format!("on {date} {why}");
            Refusal::InvalidRow { list, at, field: "price", detail }
        })?;
    }
    Ok(())
}

fn check(prices: &[DailyPrice], settled_on: Date) -> Result<(), Refusal> {
    check_days("daily_prices", prices)?;
    match prices.last().filter(|last| last.date > settled_on) {
        Some(last) => Err(Refusal::contradiction(
            "effective_date",
            format!(
                "bonds settle after the observation period, which ends on {}; effective_date is {settled_on}",
                last.date
            ),
        )),
        None => Ok(()),
    }
}
