//! How long the core takes where a request waits for it: `cargo bench --bench core`.
//!
//! Each figure is the median of five runs, and each run the mean of many repetitions. Where the kernel tells it, the time that the
//! thread spent on the CPU stands beside the time that passed: on a machine that does other things meanwhile only the former
//! says anything.

use std::hint::black_box;
use std::sync::Arc;
use std::time::Instant;

use jiff::civil::{Date, date};
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, DayCount, Instrument, InterestOnConversion, Moment,
    SettlementType, ShareCapital, Terms, WithinPeriod,
};
use parwright::accounting::position::History;
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{Conversion, Method};
use parwright::accounting::transaction::{Books, FractionalShares, ShareSource, issuance};
use parwright::accounting::{Amount, Currency};
use rust_decimal::Decimal;

const RUNS: usize = 5;

fn main() {
    println!("{:<58} {:>12} {:>12} {:>9}", "", "passed", "on the CPU", "target");
    let regular = terms(date(2025, 1, 15));
    let stub = terms(date(2025, 3, 4));
    report("rates and both curves, ten years semi-annual", Some(40.0), 2_000, || Instrument::new(regular.clone()));
    report("the same with a stub", Some(80.0), 2_000, || Instrument::new(stub.clone()));
    let without_costs = Terms { issue_costs: Amount::ZERO, ..stub.clone() };
    report("the same without issue costs: one curve", None, 2_000, || Instrument::new(without_costs.clone()));
    for (within, name) in [(WithinPeriod::Ratable, "ratable"), (WithinPeriod::Compound, "compound")] {
        let books = books(Terms { within_period: within, ..stub.clone() });
        let moment = Moment::of_movement(date(2031, 5, 10));
        report(&format!("a balance look-up within a period, {name}"), None, 20_000, || {
            books.history.position(moment, &books.instrument)
        });
        let conversion = Conversion {
            make_whole: None,
            method: Method::BookValue,
            source: ShareSource::NewShares,
            daily_prices: Vec::new(),
            effective_date: date(2031, 5, 10),
            principal: Amount::from_minor(3_000_000),
            share_price: Some(Decimal::new(5_125, 2)),
            settlement: None,
            fractional_shares: FractionalShares::Cash,
        };
        let accrued = accrued(&books, date(2031, 3, 31));
        report(&format!("a conversion decision, two months to accrue, {name}"), None, 2_000, || {
            conversion.decide(&accrued)
        });
    }
}

/// Prints the medians of the runs in microseconds a repetition.
fn report<T>(name: &str, target: Option<f64>, repetitions: u32, work: impl Fn() -> T) {
    let (mut passed, mut on_cpu) = (Vec::new(), Vec::new());
    for _ in 0..RUNS {
        let (start, start_on_cpu) = (Instant::now(), nanoseconds_on_cpu());
        for _ in 0..repetitions {
            black_box(work());
        }
        passed.push(start.elapsed().as_secs_f64() * 1e6 / f64::from(repetitions));
        on_cpu.extend(
            start_on_cpu.zip(nanoseconds_on_cpu()).map(|(from, to)| (to - from) / 1e3 / f64::from(repetitions)),
        );
    }
    let median = |mut runs: Vec<f64>| {
        runs.sort_by(f64::total_cmp);
        runs.get(RUNS / 2).map_or_else(|| "-".to_owned(), |median| format!("{median:.2} us"))
    };
    let target = target.map_or_else(|| "-".to_owned(), |target| format!("< {target:.0} us"));
    println!("{name:<58} {:>12} {:>12} {target:>9}", median(passed), median(on_cpu));
}

fn nanoseconds_on_cpu() -> Option<f64> {
    std::fs::read_to_string("/proc/thread-self/schedstat").ok()?.split(' ').next()?.parse().ok()
}

fn books(terms: Terms) -> Books {
    let instrument = Arc::new(Instrument::new(terms).expect("terms that can be issued"));
    let calendar = FiscalCalendar::new("12-31", None).expect("a month's last day");
    let decision = issuance::decide(&instrument, calendar).expect("an issuance");
    Books { instrument, calendar, history: History::new(Vec::new(), Vec::new()), booked: Vec::new(), rates: Vec::new() }
        .after(&decision)
}

fn accrued(books: &Books, through: Date) -> Books {
    let decision = Accrual { through }.decide(books).expect("accrues").expect("posts");
    let mut after = books.after(&decision);
    // A command is given the newest rows, not all there ever were.
    after.booked.drain(..after.booked.len() - 1);
    after
}

/// Ten years at 4.25%, issued below par with costs.
fn terms(settlement_date: Date) -> Terms {
    Terms {
        opening: None,
        put_dates: Vec::new(),
        premium_treatment: None,
        straight_debt_rate: None,
        equity_issue_costs: None,
        currency: Currency::from_code("USD").expect("listed"),
        principal: Amount::from_minor(100_000_000),
        denomination: Amount::from_minor(100_000),
        coupon_rate: Decimal::new(425, 4),
        coupon_frequency: 2,
        compounding_frequency: 2,
        day_count: DayCount::Thirty360,
        dated_date: settlement_date,
        settlement_date,
        first_coupon_date: None,
        maturity_date: date(2035, 1, 15),
        proceeds: Amount::from_minor(97_234_567),
        accrued_interest_received: None,
        issue_costs: Amount::from_minor(2_150_000),
        redemption_price: Decimal::ONE,
        amortization_method: AmortizationMethod::EffectiveInterest,
        within_period: WithinPeriod::Ratable,
        accrual_cutoff: AccrualCutoff::ThroughDate,
        amortization_end: None,
        stated_effective_rate: None,
        record_days: None,
        conversion: Some(ConversionTerms {
            minimum_adjustment: None,
            principal_on_conversion: None,
            sale_price_condition: None,
            make_whole: None,
            shares_per_denomination: Decimal::new(20_1234, 4),
            share_capital: ShareCapital::ParValue(Decimal::new(1, 2)),
            accrued_interest: InterestOnConversion::Forfeited,
            settlement: SettlementType::Physical,
        }),
    }
}
