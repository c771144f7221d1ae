//! What random histories with revisions, and a reading, found in the core: each worked on paper.

use parwright::accounting::framework::Framework;
use parwright::accounting::instrument::{DayCount, ExpectedRedemption, Moment, Terms};
use parwright::accounting::transaction::Books;
use parwright::accounting::transaction::estimate::Estimate;
use parwright::accounting::transaction::issue_cost_adjustment::IssueCostAdjustment;
use parwright::accounting::transaction::modification::{Accounting, Modification, OptionChange, Outcome};
use parwright::accounting::transaction::ten_percent::{CallableAt, Ending};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use crate::accounting::{books, day, decimal, terms, usd};

/// 8% at par, twice a year to 15 January 2030; not convertible.
fn par() -> Terms {
    Terms { proceeds: usd("100000"), conversion: None, ..terms() }
}

fn modification(date: &str) -> Modification {
    Modification {
        effective_date: day(date),
        coupon_rate: None,
        maturity_date: None,
        redemption_price: None,
        amortization_end: None,
        option_change: OptionChange::None,
        option_values: None,
        fees: Amount::ZERO,
        costs: Amount::ZERO,
        fair_value: None,
        callable_at: CallableAt::default(),
    }
}

#[track_caller]
fn modify(books: &Books, to: &Modification, framework: Framework) -> (Books, Outcome) {
    let decision = to.decide(books, framework).expect("terms that can be modified");
    (books.after(&decision), decision.outcome)
}

#[track_caller]
fn premium(books: &Books, date: &str) -> Amount {
    let position = books.history.position(Moment::of_movement(day(date)), &books.instrument).expect("a position");
    position.premium_discount
}

/// A call at 102 in two years is worth 2,000 / 1.04^4 = 1,709.61 above par; the costs that turn up half a year later change nothing of
/// what is expected: by the call 2,000.00 are carried above par, and nothing of the costs.
#[test]
fn costs_corrected_after_an_estimate_leave_what_is_expected() {
    let books = books(par());
    let expected = ExpectedRedemption { date: day("2028-01-15"), price: decimal("1.02") };
    let estimate = Estimate { effective_date: day("2026-01-15"), expected: Some(expected) };
    let books = books.after(&estimate.decide(&books, Framework::Ifrs).expect("an estimate"));
    assert_eq!(premium(&books, "2026-01-15"), usd("1709.61"));
    let costs = IssueCostAdjustment { effective_date: day("2026-07-15"), change: usd("500") };
    let books = books.after(&costs.decide(&books).expect("a correction"));
    assert_eq!(premium(&books, "2028-01-15"), usd("2000"));
    let position = books.history.position(Moment::of_movement(day("2028-01-15")), &books.instrument);
    assert_eq!(position.expect("a position").issue_costs, Amount::ZERO);
}

/// Without issue costs the rate is that of the premium, which runs to maturity whatever the put: payments to maturity are worth what is
/// carried, and those to the put would not be. The coupon alone makes a difference of a tenth of a percent a year.
#[test]
fn under_ifrs_payments_count_to_where_the_rate_is_of() {
    let terms = Terms { proceeds: usd("104000"), amortization_end: Some(day("2027-01-15")), ..par() };
    let to = Modification { coupon_rate: Some(decimal("0.081")), ..modification("2026-01-15") };
    let (books, outcome) = modify(&books(terms), &to, Framework::Ifrs);
    assert_eq!(outcome.test.before, outcome.carrying_amount_before);
    // 50 each half-year for four years: at 3.5% or 3.6%, some 340.
    let more = outcome.test.after.minus(outcome.test.before).expect("fits");
    assert!(usd("330") < more && more < usd("350"), "{more:?}");
    assert!(premium(&books, "2029-07-15").is_positive(), "it runs to maturity");
}

/// 96,000 to a put after two years is 5.1312..% a half-year (solved in Python's decimals). A year and more after the put four coupons of
/// 4,000 and par remain, which are worth 96,000 at that rate again.
#[test]
fn under_ifrs_terms_change_after_a_put_that_passed() {
    let terms = Terms { proceeds: usd("96000"), amortization_end: Some(day("2027-01-15")), ..par() };
    let to = Modification { coupon_rate: Some(decimal("0.081")), ..modification("2028-01-15") };
    let (_, outcome) = modify(&books(terms), &to, Framework::Ifrs);
    assert_eq!(outcome.accounting, Accounting::Modification);
    assert_eq!((outcome.carrying_amount_before, outcome.test.before), (usd("100000"), usd("96000")));
}

