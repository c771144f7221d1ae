//! Histories worked on paper.

use super::sample::{bond, cents, curve, day};
use super::{Components, Event, Expense, History, Method, OnConversion, Terms};
use std::sync::Arc;

fn history(terms: Terms, events: &[Event]) -> History {
    History::of(Arc::new(curve(&terms)), events).expect("events that fit")
}

fn accrual(through: &str) -> Event {
    Event::Accrual { through: day(through) }
}

fn coupon(date: &str) -> Event {
    Event::Coupon { date: day(date), paid_on: None }
}

fn conversion(date: &str, principal: &str) -> Event {
    Event::Conversion { date: day(date), principal_minor: cents(principal) }
}

fn with(on_conversion: OnConversion) -> Terms {
    Terms { on_conversion, ..bond() }
}

/// A discount of 18,000.00 over 1,800 days of 30/360, in a straight line: 10.00 a day.
fn discounted() -> Terms {
    Terms { method: Method::StraightLine, proceeds_minor: cents("982000"), ..bond() }
}

#[test]
fn coupons_are_due_on_their_day_and_accrued_the_day_before() {
    let open = history(bond(), &[]);
    let before = open.position(day("2020-09-14"));
    assert_eq!((before.interest_due, before.interest_accrued), (0, cents("30000")));
    let on = open.position(day("2020-09-15"));
    assert_eq!((on.interest_due, on.interest_accrued), (cents("30000"), 0));
    // The day after a coupon date shows two days' interest.
    let after = open.position(day("2020-09-16"));
    assert_eq!((after.interest_due, after.interest_accrued), (cents("30000"), 33_333));
    let late = Event::Coupon { date: day("2020-09-15"), paid_on: Some(day("2020-09-18")) };
    let late = history(bond(), &[late]);
    assert_eq!(late.position(day("2020-09-17")).interest_due, cents("30000"));
    assert_eq!(late.position(day("2020-09-18")).interest_due, 0);
    assert_eq!(late.accrued_boundary(), day("2020-09-18"));
}

#[test]
fn an_accrual_before_what_is_accrued_posts_nothing() {
    let books = history(bond(), &[accrual("2020-09-14"), accrual("2020-06-30")]);
    assert_eq!(books.accrued_boundary(), day("2020-09-15"));
    let booked = books.booked();
    assert_eq!((booked.interest_due, booked.interest_accrued), (0, cents("30000")));
    let due = history(bond(), &[accrual("2020-09-14"), accrual("2020-09-15")]).booked();
    assert_eq!((due.interest_due, due.interest_accrued), (cents("30000"), 0));
}

#[test]
fn a_surrender_keeps_its_share_in_the_debt_until_it_is_settled() {
    let surrender = Event::Surrender { date: day("2020-06-15"), principal_minor: cents("400000") };
    let settlement = Event::Settlement { surrender: 0, date: day("2020-09-20") };
    let terms = Terms { on_conversion: OnConversion::Forfeited, ..discounted() };
    let open = history(terms.clone(), &[surrender]);
    // 120 days of 6.00 a day on the bonds that are left, and 90 of 4.00 on those that are not; their 6,000.00 of interest wait too.
    let july = Components {
        principal: cents("1000000"),
        premium_discount: cents("-10080") - cents("6840"),
        interest_accrued: cents("12000") + cents("6000"),
        surrendered: cents("400000"),
        ..Components::default()
    };
    assert_eq!(open.position(day("2020-07-14")), july);
    assert_eq!(open.interest_expense_total(), Expense { coupon: cents("15000"), amortization: cents("900") });
    let settled = history(terms, &[surrender, settlement]);
    assert_eq!(settled.position(day("2020-07-14")), july);
    let september = Components {
        principal: cents("600000"),
        premium_discount: cents("-9690"),
        interest_due: cents("18000"),
        interest_accrued: cents("500"),
        ..Components::default()
    };
    assert_eq!(settled.booked(), september);
    // 185 days of 100.00 and 6.00, and 90 of 66.67 and 4.00.
    assert_eq!(settled.interest_expense_total(), Expense { coupon: cents("24500"), amortization: cents("1470") });
    let again = Event::Settlement { surrender: 0, date: day("2020-10-01") };
    assert!(History::of(settled.shared_curve(), &[surrender, settlement, again]).is_err());
    assert!(History::of(settled.shared_curve(), &[surrender, settlement, Event::Reversal { event: 0 }]).is_err());
}

