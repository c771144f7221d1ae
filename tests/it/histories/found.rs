//! What random histories, and a reading, found in the core: each worked on paper.

use jiff::civil::Date;
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{DayCount, Instrument, Moment, SettlementType, Terms};
use parwright::accounting::journal::EntryKind;
use parwright::accounting::position::{Components, RowChange};
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{Conversion, Method};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::extinguishment::{Extinguishment, Occasion, Price};
use parwright::accounting::transaction::reversal::{Reversal, Reversed};
use parwright::accounting::transaction::{Books, FractionalShares, Settlement, ShareSource};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use super::reversal::posted;
use crate::accounting::{books, day, decimal, terms, usd};

fn accrue(books: &Books, through: &str) -> Books {
    let decision = Accrual { through: day(through) }.decide(books).expect("accrues").expect("posts");
    books.after(&decision)
}

fn pay(books: &Books, coupon_date: &str) -> Books {
    let decision = CouponPayment { coupon_date: day(coupon_date), paid_on: None }.decide(books, false).expect("pays");
    books.after(&decision)
}

fn conversion(effective_date: Date, principal: Amount) -> Conversion {
    Conversion {
        make_whole: None,
        method: Method::BookValue,
        source: ShareSource::NewShares,
        daily_prices: Vec::new(),
        effective_date,
        principal,
        share_price: None,
        settlement: None,
        fractional_shares: FractionalShares::RoundDown,
    }
}

fn convert(books: &Books, date: &str, principal: Amount) -> Books {
    books.after(&conversion(day(date), principal).decide(books).expect("converts"))
}

#[track_caller]
fn tied(books: &Books) {
    let computed =
        books.history.position(books.accrued(), &books.instrument).expect("a position").components().expect("fits");
    assert_eq!(computed, books.booked_total());
}

/// Of 30,000 converted on 10 May the coupon of July, 1,200, was paid to holders who lost it; the 2,800 of January are due to others.
#[test]
fn what_some_holders_received_is_not_set_off_against_what_is_due_to_others() {
    let books = pay(&books(terms()), "2025-07-15");
    let books = convert(&accrue(&books, "2026-01-31"), "2025-05-10", usd("30000"));
    tied(&books);
    let position =
        books.history.position(books.instrument.close_of(day("2026-01-15")), &books.instrument).expect("a position");
    assert_eq!((position.interest_due, position.interest_receivable), (usd("2800"), usd("1200")));
    let paid = pay(&books, "2026-01-15");
    let position = paid.history.position(paid.accrued(), &paid.instrument).expect("a position");
    assert_eq!((position.interest_due, position.interest_receivable), (Amount::ZERO, usd("1200")));
}

/// The close of the ninth and the beginning of the tenth are one boundary, but what happens on the tenth counts only at the latter.
#[test]
fn an_event_at_the_boundary_last_accrued_counts_at_it() {
    let books = convert(&accrue(&books(terms()), "2025-05-09"), "2025-05-10", usd("30000"));
    assert_eq!(books.accrued().date, day("2025-05-10"));
    tied(&books);
    tied(&convert(&books, "2025-03-03", usd("7000")));
}

/// Three months of 8% on 100,000 are 2,000; 1,990 were received.
#[test]
fn the_first_accrual_posts_the_difference_of_interest_received_on_the_settlement_date_too() {
    let issued =
        books(Terms { settlement_date: day("2025-04-15"), accrued_interest_received: Some(usd("1990")), ..terms() });
    assert_eq!(accrue(&issued, "2025-04-15").booked_total().interest_payable, usd("2000"));
    let converted = convert(&issued, "2025-04-15", usd("30000"));
    assert_eq!(converted.booked_total().interest_payable, usd("1400"));
    tied(&converted);
}

/// Half of 5% on 100, 80 and 60 cents is 2.5, 2 and 1.5 cents, rounded to 3, 2 and 2. On 80, outstanding before the coupon date, 2 were
/// paid and 1 was handed over; 20 more converted late are a coupon of 2 - 2 = 0, not of 3 - 2.
#[test]
fn the_coupon_handed_over_is_the_one_that_was_paid() {
    let few = Terms {
        principal: Amount::from_minor(100),
        denomination: Amount::from_minor(20),
        proceeds: Amount::from_minor(92),
        coupon_rate: decimal("0.05"),
        record_days: Some(15),
        ..terms()
    };
    let books = pay(&convert(&books(few), "2025-07-10", Amount::from_minor(20)), "2025-07-15");
    let late = conversion(day("2025-07-05"), Amount::from_minor(20)).decide(&books).expect("converts");
    assert_eq!(late.outcome.coupon_handed_over, Amount::ZERO);
    let books = books.after(&late);
    tied(&books);
    let booked = books.booked_total();
    assert_eq!((booked.interest_payable, booked.interest_receivable), (Amount::ZERO, Amount::ZERO));
}

