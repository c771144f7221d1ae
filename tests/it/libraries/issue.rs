//! A random issue and what the core finds for it, as a line of JSON: decimals as strings, amounts in minor units.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use parwright::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, DayCount, Instrument, Moment, Opening, Terms, WithinPeriod,
};
use parwright::accounting::{Amount, Refusal};
use serde_json::{Value, json};

use crate::histories::dice::Dice;
use crate::histories::issue::{draw, refine};

/// The counts in the order in which the days of a pair of dates are written down.
const DAY_COUNTS: [(DayCount, &str); 6] = [
    (DayCount::Thirty360, "30/360"),
    (DayCount::Thirty360Us, "30U/360"),
    (DayCount::ThirtyE360, "30E/360"),
    (DayCount::ActActIcma, "ACT/ACT-ICMA"),
    (DayCount::Act365Fixed, "ACT/365F"),
    (DayCount::Act360, "ACT/360"),
];
/// Of the coupon dates of an issue that has more, so many are drawn.
const MOST_COUPONS: usize = 16;
const DATES_IN_LIFE: usize = 8;
const PAIRS_OF_DATES: usize = 4;

/// Why a seed has no line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LeftOut {
    /// Its terms are not those of an issue that can be accounted for.
    Impossible,
    /// QuantLib's calendar begins in 1901, and a quasi-coupon period may begin more than a year before the dated date.
    BeforeQuantLib,
}

/// The line of a seed.
pub fn found(seed: u64) -> Result<Value, LeftOut> {
    let mut dice = Dice::new(seed);
    let issued = possible(Instrument::new(draw(&mut dice)))?;
    let issued = possible(refine(&mut dice, issued))?;
    let instrument = if dice.chance(10) { taken_over(&mut dice, &issued)? } else { issued };
    if instrument.terms().dated_date.year() < 1904 {
        return Err(LeftOut::BeforeQuantLib);
    }
    let rates = instrument.rates();
    Ok(json!({
        "seed": seed,
        "terms": terms(instrument.terms()),
        "day_counts": (0..PAIRS_OF_DATES).map(|_| day_counts(&mut dice)).collect::<Vec<_>>(),
        "grid": texts(instrument.dates().grid()),
        "coupon_dates": texts(instrument.dates().coupon_dates()),
        "rates": {
            "gross": rates.gross.to_string(),
            "net": rates.net.to_string(),
            "gross_same_horizon": rates.gross_same_horizon.to_string(),
        },
        "coupons": coupons(&mut dice, &instrument),
        "balances": balances(&mut dice, &instrument),
    }))
}

fn possible(instrument: Result<Instrument, Refusal>) -> Result<Instrument, LeftOut> {
    match instrument {
        Ok(instrument) => Ok(instrument),
        Err(
            Refusal::NoRateExplains { .. }
            | Refusal::InvalidField { .. }
            | Refusal::Contradiction { .. }
            | Refusal::NotACouponDate { .. }
            | Refusal::StatedRateDiffers { .. },
        ) => Err(LeftOut::Impossible),
        Err(refusal) => panic!("{refusal:?}"),
    }
}

/// The issue taken over by its balances at the close of a day of its life, a little off, as books elsewhere would be.
fn taken_over(dice: &mut Dice, issued: &Instrument) -> Result<Instrument, LeftOut> {
    let terms = issued.terms().clone();
    // The close of the settlement date has a boundary of its own.
    let first = dice.chance(15);
    let day = if first { terms.settlement_date } else { dice.date(terms.settlement_date, terms.maturity_date) };
    let at = issued.close_of(day);
    let principal = outstanding(dice, &terms, terms.principal);
    let premium = issued.premium_discount(principal, at).expect("a figure").minor() + dice.between(-3, 3);
    let opening = Opening {
        date: day,
        principal,
        premium_discount: Amount::from_minor(premium),
        issue_costs: issued.issue_costs(principal, at).expect("a figure"),
        interest_payable: issued.accrued(principal, at).expect("a figure"),
        interest_due: Amount::ZERO,
        equity_component: Amount::ZERO,
    };
    possible(Instrument::new(Terms {
        opening: Some(opening),
        proceeds: Amount::ZERO,
        issue_costs: Amount::ZERO,
        accrued_interest_received: None,
        ..terms
    }))
}

/// Some of the bonds, mostly all.
fn outstanding(dice: &mut Dice, terms: &Terms, most: Amount) -> Amount {
    let bonds = most.minor() / terms.denomination.minor();
    if dice.chance(60) { most } else { Amount::from_minor(dice.between(1, bonds) * terms.denomination.minor()) }
}