#[test]
fn a_conversion_moves_its_share_and_leaves_the_rest() {
    let events = [conversion("2020-06-15", "400000")];
    // 90 of 1,800 days of a discount of 18,000.00 are past, and half of a coupon.
    let books = history(discounted(), &events);
    let moved = books.conversion_result(0).expect("a conversion");
    assert_eq!(moved.premium_discount, cents("-6840"));
    assert_eq!(moved.carrying_amount(), cents("393160"));
    assert_eq!(moved.accrued_interest, cents("6000"));
    let left = books.booked();
    let expected = Components {
        principal: cents("600000"),
        premium_discount: cents("-10260"),
        interest_accrued: cents("9000"),
        ..Components::default()
    };
    assert_eq!(left, expected);
    let expense = Expense { coupon: cents("15000"), amortization: cents("900") };
    assert_eq!(books.interest_expense_total(), expense);
}

#[test]
fn accrued_interest_is_forfeited_paid_or_left_payable() {
    for (rule, due, second_payment) in [
        (OnConversion::Forfeited, "0", "18000"),
        (OnConversion::Paid, "0", "18000"),
        (OnConversion::Payable, "6000", "24000"),
    ] {
        let events = [coupon("2020-09-15"), conversion("2020-12-15", "400000"), coupon("2021-03-15")];
        let books = history(with(rule), &events);
        let position = books.position_at(day("2020-12-15"), day("2020-12-15"));
        assert_eq!((position.interest_due, position.interest_accrued), (cents(due), cents("9000")));
        assert_eq!(books.payment(0), Some(cents("30000")));
        assert_eq!(books.payment(2), Some(cents(second_payment)), "{rule:?}");
        assert_eq!(books.booked().interest_payable(), 0);
        // 30,000, then 15,000 on the whole and 9,000 on what is left.
        assert_eq!(books.interest_expense_total().coupon, cents("54000"), "{rule:?}");
    }
}

#[test]
fn after_the_record_date_the_coupon_is_handed_over() {
    let terms = Terms { record_days: Some(15), ..bond() };
    let day_of_record = history(terms.clone(), &[conversion("2020-08-31", "400000")]);
    assert_eq!(day_of_record.conversion_result(0).expect("moved").handed_over, 0);

    let events = [conversion("2020-09-01", "400000"), coupon("2020-09-15")];
    let books = history(terms, &events);
    let moved = books.conversion_result(0).expect("moved");
    // 166 of 180 days are forfeited, the whole coupon of 12,000 is handed over.
    assert_eq!((moved.accrued_interest, moved.handed_over), (1_106_667, cents("12000")));
    let position = books.position(day("2020-09-14"));
    assert_eq!((position.interest_due, position.interest_accrued), (cents("12000"), cents("18000")));
    assert_eq!(books.payment(1), Some(cents("30000")));
    assert_eq!(books.booked().interest_payable(), 0);
    assert_eq!(books.interest_expense_total().coupon, 1_106_667 + cents("18000"));
}

#[test]
fn on_a_coupon_date_the_coupon_stays_due() {
    let events = [conversion("2020-09-15", "400000"), coupon("2020-09-15")];
    let books = history(bond(), &events);
    assert_eq!(books.conversion_result(0).expect("moved").accrued_interest, 0);
    assert_eq!(books.position(day("2020-09-14")).interest_accrued, cents("30000"));
    assert_eq!(books.payment(1), Some(cents("30000")));
}