/// An accrual of 100 cents at 8% over one day of March is a fiftieth of a cent: the issue is accrued that far all the same.
#[test]
fn a_part_too_small_to_post_still_moves_the_boundary_last_accrued() {
    let few = Terms {
        principal: Amount::from_minor(100),
        denomination: Amount::from_minor(20),
        proceeds: Amount::from_minor(100),
        ..terms()
    };
    let books = accrue(&books(few), "2025-03-01");
    assert_eq!(books.accrued().date, day("2025-03-01"));
}

/// A premium runs to maturity, whatever the put: without issue costs there is no other curve, and one rate.
#[test]
fn without_issue_costs_the_reported_rate_is_that_of_the_premium() {
    let to_maturity = Instrument::new(Terms { proceeds: usd("104000"), ..terms() }).expect("terms");
    let with_put = Terms { proceeds: usd("104000"), amortization_end: Some(day("2026-01-15")), ..terms() };
    let puttable = Instrument::new(with_put.clone()).expect("terms");
    assert_eq!(puttable.nominal_annual_rate(), to_maturity.nominal_annual_rate());
    // The rate to the put, some 3.9%, is none that drives the premium.
    let stated = Instrument::new(Terms { stated_effective_rate: Some(decimal("0.039")), ..with_put });
    assert!(matches!(stated, Err(Refusal::StatedRateDiffers { .. })), "{stated:?}");
}

/// A hundred years at 12.2268% leave 0.000978% of the principal as its price: few of 28 decimals to solve a rate from.
#[test]
fn a_price_of_few_digits_still_has_a_rate() {
    let zero = Terms {
        principal: Amount::from_minor(1_000_000_000_000_000),
        denomination: Amount::from_minor(1_000),
        proceeds: Amount::from_minor(9_780_000_000),
        coupon_rate: Decimal::ZERO,
        coupon_frequency: 0,
        compounding_frequency: 1,
        maturity_date: day("2125-01-15"),
        ..terms()
    };
    let rate = Instrument::new(zero).expect("terms").nominal_annual_rate();
    assert_eq!(rate.round_dp(6), decimal("0.122268"));
}

#[test]
fn less_than_no_shares_are_refused() {
    let settlement =
        Settlement { kind: SettlementType::Combination, cash: Some(usd("1")), shares: Some(decimal("-1")) };
    let command = Conversion { settlement: Some(settlement), ..conversion(day("2025-05-10"), usd("30000")) };
    assert!(matches!(command.decide(&books(terms())), Err(Refusal::InvalidField { field: "settlement/shares", .. })));
}

#[test]
fn a_redemption_price_beyond_all_bounds_is_refused() {
    let refused = Instrument::new(Terms { redemption_price: Decimal::MAX, ..terms() });
    assert!(matches!(refused, Err(Refusal::InvalidField { field: "redemption_price", .. })));
}

/// Three bonds of 1.05 that are redeemed at 90%: 2.835 in all, a discount of 0.315. Rounded each for itself they are 2.84 and 0.32, a cent
/// more than the debt. One of them alone is 0.945, and the discount falls from 0.32 to 0.21.
#[test]
fn bonds_repaid_at_half_a_cent_leave_no_gain_or_loss() {
    let three = Terms {
        principal: usd("3.15"),
        denomination: usd("1.05"),
        proceeds: usd("2.50"),
        redemption_price: decimal("0.9"),
        ..terms()
    };
    let matured = accrue(&books(three), "2030-01-15");
    let repay = |books: &Books, principal: &str| {
        let command = Extinguishment {
            occasion: Occasion::Maturity,
            effective_date: day("2030-01-15"),
            paid_on: None,
            principal: usd(principal),
            price: Price::Redemption,
            accrued_interest: None,
            costs: Amount::ZERO,
            straight_debt_rate: None,
        };
        let decision = command.decide(books).expect("repays");
        (books.after(&decision), decision.outcome.consideration, decision.outcome.gain_loss)
    };
    let (_, paid, gain_loss) = repay(&matured, "3.15");
    assert_eq!((paid, gain_loss), (usd("2.83"), Amount::ZERO));
    let (rest, paid, gain_loss) = repay(&matured, "1.05");
    assert_eq!((paid, gain_loss), (usd("0.94"), Amount::ZERO));
    let (_, paid, gain_loss) = repay(&rest, "2.10");
    assert_eq!((paid, gain_loss), (usd("1.89"), Amount::ZERO));
}