/// At par a later maturity alone changes no amount, and no row; nothing comes before it all the same.
#[test]
fn a_revision_that_changes_no_amount_is_an_event_too() {
    let to = Modification { maturity_date: Some(day("2031-01-15")), ..modification("2027-01-15") };
    let (books, outcome) = modify(&books(par()), &to, Framework::UsGaap);
    assert_eq!(outcome.carrying_amount_after, usd("100000"));
    let before = Modification { coupon_rate: Some(decimal("0.081")), ..modification("2026-01-15") };
    let refused = before.decide(&books, Framework::UsGaap);
    assert!(
        matches!(refused, Err(Refusal::LaterEventDepends { date, .. }) if date == day("2027-01-15")),
        "{:?}",
        refused.map(|_| ())
    );
}

/// Costs corrected within the year are no modification: the terms compared are those in force, at the rate by the corrected costs.
#[test]
fn corrected_costs_are_no_terms_of_a_year_before() {
    let books = books(Terms { issue_costs: usd("2000"), ..par() });
    let costs = IssueCostAdjustment { effective_date: day("2025-03-15"), change: usd("1000") };
    let books = books.after(&costs.decide(&books).expect("a correction"));
    let rate = books.instrument.nominal_annual_rate();
    let to = Modification { coupon_rate: Some(decimal("0.081")), ..modification("2025-07-15") };
    let (_, outcome) = modify(&books, &to, Framework::UsGaap);
    assert_eq!((outcome.test.effective_rate, outcome.test.compared_terms), (rate, None));
}

/// From 31 December to 30 June are 181 days. Dates that run back from a 30th would have the period begin on 30 December and last 182, so
/// that interest accrued already would be less.
#[test]
fn the_interest_of_the_period_that_runs_stays_what_it_is() {
    let month_end = Terms {
        day_count: DayCount::ActActIcma,
        dated_date: day("2025-06-30"),
        settlement_date: day("2025-06-30"),
        maturity_date: day("2030-06-30"),
        ..par()
    };
    let books = books(month_end);
    let until = |date: &str| Modification { maturity_date: Some(day("2031-12-30")), ..modification(date) };
    let refused = until("2026-02-15").decide(&books, Framework::UsGaap);
    assert!(matches!(refused, Err(Refusal::Contradiction { field: "maturity_date", .. })), "{:?}", refused.map(|_| ()));
    modify(&books, &until("2026-06-30"), Framework::UsGaap);
}

#[test]
fn a_put_that_has_passed_is_no_new_term() {
    let to = Modification { amortization_end: Some(day("2026-01-15")), ..modification("2027-01-15") };
    let refused = to.decide(&books(par()), Framework::UsGaap);
    assert!(
        matches!(refused, Err(Refusal::InvalidField { field: "amortization_end", .. })),
        "{:?}",
        refused.map(|_| ())
    );
}

/// After a put at 24% a month the payment in 24 years is worth 10^-28, and the one in three months 10^27 times as much.
#[test]
fn a_change_beyond_all_figures_is_refused() {
    let zero = Terms {
        coupon_rate: Decimal::ZERO,
        coupon_frequency: 0,
        compounding_frequency: 12,
        maturity_date: day("2049-07-15"),
        amortization_end: Some(day("2025-02-15")),
        proceeds: usd("80500"),
        ..par()
    };
    let to = Modification { maturity_date: Some(day("2025-06-15")), ..modification("2025-03-15") };
    let refused = to.decide(&books(zero), Framework::UsGaap);
    assert!(matches!(refused, Err(Refusal::Overflow)), "{:?}", refused.map(|_| ()));
}

/// A zero-coupon issue whose redemption price falls from 105 to 100 percent pays 4.8 percent less, whether at the put or at maturity: the
/// change to maturity is told, though the last digits of the other may be smaller.
#[test]
fn of_changes_by_the_same_share_that_to_maturity_is_told() {
    for put in ["2026-01-15", "2027-07-15", "2028-01-15"] {
        let zero = Terms {
            coupon_rate: Decimal::ZERO,
            coupon_frequency: 0,
            amortization_end: Some(day(put)),
            redemption_price: decimal("1.05"),
            proceeds: usd("61234.56"),
            ..par()
        };
        let to = Modification { redemption_price: Some(Decimal::ONE), ..modification("2025-03-15") };
        let (_, outcome) = modify(&books(zero), &to, Framework::UsGaap);
        assert_eq!(outcome.test.change_percent, decimal("4.761905"), "{put}");
        assert_eq!(outcome.test.assumed, (Ending::Maturity, Ending::Maturity), "{put}");
    }
}
