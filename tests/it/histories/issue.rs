//! Random terms, for the core and for the reference at once.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use num_bigint::BigInt;
use num_rational::BigRational;
use parwright::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, DayCount, Instrument, InterestOnConversion, SettlementType,
    ShareCapital, Terms, WithinPeriod,
};
use parwright::accounting::{Amount, Currency, Refusal};
use rust_decimal::Decimal;

use super::dice::Dice;
use crate::reference;

/// The largest principal that terms may have, in minor units.
const GREATEST: i64 = 1_000_000_000_000_000;

/// Terms as the core takes them. Most are everyday, some lie at an edge; not all of them are possible.
pub fn draw(dice: &mut Dice) -> Terms {
    // The most periods that there can be are drawn oftener than by chance.
    let longest = dice.chance(1);
    let (frequency, compounding) = match (longest, dice.chance(12)) {
        (true, _) => (12, 2),
        (false, true) => (0, dice.pick(&[1, 2, 4, 12])),
        (false, false) => (dice.pick(&[1, 2, 2, 2, 4, 12]), 2),
    };
    let per_year = if frequency == 0 { compounding } else { frequency };
    let months = 12 / i32::from(per_year);
    let years = match dice.between(1, 100) {
        _ if longest => 100,
        1..=80 => dice.between(1, 10),
        81..=97 => dice.between(11, 30),
        _ => dice.between(31, 100),
    };
    let maturity = maturity(dice);
    let grid = |back: i32| grid_date(maturity, back * months);
    let whole = i32::try_from(years).expect("few years") * i32::from(per_year);
    let (dated, first_coupon) = beginning(dice, &grid, whole, frequency == 0);
    let first = first_coupon
        .unwrap_or_else(|| (0..).map(grid).take_while(|end| *end > dated).last().expect("maturity at least"));
    let settlement = settlement(
        dice,
        dated,
        if frequency == 0 { grid((whole / 2).max(1)).max(dated.tomorrow().expect("a day")) } else { first },
    );
    let (principal, denomination) = principal(dice);
    let redemption = match dice.between(1, 100) {
        1..=70 => Decimal::ONE,
        71..=90 => Decimal::new(dice.between(9_000, 13_000), 4),
        _ => Decimal::new(dice.between(1, 30_000), 4),
    };
    let coupon_rate = if frequency == 0 { Decimal::ZERO } else { rate(dice) };
    let proceeds = proceeds(dice, principal, redemption, coupon_rate, years);
    let issue_costs = match dice.between(1, 100) {
        1..=40 => 0,
        41..=90 => dice.between(0, proceeds / 25),
        // Costs that cancel the premium exactly, where there is one.
        91..=95 => (proceeds - principal).clamp(0, proceeds - 1),
        _ => dice.between(0, proceeds / 4),
    };
    let grid_end = dice.between(0, i64::from(whole - 1));
    let record_limit = 28 * i64::from(months) - 1;
    Terms {
        opening: None,
        put_dates: Vec::new(),
        premium_treatment: None,
        straight_debt_rate: None,
        equity_issue_costs: None,
        currency: Currency::from_code(dice.pick(&["USD", "EUR", "JPY", "KWD", "BHD", "CLF", "UYW"])).expect("listed"),
        principal: Amount::from_minor(principal),
        denomination: Amount::from_minor(denomination),
        coupon_rate,
        coupon_frequency: frequency,
        compounding_frequency: compounding,
        day_count: dice.pick(&[
            DayCount::Thirty360,
            DayCount::Thirty360Us,
            DayCount::ThirtyE360,
            DayCount::ActActIcma,
            DayCount::Act365Fixed,
            DayCount::Act360,
        ]),
        dated_date: dated,
        settlement_date: settlement,
        first_coupon_date: first_coupon,
        maturity_date: maturity,
        proceeds: Amount::from_minor(proceeds),
        accrued_interest_received: None,
        issue_costs: Amount::from_minor(issue_costs),
        redemption_price: redemption,
        amortization_method: if dice.chance(15) {
            AmortizationMethod::StraightLine
        } else {
            AmortizationMethod::EffectiveInterest
        },
        within_period: dice.pick(&[WithinPeriod::Ratable, WithinPeriod::Compound]),
        accrual_cutoff: dice.pick(&[AccrualCutoff::ThroughDate, AccrualCutoff::ToDate]),
        // A premium lost within days has a rate so near minus a hundred percent that it is beyond the reference.
        amortization_end: dice
            .chance(20)
            .then(|| grid(i32::try_from(grid_end).expect("few")))
            .filter(|end| *end > settlement.checked_add(27.days()).expect("within the calendar")),
        stated_effective_rate: None,
        record_days: (frequency > 0 && dice.chance(50)).then(|| {
            let days = if dice.chance(90) { dice.between(0, 20) } else { dice.between(0, record_limit) };
            u16::try_from(days).expect("few days")
        }),
        conversion: Some(ConversionTerms {
            minimum_adjustment: None,
            principal_on_conversion: None,
            sale_price_condition: None,
            make_whole: None,
            // So few that the shares of the largest issue can be valued in 64 bits.
            shares_per_denomination: Decimal::new(dice.magnitude((10_000 * denomination).min(9_999_999)), 4),
            share_capital: if dice.chance(20) {
                ShareCapital::NoPar
            } else {
                ShareCapital::ParValue(Decimal::new(dice.between(0, 999), 5))
            },
            accrued_interest: dice.pick(&[
                InterestOnConversion::Forfeited,
                InterestOnConversion::Paid,
                InterestOnConversion::Payable,
            ]),
            settlement: SettlementType::Physical,
        }),
    }
}

