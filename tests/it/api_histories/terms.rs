//! Random terms, as a request and for the reference at once.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use num_bigint::BigInt;
use num_rational::BigRational;
use serde_json::{Value, json};

use super::dice::Dice;
use crate::reference::{Cutoff, DayCount, Method, OnConversion, Terms, Within};

/// A currency with the number of its decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Currency {
    pub code: &'static str,
    pub decimals: u32,
}

pub const CURRENCIES: [Currency; 3] = [
    Currency { code: "USD", decimals: 2 },
    Currency { code: "JPY", decimals: 0 },
    Currency { code: "KWD", decimals: 3 },
];

impl Currency {
    /// An amount as it is written on the wire.
    pub fn written(self, minor: i128) -> String {
        let sign = if minor < 0 { "-" } else { "" };
        let (unit, size) = (10_u128.pow(self.decimals), minor.unsigned_abs());
        match self.decimals {
            0 => format!("{sign}{size}"),
            decimals => format!("{sign}{}.{:0width$}", size / unit, size % unit, width = decimals as usize),
        }
    }
}

const DAY_COUNTS: [(&str, DayCount); 6] = [
    ("30/360", DayCount::Thirty360),
    ("30U/360", DayCount::Thirty360U),
    ("30E/360", DayCount::ThirtyE360),
    ("ACT/ACT-ICMA", DayCount::ActActIcma),
    ("ACT/365F", DayCount::Act365F),
    ("ACT/360", DayCount::Act360),
];
const INTEREST: [(&str, OnConversion); 3] =
    [("forfeited", OnConversion::Forfeited), ("paid", OnConversion::Paid), ("payable", OnConversion::Payable)];

fn hundredths_of_percent(parts: i64) -> BigRational {
    BigRational::new(BigInt::from(parts), BigInt::from(10_000))
}

/// What issues differ in most.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    pub currency: Currency,
    /// Coupons a year.
    pub frequency: i32,
    pub periods: i32,
    pub denomination: i64,
    pub bonds: i64,
    /// Coupon rate and price, in hundredths of a percent.
    pub rate: i64,
    pub price: i64,
    /// Whether a substantial premium may be capital; otherwise it is debt.
    pub in_capital: bool,
}

/// Everyday terms: all of them are possible.
pub fn draw(dice: &mut Dice, reference: &str) -> (Value, Terms, Currency) {
    let currency = dice.pick(&CURRENCIES);
    let frequency = dice.pick(&[0, 1, 2, 2, 2, 4]);
    let a_year = if frequency == 0 { 2 } else { frequency };
    let kind = Kind {
        currency,
        frequency,
        periods: dice.between(4, 6 * i64::from(a_year)) as i32,
        denomination: 1_000 * 10_i64.pow(currency.decimals),
        bonds: if dice.chance(50) { dice.between(5, 60) } else { dice.between(100, 9_000) },
        rate: if frequency == 0 { 0 } else { dice.between(25, 900) },
        price: if frequency == 0 { dice.between(6_500, 9_900) } else { dice.between(8_500, 11_500) },
        in_capital: dice.chance(50),
    };
    draw_of(dice, reference, kind)
}