#[test]
fn what_was_paid_for_bonds_converted_before_is_receivable() {
    // Recorded after the coupon, effective half way through its period: 12,000 were paid for the 400,000 converted.
    for (rule, receivable, expense) in [
        (OnConversion::Forfeited, "12000", "24000"),
        (OnConversion::Paid, "12000", "24000"),
        (OnConversion::Payable, "6000", "24000"),
    ] {
        let events = [coupon("2020-09-15"), conversion("2020-06-15", "400000")];
        let books = history(with(rule), &events);
        assert_eq!(books.accrued_boundary(), day("2020-09-15"));
        let booked = books.booked();
        assert_eq!((booked.interest_due, booked.interest_receivable), (0, cents(receivable)), "{rule:?}");
        assert_eq!(books.position(day("2020-09-14")).interest_receivable, 0);
        assert_eq!(books.interest_expense_total().coupon, cents(expense), "{rule:?}");
    }
}

#[test]
fn a_backdated_conversion_after_its_record_date_hands_over_what_was_paid() {
    let terms = Terms { record_days: Some(15), ..bond() };
    let books = history(terms, &[coupon("2020-09-15"), conversion("2020-09-01", "400000")]);
    let booked = books.booked();
    assert_eq!((booked.interest_due, booked.interest_receivable), (0, 0));
    assert_eq!(books.interest_expense_total().coupon, 1_106_667 + cents("18000"));
}

#[test]
fn a_backdated_conversion_leaves_the_books_at_the_target() {
    let late = [accrual("2020-12-31"), conversion("2020-06-15", "400000")];
    let timely = [conversion("2020-06-15", "400000"), accrual("2020-12-31")];
    let (late, timely) = (history(discounted(), &late), history(discounted(), &timely));
    assert_eq!(late.booked(), timely.booked());
    assert_eq!(late.conversion_result(1), timely.conversion_result(0));
    assert_eq!(late.interest_expense_total(), timely.interest_expense_total());
}

#[test]
fn interest_received_at_settlement_gives_way_to_the_computed() {
    let terms = Terms { settlement: day("2020-05-15"), accrued_received_minor: Some(cents("9999.99")), ..bond() };
    let issued = history(terms.clone(), &[]);
    assert_eq!(issued.booked().interest_accrued, cents("9999.99"));
    let accrued = history(terms, &[accrual("2020-05-15")]);
    assert_eq!(accrued.booked().interest_accrued, cents("10000"));
    assert_eq!(accrued.interest_expense_total().coupon, 1);
}

#[test]
fn after_maturity_only_the_principal_is_left() {
    let paid: Vec<Event> =
        curve(&discounted()).coupon_dates().iter().map(|&date| Event::Coupon { date, paid_on: None }).collect();
    let books = history(discounted(), &paid);
    let end = Components { principal: cents("1000000"), ..Components::default() };
    assert_eq!(books.position(day("2026-01-01")), end);
    let expense = Expense { coupon: cents("300000"), amortization: cents("18000") };
    assert_eq!(books.interest_expense_total(), expense);
}

#[test]
fn what_contradicts_the_history_is_refused() {
    let mut books = history(bond(), &[coupon("2020-09-15"), conversion("2020-10-01", "600000")]);
    let early = Event::Coupon { date: day("2021-03-15"), paid_on: Some(day("2021-03-14")) };
    for event in [
        coupon("2020-09-15"),
        coupon("2020-09-16"),
        early,
        conversion("2021-01-01", "401000"),
        conversion("2021-01-01", "500"),
        conversion("2020-03-14", "1000"),
        conversion("2025-03-16", "1000"),
    ] {
        assert!(books.record(event).is_err(), "{event:?}");
    }
    assert_eq!(books.events().len(), 2);
}