/// Terms that the core accepted, now and then with what only the solved issue tells: interest received at settlement that is not the
/// computed one, and a stated rate rounded from the solved one.
pub fn refine(dice: &mut Dice, instrument: Instrument) -> Result<Instrument, Refusal> {
    let mut terms = instrument.terms().clone();
    let computed = instrument.accrued_at_start()?.minor();
    if !terms.is_zero_coupon() && dice.chance(25) {
        let received = match dice.between(1, 3) {
            1 => 0,
            2 => computed + dice.between(-2, 2),
            _ => dice.between(0, 2 * computed + 5),
        };
        terms.accrued_interest_received = Some(Amount::from_minor(received.clamp(0, terms.principal.minor())));
    }
    // The reference carries the powers of a rational rate exactly, which is slow over more periods than these.
    if instrument.dates().periods() <= 40 && dice.chance(15) {
        let decimals = u32::try_from(dice.between(3, 8)).expect("few decimals");
        terms.stated_effective_rate = Some(instrument.nominal_annual_rate().round_dp(decimals));
    }
    if terms == *instrument.terms() { Ok(instrument) } else { Instrument::new(terms) }
}

/// The same terms for the reference.
pub fn for_reference(terms: &Terms) -> reference::Terms {
    let conversion = terms.conversion.as_ref().expect("drawn with conversion terms");
    reference::Terms {
        principal_minor: terms.principal.minor().into(),
        denomination_minor: terms.denomination.minor().into(),
        coupon_rate: rational(terms.coupon_rate),
        frequency: terms.coupon_frequency.into(),
        compounding_frequency: terms.compounding_frequency.into(),
        day_count: match terms.day_count {
            DayCount::Thirty360 => reference::DayCount::Thirty360,
            DayCount::Thirty360Us => reference::DayCount::Thirty360U,
            DayCount::ThirtyE360 => reference::DayCount::ThirtyE360,
            DayCount::ActActIcma => reference::DayCount::ActActIcma,
            DayCount::Act365Fixed => reference::DayCount::Act365F,
            DayCount::Act360 => reference::DayCount::Act360,
        },
        dated: terms.dated_date,
        settlement: terms.settlement_date,
        first_coupon: terms.first_coupon_date,
        maturity: terms.maturity_date,
        proceeds_minor: terms.proceeds.minor().into(),
        issue_costs_minor: terms.issue_costs.minor().into(),
        redemption: rational(terms.redemption_price),
        method: match terms.amortization_method {
            AmortizationMethod::EffectiveInterest => reference::Method::EffectiveInterest,
            AmortizationMethod::StraightLine => reference::Method::StraightLine,
        },
        within: match terms.within_period {
            WithinPeriod::Ratable => reference::Within::Ratable,
            WithinPeriod::Compound => reference::Within::Compound,
        },
        cutoff: match terms.accrual_cutoff {
            AccrualCutoff::ThroughDate => reference::Cutoff::ThroughDate,
            AccrualCutoff::ToDate => reference::Cutoff::ToDate,
        },
        amortization_end: terms.amortization_end,
        stated_rate: terms.stated_effective_rate.map(rational),
        accrued_received_minor: terms.accrued_interest_received.map(|received| received.minor().into()),
        record_days: terms.record_days.map(u32::from),
        on_conversion: match conversion.accrued_interest {
            InterestOnConversion::Forfeited => reference::OnConversion::Forfeited,
            InterestOnConversion::Paid => reference::OnConversion::Paid,
            InterestOnConversion::Payable => reference::OnConversion::Payable,
        },
    }
}

