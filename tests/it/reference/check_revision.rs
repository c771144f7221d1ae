//! Revisions worked on paper: 8% a year at par over five years, unless a case says otherwise. Four annual payments are worth
//! 3.3121268 at 8%, three are 2.5770970.

use super::number::Num;
use super::revision::{Because, Framework, Modification, OptionChange, Revised, Revision, Trillionths};
use super::sample::{bond, cents, close, curve, day, decimal};
use super::{Event, History, Terms};
use std::sync::Arc;

fn par() -> Terms {
    Terms { coupon_rate: decimal("0.08"), frequency: 1, ..bond() }
}

fn percent(hundredths: i64) -> Trillionths {
    Trillionths(hundredths * 100_000_000)
}

fn modification(framework: Framework) -> Modification {
    Modification {
        date: day("2022-03-15"),
        framework,
        coupon_rate: None,
        maturity: None,
        redemption: None,
        amortization_end: None,
        option: OptionChange::None,
        option_values: (framework == Framework::UsGaap).then_some((0, 0)),
        fees: 0,
        costs: 0,
        fair_value: None,
        callable_before: None,
        callable_after: None,
    }
}

#[track_caller]
fn recorded(books: &mut History, revision: Revision) -> Revised {
    books.record(Event::Revision(revision)).expect("a revision that can be");
    books.revision(books.events().len() - 1).expect("it was recorded").clone()
}

fn books(terms: &Terms) -> History {
    History::new(Arc::new(curve(terms)))
}

/// 9% are worth 10,000 x 2.5770970 more. 5,000 to holders leave 995,000, which yields 9.19822558713169525%; 2,000 are expensed.
#[test]
fn the_debt_goes_on_at_a_new_rate() {
    let mut books = books(&par());
    let to = Modification {
        coupon_rate: Some(percent(900)),
        fees: cents("5000"),
        costs: cents("2000"),
        ..modification(Framework::UsGaap)
    };
    let revised = recorded(&mut books, Revision::Modification(to));
    let (tested, because) = revised.tested.as_ref().expect("a test");
    assert_eq!((tested.before, tested.after), (cents("1000000"), cents("1025770.97")));
    close(&tested.change, "0.03077097", "0.00000001");
    assert_eq!((*because, revised.carrying_after, revised.expense), (Because::Neither, cents("995000"), cents("2000")));
    close(&revised.part.curve.gross_rate(), "0.0919822558713169525", "0.0000000000000001");
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("996522.34"));
    assert_eq!(books.position(day("2022-03-14")).carrying_amount(), cents("1000000"));
    assert_eq!(books.position(day("2025-03-15")).carrying_amount(), cents("1000000"));
}

/// 13% are worth 12.885485% more; the new debt at 105 with 3,000 to holders is a loss of 53,000, and 4,000 to lawyers are its costs, or
/// part of the loss under IFRS.
#[test]
fn the_debt_is_extinguished() {
    for (framework, loss, costs) in [(Framework::UsGaap, "53000", "4000"), (Framework::Ifrs, "57000", "0")] {
        let mut books = books(&par());
        let to = Modification {
            coupon_rate: Some(percent(1_300)),
            fees: cents("3000"),
            costs: cents("4000"),
            fair_value: Some(cents("1050000")),
            ..modification(framework)
        };
        let revised = recorded(&mut books, Revision::Modification(to));
        let (tested, because) = revised.tested.as_ref().expect("a test");
        close(&tested.change, "0.13185485", "0.00000001");
        assert_eq!((*because, revised.extinguishment_gain), (Because::CashFlows, -cents(loss)));
        let after = books.position(day("2022-03-15"));
        assert_eq!((after.premium_discount, after.issue_costs), (cents("50000"), -cents(costs)));
    }
}

