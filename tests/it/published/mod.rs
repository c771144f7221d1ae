//! Published worked examples, run through the core.
//!
//! The cases are data in `tests/published`, one file a family. Each case names its source, says of every figure whether it was
//! published, recalled from memory or derived here, and lists the conventions that the source needed. A figure is compared as
//! its source rounds it: to half a unit of its last digit shown, never more loosely (see [`case::Expectation`]). Where a source
//! truncates, plugs or rounds on the way, the data holds our own exact figure beside it, with the reason for the difference.
//!
//! Reading order: `case` (what a case is), `terms`, `life` (an issue run from issuance through accruals and coupons), `price`,
//! `batch` (conversions and inducements), `day_counts`, `complete` (which published cases are not run yet, and why).

mod batch;
mod case;
mod complete;
mod compound;
mod day_counts;
mod life;
mod price;
mod rate_adjustments;
mod terms;

use case::{Case, read};

const EFFECTIVE_RATE: &str = include_str!("../../published/effective_rate.json");
const LIABILITY_SCHEDULES: &str = include_str!("../../published/liability_schedules.json");
const SCHEDULES: &str = include_str!("../../published/schedules.json");
const WITHIN_PERIOD: &str = include_str!("../../published/within_period.json");
const TREASURY: &str = include_str!("../../published/treasury.json");
const DAY_COUNTS: &str = include_str!("../../published/day_counts.json");
const CONVERSIONS: &str = include_str!("../../published/conversions.json");
const INDUCEMENTS: &str = include_str!("../../published/inducements.json");
const RATE_ADJUSTMENTS: &str = include_str!("../../published/rate_adjustments.json");
const COMPOUND: &str = include_str!("../../published/compound.json");
const NOT_YET: &str = include_str!("../../published/not_yet.json");

/// Runs all cases of a family and fails with everything that does not hold.
fn check_lives(family: &str) {
    let cases: Vec<Case<life::Run>> = read(family);
    report(cases.iter().flat_map(|case| case.failures(life::failures)));
}

/// The same for families of conversions and inducements.
fn check_batches(family: &str) {
    let cases: Vec<Case<batch::Run>> = read(family);
    report(cases.iter().flat_map(|case| case.failures(batch::failures)));
}

fn report(failures: impl Iterator<Item = String>) {
    let failures: Vec<String> = failures.collect();
    assert!(failures.is_empty(), "{} published figures do not hold:\n\n{}", failures.len(), failures.join("\n\n"));
}

#[test]
fn published_compound_instruments_hold() {
    let cases: Vec<Case<compound::Run>> = read(COMPOUND);
    report(cases.iter().flat_map(|case| case.failures(compound::failures)));
}

#[test]
fn published_conversion_rates_after_adjustments_hold() {
    let cases: Vec<Case<rate_adjustments::Run>> = read(RATE_ADJUSTMENTS);
    report(cases.iter().flat_map(|case| case.failures(rate_adjustments::failures)));
}

#[test]
fn published_effective_rates_and_prices_hold() {
    check_lives(EFFECTIVE_RATE);
}

#[test]
fn published_amortization_schedules_hold() {
    check_lives(SCHEDULES);
}

#[test]
fn published_schedules_of_liability_components_hold_as_plain_bonds() {
    check_lives(LIABILITY_SCHEDULES);
}

#[test]
fn published_figures_within_a_coupon_period_hold() {
    check_lives(WITHIN_PERIOD);
}

#[test]
fn published_treasury_coupons_accruals_and_prices_hold() {
    check_lives(TREASURY);
}

#[test]
fn published_day_counts_hold() {
    let family: day_counts::Family = read(DAY_COUNTS);
    let fractions = family.fractions.iter().flat_map(|case| case.failures(life::failures));
    let days = family.days.iter().flat_map(|case| case.failures(day_counts::failures));
    report(fractions.chain(days));
}

#[test]
fn published_conversions_hold() {
    check_batches(CONVERSIONS);
}

#[test]
fn published_inducements_hold() {
    check_batches(INDUCEMENTS);
}