/// What issues a run must have had among them.
pub const KINDS: [&str; 15] = [
    "in a currency of 0 decimals",
    "in a currency of 2 decimals",
    "in a currency of 3 decimals",
    "in a currency of 4 decimals",
    "without coupons",
    "with 1 coupon a year",
    "with 2 coupons a year",
    "with 4 coupons a year",
    "with 12 coupons a year",
    "at a negative yield",
    "of one bond",
    "of 10^15 minor units",
    "of a year at most",
    "of more than 30 years",
    "of 100 years of monthly coupons",
];

/// Which of [`KINDS`] an issue is.
pub fn kinds(instrument: &Instrument) -> Vec<&'static str> {
    let terms = instrument.terms();
    let days = terms.dated_date.duration_until(terms.maturity_date).as_hours() / 24;
    let mut kinds = vec![
        match terms.currency.exponent() {
            0 => KINDS[0],
            2 => KINDS[1],
            3 => KINDS[2],
            _ => KINDS[3],
        },
        match terms.coupon_frequency {
            0 => KINDS[4],
            1 => KINDS[5],
            2 => KINDS[6],
            4 => KINDS[7],
            _ => KINDS[8],
        },
    ];
    let further = [
        (instrument.nominal_annual_rate().is_sign_negative(), KINDS[9]),
        (terms.principal == terms.denomination, KINDS[10]),
        (terms.principal.minor() == GREATEST, KINDS[11]),
        (days <= 366, KINDS[12]),
        (days > 30 * 366, KINDS[13]),
        (days > 98 * 366 && terms.coupon_frequency == 12, KINDS[14]),
    ];
    kinds.extend(further.into_iter().filter(|(is, _)| *is).map(|(_, kind)| kind));
    kinds
}

/// A decimal as the fraction that it is.
pub fn rational(decimal: Decimal) -> BigRational {
    BigRational::new(BigInt::from(decimal.mantissa()), BigInt::from(10).pow(decimal.scale()))
}

/// Month-ends, and the days that some months lack, oftener than their share.
fn maturity(dice: &mut Dice) -> Date {
    let year = i16::try_from(dice.between(2001, 2140)).expect("a year");
    let month_begin = date(year, i8::try_from(dice.between(1, 12)).expect("a month"), 1);
    let day = match dice.between(1, 100) {
        1..=20 => month_begin.days_in_month(),
        21..=40 => 15,
        41..=55 => dice.pick(&[28, 29, 30]).min(month_begin.days_in_month()),
        _ => i8::try_from(dice.between(1, 28)).expect("a day"),
    };
    date(year, month_begin.month(), day)
}