/// Terms of a kind.
pub fn draw_of(dice: &mut Dice, reference: &str, kind: Kind) -> (Value, Terms, Currency) {
    let Kind { currency, frequency, periods, denomination, bonds, rate, price, in_capital } = kind;
    let months = 12 / if frequency == 0 { 2 } else { frequency };
    let maturity = maturity(dice);
    // Posted to accounts, which are mapped from 2000 on.
    let maturity = if periods * months > 300 { maturity.saturating_add(95.years()) } else { maturity };
    let grid = |back: i32| {
        let moved = maturity.checked_sub((back * months).months()).expect("within the calendar");
        if maturity.day() == maturity.days_in_month() { moved.last_of_month() } else { moved }
    };
    let (regular, next) = (grid(periods), grid(periods - 1));
    let dated = if dice.chance(60) { regular } else { dice.date(regular, next.yesterday().expect("a day")) };
    // A long first period has to be stated.
    let first_coupon = (frequency > 0 && periods > 2 && dice.chance(20)).then(|| grid(periods - 2));
    let settlement = if dice.chance(60) { dated } else { dice.date(dated, next.yesterday().expect("a day")) };
    let principal = denomination * bonds;
    let redemption = if price > 10_000 || dice.chance(75) { 10_000 } else { dice.between(10_000, 11_500) };
    let proceeds = (i128::from(principal) * i128::from(price) / 10_000).min(10_i128.pow(15)) as i64;
    let repaid = (2 * i128::from(principal) * i128::from(redemption) + 10_000) / 20_000;
    let is_substantial = i128::from(proceeds) * 10 >= repaid * 11;
    let in_capital = is_substantial && in_capital;
    let issue_costs = if dice.chance(40) { 0 } else { dice.between(1, proceeds / 40) };
    let (day_count_name, day_count) = dice.pick(&DAY_COUNTS);
    let (interest_name, on_conversion) = dice.pick(&INTEREST);
    let (within, method, cutoff) = (dice.chance(50), dice.chance(85), dice.chance(65));
    let record_days = (frequency > 0 && dice.chance(50)).then(|| dice.between(1, 20) as u32);
    let received = (frequency > 0 && dice.chance(20)).then(|| dice.between(0, principal / 200));
    let amount = |minor: i64| currency.written(minor.into());
    let mut body = json!({
        "entity": "ACME", "reference": reference, "currency": currency.code,
        "principal": amount(principal), "denomination": amount(denomination),
        "coupon_rate": format!("0.{rate:04}"), "coupon_frequency": frequency, "day_count": day_count_name,
        "dated_date": dated.to_string(), "settlement_date": settlement.to_string(), "maturity_date": maturity.to_string(),
        "proceeds": amount(proceeds), "issue_costs": amount(issue_costs),
        "redemption_price": format!("{}.{:02}", redemption / 100, redemption % 100),
        "within_period": if within { "ratable" } else { "compound" },
        "amortization_method": if method { "effective_interest" } else { "straight_line" },
        "accrual_cutoff": if cutoff { "through_date" } else { "to_date" },
        "conversion": {"shares_per_denomination": "31.4159", "share_par_value": "0.01", "accrued_interest": interest_name}
    });
    let mut add = |name: &str, value: Option<Value>| {
        if let Some(value) = value {
            body[name] = value;
        }
    };
    // A substantial premium that is capital leaves the debt at what is repaid.
    let treatment = if in_capital { "paid_in_capital" } else { "liability" };
    add("premium_treatment", is_substantial.then(|| json!(treatment)));
    add("first_coupon_date", first_coupon.map(|date| json!(date.to_string())));
    add("record_days", record_days.map(|days| json!(days)));
    add("accrued_interest_received", received.map(|minor| json!(amount(minor))));
    let terms = Terms {
        principal_minor: principal.into(),
        denomination_minor: denomination.into(),
        coupon_rate: hundredths_of_percent(rate),
        frequency: frequency as u32,
        compounding_frequency: 2,
        day_count,
        dated,
        settlement,
        first_coupon,
        maturity,
        proceeds_minor: if in_capital { repaid } else { proceeds.into() },
        issue_costs_minor: issue_costs.into(),
        redemption: hundredths_of_percent(redemption),
        method: if method { Method::EffectiveInterest } else { Method::StraightLine },
        within: if within { Within::Ratable } else { Within::Compound },
        cutoff: if cutoff { Cutoff::ThroughDate } else { Cutoff::ToDate },
        amortization_end: None,
        stated_rate: None,
        accrued_received_minor: received.map(Into::into),
        record_days,
        on_conversion,
    };
    (body, terms, currency)
}

/// Month-ends oftener than their share.
fn maturity(dice: &mut Dice) -> Date {
    let month = date(dice.between(2027, 2030) as i16, dice.between(1, 12) as i8, 1);
    let day = if dice.chance(25) { month.days_in_month() } else { dice.between(1, 28) as i8 };
    date(month.year(), month.month(), day)
}

#[test]
fn amounts_are_written_with_the_decimals_of_their_currency() {
    let [usd, jpy, kwd] = CURRENCIES;
    assert_eq!([usd.written(5), usd.written(-123_456), jpy.written(-7)], ["0.05", "-1234.56", "-7"]);
    assert_eq!(kwd.written(1_002), "1.002");
}