/// Under IFRS 9% are carried at their worth of 1,025,770.97, an expense of 25,770.97, and a year later at 1,017,832.65.
#[test]
fn payments_are_worth_something_at_the_rate_that_is_kept() {
    let mut books = books(&par());
    let to = Modification { coupon_rate: Some(percent(900)), ..modification(Framework::Ifrs) };
    let revised = recorded(&mut books, Revision::Modification(to));
    assert_eq!((revised.expense, revised.gain_loss), (cents("25770.97"), -cents("25770.97")));
    close(&revised.part.curve.net_rate(), "0.08", "0.0000000000000000000000000001");
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("1017832.65"));
}

/// A call at 102 a year on is worth 1,100,000 / 1.08 = 1,018,518.52, and 500 of costs a half-year later are gone by then.
#[test]
fn a_call_is_expected() {
    let mut books = books(&par());
    let expected = Some((day("2023-03-15"), percent(10_200)));
    let revised = recorded(&mut books, Revision::Estimate { date: day("2022-03-15"), expected });
    assert_eq!(revised.carrying_after, cents("1018518.52"));
    let costs = Revision::IssueCosts { date: day("2022-09-15"), change: cents("500"), is_open_since_settlement: true };
    assert_eq!(recorded(&mut books, costs).date, day("2022-09-15"));
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("1020000"));
}

/// MOD-01 of the published checks (an audit firm's article on IFRS 9 B3.3.6): payments worth 10,990,426 instead of 10,000,000, and 150,000
/// to lenders, are 11.4% more.
#[test]
fn mod_01_of_the_published_checks() {
    let ten = Terms {
        coupon_rate: decimal("0.10"),
        principal_minor: cents("10000000"),
        proceeds_minor: cents("10000000"),
        ..par()
    };
    let mut books = books(&ten);
    // 10% and a redemption price x a year on are worth 10,990,426 at 10% if x = 1.1 x 1.0990426 - 0.1.
    let to = Modification {
        maturity: Some(day("2023-03-15")),
        redemption: Some(Trillionths(1_108_946_860_000)),
        fees: cents("150000"),
        fair_value: Some(cents("11000000")),
        ..modification(Framework::Ifrs)
    };
    let revised = recorded(&mut books, Revision::Modification(to));
    let (tested, _) = revised.tested.as_ref().expect("a test");
    assert_eq!(tested.after, cents("10990426"));
    close(&tested.change, "0.11404260", "0.00000001");
}

/// 8.3% and then 8.6%, both on a coupon date with two payments to come, are compared with 8%: 0.6 x 1.7832647. With two years between
/// them the second is compared with the first: 0.3 / 1.083.
#[test]
fn changes_within_a_year_are_taken_together() {
    for (first, second, change) in
        [("2023-03-15", "2023-03-15", "0.0106995885"), ("2022-03-15", "2024-03-15", "0.0027700831")]
    {
        let mut books = books(&par());
        let rate = |date: &str, rate| {
            let to = Modification { date: day(date), coupon_rate: Some(rate), ..modification(Framework::UsGaap) };
            Revision::Modification(to)
        };
        recorded(&mut books, rate(first, percent(830)));
        let revised = recorded(&mut books, rate(second, percent(860)));
        let (tested, _) = revised.tested.as_ref().expect("a test");
        close(&tested.change, change, "0.0000000001");
    }
}

/// Costs known from settlement: 20,000 and 10,000 are what 30,000 would have been.
#[test]
fn costs_count_from_settlement() {
    let straight = |costs: &str| Terms { issue_costs_minor: cents(costs), ..par() };
    let mut corrected = books(&straight("20000"));
    let costs =
        |date: &str| Revision::IssueCosts { date: day(date), change: cents("10000"), is_open_since_settlement: true };
    recorded(&mut corrected, costs("2021-07-01"));
    let known = books(&straight("30000"));
    for date in ["2020-03-15", "2020-12-31", "2022-06-30", "2025-03-15"] {
        assert_eq!(corrected.position(day(date)), known.position(day(date)), "{date}");
    }
}