fn terms(terms: &Terms) -> Value {
    let day_count = DAY_COUNTS.iter().find(|(day_count, _)| *day_count == terms.day_count).expect("all are there").1;
    json!({
        "principal": terms.principal.minor(),
        "coupon_rate": terms.coupon_rate.to_string(),
        "coupon_frequency": terms.coupon_frequency,
        "compounding_frequency": terms.compounding_frequency,
        "day_count": day_count,
        "dated_date": terms.dated_date.to_string(),
        "settlement_date": terms.settlement_date.to_string(),
        "first_coupon_date": terms.first_coupon_date.map(|date| date.to_string()),
        "maturity_date": terms.maturity_date.to_string(),
        "proceeds": terms.proceeds.minor(),
        "issue_costs": terms.issue_costs.minor(),
        "redemption_price": terms.redemption_price.to_string(),
        "amortization_method": match terms.amortization_method {
            AmortizationMethod::EffectiveInterest => "effective_interest",
            AmortizationMethod::StraightLine => "straight_line",
        },
        "within_period": match terms.within_period {
            WithinPeriod::Ratable => "ratable",
            WithinPeriod::Compound => "compound",
        },
        "accrual_cutoff": match terms.accrual_cutoff {
            AccrualCutoff::ThroughDate => "through_date",
            AccrualCutoff::ToDate => "to_date",
        },
        "amortization_end": terms.amortization_end.map(|date| date.to_string()),
        "stated_effective_rate": terms.stated_effective_rate.map(|rate| rate.to_string()),
        "opening": terms.opening.map(|opening| json!({
            "date": opening.date.to_string(),
            "principal": opening.principal.minor(),
            "premium_discount": opening.premium_discount.minor(),
            "issue_costs": opening.issue_costs.minor(),
        })),
    })
}

/// The days between two dates by all counts, for a month-end issue or another.
fn day_counts(dice: &mut Dice) -> Value {
    let from = day(dice, date(1902, 1, 1), date(2190, 1, 1));
    let days = if dice.chance(80) { 800 } else { 30_000 };
    let latest = from.checked_add(days.days()).expect("within the calendar").min(date(2199, 1, 1));
    let to = day(dice, from, latest);
    let month_end_issue = dice.chance(40);
    let days: Vec<i64> = DAY_COUNTS.iter().map(|(day_count, _)| day_count.days(from, to, month_end_issue)).collect();
    json!({"from": from.to_string(), "to": to.to_string(), "month_end_issue": month_end_issue, "days": days})
}

/// A date between two, oftener than its share in February or about a month's end, where the counts differ.
fn day(dice: &mut Dice, from: Date, through: Date) -> Date {
    let drawn = dice.date(from, through);
    let moved = match dice.between(1, 100) {
        1..=25 => drawn.last_of_month(),
        26..=45 => date(drawn.year(), 2, 1).last_of_month(),
        46..=60 => drawn.last_of_month().checked_sub(dice.between(0, 3).days()).expect("within the calendar"),
        _ => drawn,
    };
    moved.clamp(from, through)
}

/// Coupons on some of the coupon dates.
fn coupons(dice: &mut Dice, instrument: &Instrument) -> Vec<Value> {
    let all = instrument.start().principal;
    let line = |dice: &mut Dice, date: Date| {
        let principal = outstanding(dice, instrument.terms(), all);
        let coupon = instrument.coupon(principal, date).expect("a figure");
        json!([date.to_string(), principal.minor(), coupon.minor()])
    };
    some(dice, instrument.dates().coupon_dates()).into_iter().map(|date| line(dice, date)).collect()
}

/// All dates, or, of many, the first, the last and others drawn.
fn some(dice: &mut Dice, dates: &[Date]) -> Vec<Date> {
    if dates.len() <= MOST_COUPONS {
        return dates.to_vec();
    }
    let (first, last) = (dates[0], dates[dates.len() - 1]);
    [first, last].into_iter().chain((2..MOST_COUPONS).map(|_| dice.pick(dates))).collect()
}

/// Balances at boundaries within the life: of movements and of closes of business, on dates of the grid and on others.
fn balances(dice: &mut Dice, instrument: &Instrument) -> Vec<Value> {
    let (start, terms) = (instrument.start(), instrument.terms());
    let on_grid = instrument.dates().grid().iter().copied().filter(|date| *date >= start.moment.boundary);
    let mut moments: Vec<(Moment, bool)> = some(dice, &on_grid.collect::<Vec<_>>())
        .into_iter()
        .map(
            |date| if dice.chance(50) { (Moment::of_movement(date), false) } else { (instrument.close_of(date), true) },
        )
        .collect();
    for _ in 0..DATES_IN_LIFE {
        let date = dice.date(start.moment.boundary, terms.maturity_date);
        moments.push((Moment::of_movement(date), false));
        let date = day(dice, start.moment.date, terms.maturity_date);
        moments.push((instrument.close_of(date), true));
    }
    let line = |(moment, close): (Moment, bool)| {
        let principal = outstanding(dice, terms, start.principal);
        let premium = instrument.premium_discount(principal, moment).expect("a figure");
        let costs = instrument.issue_costs(principal, moment).expect("a figure");
        let accrued = instrument.accrued(principal, moment).expect("a figure");
        json!({
            "date": moment.date.to_string(),
            "boundary": moment.boundary.to_string(),
            "close": close,
            "principal": principal.minor(),
            "premium_discount": premium.minor(),
            "issue_costs": costs.minor(),
            "accrued": accrued.minor(),
        })
    };
    moments.into_iter().map(line).collect()
}

fn texts(dates: &[Date]) -> Vec<String> {
    dates.iter().map(Date::to_string).collect()
}