fn grid_date(maturity: Date, months: i32) -> Date {
    let moved = maturity.checked_sub(months.months()).expect("within the calendar");
    if maturity.day() == maturity.days_in_month() { moved.last_of_month() } else { moved }
}

/// The dated date, and the first coupon date where it has to be stated: regular, short or long first periods.
fn beginning(dice: &mut Dice, grid: &impl Fn(i32) -> Date, whole: i32, zero_coupon: bool) -> (Date, Option<Date>) {
    let (regular, next) = (grid(whole), grid(whole - 1));
    let within = |dice: &mut Dice| dice.date(regular, next.yesterday().expect("a day"));
    match dice.between(1, 100) {
        1..=45 => (regular, (!zero_coupon && dice.chance(20)).then_some(next)),
        46..=70 => (within(dice), None),
        // The day before the first coupon, and a dated date on a 31st where the period has one.
        71..=76 => (next.yesterday().expect("a day"), None),
        77..=82 => {
            let last = regular.last_of_month();
            (if last < next { last } else { regular }, None)
        }
        _ if zero_coupon => (within(dice), None),
        _ => {
            let later = if dice.chance(85) { dice.between(2, 3) } else { dice.between(2, 60) };
            let later = i32::try_from(later).expect("few").min(whole);
            (within(dice), Some(grid(whole - later)))
        }
    }
}

fn settlement(dice: &mut Dice, dated: Date, before: Date) -> Date {
    let last = before.yesterday().expect("a day");
    match dice.between(1, 100) {
        1..=55 => dated,
        56..=65 => last,
        _ => dice.date(dated, last),
    }
}

fn principal(dice: &mut Dice) -> (i64, i64) {
    let denomination = match dice.between(1, 100) {
        1..=60 => dice.pick(&[100_000, 1_000, 100, 10_000_000]),
        61..=80 => 1,
        _ => dice.magnitude(1_000_000_000),
    };
    let most = GREATEST / denomination;
    let bonds = match dice.between(1, 100) {
        1..=10 => 1,
        11..=15 => most,
        _ => dice.magnitude(most),
    };
    (denomination * bonds, denomination)
}

fn rate(dice: &mut Dice) -> Decimal {
    match dice.between(1, 100) {
        1..=4 => Decimal::ZERO,
        5..=80 => Decimal::new(dice.between(1, 1_200), 4),
        81..=95 => Decimal::new(dice.between(1, 1_500_000_000), 10),
        _ => Decimal::new(dice.between(1, 10_000), 4),
    }
}

/// Mostly near what the bonds are worth at some everyday yield; now and then anything.
fn proceeds(dice: &mut Dice, principal: i64, redemption: Decimal, coupon_rate: Decimal, years: i64) -> i64 {
    let percent = |dice: &mut Dice, low, high| Decimal::new(dice.between(low, high), 4);
    let price = match dice.between(1, 100) {
        1..=12 => Decimal::ONE,
        13..=50 => redemption * percent(dice, 9_000, 11_000),
        51..=90 => {
            // Where yields are negative they are so by little, the less the longer.
            let growth = match dice.chance(20) {
                true => Decimal::ONE - percent(dice, 1, 200.min(4_000 / years)),
                false => Decimal::ONE + percent(dice, 50, 1_000),
            };
            let mut worth = redemption;
            for _ in 0..years {
                worth = ((worth + coupon_rate) / growth).round_dp(12);
            }
            worth
        }
        91..=97 => redemption * percent(dice, 1_000, 25_000),
        // A price of few digits, as where money loses its worth.
        _ => Decimal::new(dice.magnitude(100_000_000), 10),
    };
    let minor = i64::try_from((Decimal::from(principal) * price).round()).expect("an amount");
    minor.clamp(1, GREATEST)
}