#[test]
fn what_rests_on_a_revision_comes_first() {
    let mut books = books(&par());
    let bonds = Event::Conversion { date: day("2021-03-15"), principal_minor: cents("1000") };
    books.record(bonds).expect("a conversion");
    let to = Modification { coupon_rate: Some(percent(830)), ..modification(Framework::UsGaap) };
    recorded(&mut books, Revision::Modification(to));
    let earlier = Event::Conversion { date: day("2022-03-14"), principal_minor: cents("1000") };
    for refused in [earlier, Event::Reversal { event: 0 }] {
        assert!(books.record(refused).is_err(), "{refused:?}");
    }
    let later = Event::Conversion { date: day("2022-03-15"), principal_minor: cents("1000") };
    books.record(later).expect("a conversion");
    assert!(books.record(Event::Reversal { event: 1 }).is_err());
    for event in [2, 1, 0] {
        books.record(Event::Reversal { event }).expect("nothing rests on it");
    }
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("1000000"));
}

/// A tenth is surrendered half a year before 9% are agreed on for the rest, with 4,000 of interest that is forfeited: it stays what it
/// was, and nine tenths of 996,522.34 are carried beside it. It may be settled before the revision or after; what changed the debt last
/// is taken back first.
#[test]
fn what_is_surrendered_is_not_revised() {
    let mut books = books(&par());
    let surrendered = |date: &str| Event::Surrender { date: day(date), principal_minor: cents("100000") };
    let settled = |date: &str| Event::Settlement { surrender: 0, date: day(date) };
    books.record(surrendered("2021-09-15")).expect("a surrender");
    let rate = |date: &str| {
        let to = modification(Framework::UsGaap);
        let fees = cents("4500");
        Modification { date: day(date), coupon_rate: Some(percent(900)), fees, ..to }
    };
    recorded(&mut books, Revision::Modification(rate("2022-03-15")));
    let after = books.position(day("2023-03-15"));
    assert_eq!((after.surrendered, after.interest_accrued), (cents("100000"), cents("4000")));
    assert_eq!((after.carrying_amount(), after.interest_due), (cents("996870.11"), cents("233000")));
    for refused in [surrendered("2022-03-14"), Event::Reversal { event: 0 }] {
        assert!(books.record(refused).is_err(), "{refused:?}");
    }
    books.record(settled("2021-12-15")).expect("what is revised is no part of it");
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("896870.11"));
    for refused in [Event::Reversal { event: 1 }, Event::Reversal { event: 0 }] {
        assert!(books.record(refused).is_err(), "{refused:?}");
    }
    books.record(Event::Reversal { event: 2 }).expect("nothing rests on it");
    books.record(settled("2023-06-15")).expect("a settlement");
    let again = Modification { coupon_rate: Some(percent(910)), ..rate("2023-03-15") };
    assert!(books.record(Event::Revision(Revision::Modification(again))).is_err());
    let costs = Revision::IssueCosts { date: day("2023-06-15"), change: cents("900"), is_open_since_settlement: true };
    recorded(&mut books, costs);
    assert!(books.record(Event::Reversal { event: 4 }).is_err());
    for event in [5, 4, 1, 0] {
        books.record(Event::Reversal { event }).expect("nothing rests on it");
    }
    assert_eq!(books.position(day("2023-03-15")).carrying_amount(), cents("1000000"));
}

/// Half a period before a payment of 1 it is worth 1 / 1.1 at a growth of 1.21.
#[test]
fn worth_of_a_payment_within_its_period() {
    let terms = Terms { coupon_rate: decimal("0"), frequency: 1, proceeds_minor: cents("900000"), ..bond() };
    let growth = Num::Exact(decimal("1.21"));
    let worth = curve(&terms).worth(day("2024-09-15"), &(day("2025-03-15"), decimal("1")), &growth);
    assert_eq!(worth.rational() * decimal("1.1"), decimal("1"));
}