/// The issue matures on 15 January 2030, and four years are closed after it: a reversal that is stated to be posted on the first open day
/// is posted when one is that states no day.
#[test]
fn a_reversal_can_be_posted_on_the_first_open_day() {
    let calendar = FiscalCalendar::new("12-31", Some(day("2033-12-31"))).expect("a month's last day");
    let books = Books { calendar, ..books(terms()) };
    let reversed = Reversed {
        kind: "conversion".to_owned(),
        effective_date: day("2029-05-10"),
        change: RowChange::default(),
        without: None,
        surrender: None,
        entries: Vec::new(),
    };
    for (posting_date, is_allowed) in [("2034-01-01", true), ("2035-01-01", true), ("2035-01-02", false)] {
        let decided = Reversal { posting_date: Some(day(posting_date)) }.decide(&books, &reversed);
        assert_eq!(decided.is_ok(), is_allowed, "{posting_date}: {:?}", decided.map(|_| ()));
    }
}

/// 30,000 turn out to have converted in July 2029: of the coupon of 15 January 2030, paid on the 17th, 1,200 is receivable by the month's
/// end, and of that of July, paid on 20 March, another 1,200 by then. The payment of January is reversed: at the end of January nothing
/// is receivable any more, and both coupons of 2,800 are due. The eight coupons before them, 4,000 each, were never paid.
#[test]
fn a_payment_after_maturity_is_reversed_on_its_own_days() {
    let pay = |books: &Books, coupon_date: &str, paid_on: &str| {
        let payment = CouponPayment { coupon_date: day(coupon_date), paid_on: Some(day(paid_on)) };
        payment.decide(books, false).expect("pays")
    };
    let matured = accrue(&books(terms()), "2030-01-15");
    let january = pay(&matured, "2030-01-15", "2030-01-17");
    let paid = matured.after(&january);
    let paid = paid.after(&pay(&paid, "2029-07-15", "2030-03-20"));
    let books = convert(&paid, "2029-07-10", usd("30000"));
    let interest_on = |books: &Books, date: &str| {
        let row = books.booked.iter().rev().find(|row| row.posting_date <= day(date)).expect("something is booked");
        (row.components.interest_payable, row.components.interest_receivable)
    };
    assert_eq!(interest_on(&books, "2030-01-31"), (usd("34800"), usd("1200")));
    assert_eq!(interest_on(&books, "2030-03-31"), (usd("32000"), usd("2400")));
    let moved = Components { interest_payable: usd("-4000"), ..Components::default() };
    let own = january.postings.iter().filter(|posting| posting.entry.kind() != EntryKind::Accrual);
    let reversed = Reversed {
        kind: "coupon_payment".to_owned(),
        effective_date: day("2030-01-17"),
        change: RowChange { coupon: january.coupon, moved, ..RowChange::default() },
        without: None,
        surrender: None,
        entries: own.map(posted).collect(),
    };
    let books = books.after(&Reversal { posting_date: None }.decide(&books, &reversed).expect("reverses"));
    assert_eq!(interest_on(&books, "2030-01-31"), (usd("37600"), Amount::ZERO));
    assert_eq!(interest_on(&books, "2030-03-31"), (usd("34800"), usd("1200")));
    tied(&books);
}

/// A 30-day count sees no day between 30 and 31 July: the discount of 2.26 of forty bonds of a dollar is 2.26 on both days, and that of thirty
/// is 1.695, a half that goes up. By the solved rate it would be a little less, and go down.
#[test]
fn a_first_span_without_days_changes_nothing() {
    let zero = Terms {
        principal: usd("40"),
        denomination: usd("10"),
        coupon_rate: Decimal::ZERO,
        coupon_frequency: 0,
        compounding_frequency: 12,
        day_count: DayCount::Thirty360,
        dated_date: day("2039-08-09"),
        settlement_date: day("2043-07-30"),
        maturity_date: day("2047-07-31"),
        proceeds: usd("37.74"),
        ..terms()
    };
    let instrument = Instrument::new(zero).expect("terms");
    for date in ["2043-07-30", "2043-07-31"] {
        let at = Moment::of_movement(day(date));
        let discount = |principal| instrument.premium_discount(usd(principal), at).expect("fits");
        assert_eq!((discount("40"), discount("30")), (usd("-2.26"), usd("-1.70")), "{date}");
    }
}
