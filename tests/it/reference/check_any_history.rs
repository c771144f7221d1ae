//! What must hold in every history, whatever is recorded in whatever order.

use super::calendar::next_day;
use super::sample::{bond, cents, curve, day};
use super::{Cutoff, DayCount, Event, Expense, History, OnConversion, Terms, Within};
use std::sync::Arc;

/// Numbers that look random and are the same in every run.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }

    fn date(&mut self) -> jiff::civil::Date {
        let mut date = day("2020-03-15");
        for _ in 0..self.roll(1_826) {
            date = next_day(date);
        }
        date
    }
}

const DAY_COUNTS: [DayCount; 5] =
    [DayCount::Thirty360, DayCount::ThirtyE360, DayCount::ActActIcma, DayCount::Act365F, DayCount::Act360];

/// Interest expense as the bonds see it: each bears interest and amortization from settlement to its conversion, or to
/// where the books have come. In millionths of a minor unit, so that nothing is rounded on the way.
fn expense_bond_by_bond(books: &History) -> Expense {
    const FINE: i128 = 1_000_000;
    let (curve, reached) = (books.curve(), books.accrued_boundary());
    let terms = curve.terms();
    let mut blocks = Vec::new();
    let mut left = terms.principal_minor;
    for event in books.events() {
        if let Event::Conversion { date, principal_minor }
        | Event::Surrender { date, principal_minor }
        | Event::Extinguishment { date, principal_minor } = *event
        {
            blocks.push((principal_minor, date.min(reached)));
            left -= principal_minor;
        }
    }
    blocks.push((left, reached));
    let mut total = Expense::default();
    for (principal, end) in blocks {
        let at = |boundary| curve.balance(principal * FINE, boundary);
        let (opening, closing) = (at(terms.settlement), at(end));
        total.coupon += closing.accrued - opening.accrued;
        for coupon in curve.coupon_dates().iter().copied().filter(|date| *date <= end) {
            total.coupon += curve.coupon(principal * FINE, coupon);
        }
        total.amortization += closing.premium_discount + closing.issue_costs;
        total.amortization -= opening.premium_discount + opening.issue_costs;
    }
    Expense { coupon: total.coupon / FINE, amortization: total.amortization / FINE }
}

/// Whatever was recorded in whatever order: the expense is that of the bonds while they lived, but for the roundings
/// of each movement, and the books are at the position once accrued.
#[test]
fn the_books_hold_together_in_any_history() {
    let mut dice = Dice(7);
    let (mut conversions, mut settlements, mut payments) = (0, 0, 0);
    for round in 0..60 {
        let rule = [OnConversion::Forfeited, OnConversion::Paid, OnConversion::Payable][round % 3];
        let terms = Terms {
            proceeds_minor: cents("900000") + i128::from(dice.roll(20_000_000)),
            issue_costs_minor: i128::from(dice.roll(3_000_000)),
            record_days: Some(15).filter(|_| round % 4 != 0),
            day_count: DAY_COUNTS[round % 5],
            cutoff: [Cutoff::ThroughDate, Cutoff::ToDate][round % 7 % 2],
            within: [Within::Ratable, Within::Compound][round % 2],
            on_conversion: rule,
            ..bond()
        };
        let mut books = History::new(Arc::new(curve(&terms)));
        for _ in 0..25 {
            let event = match dice.roll(6) {
                0 => Event::Accrual { through: dice.date() },
                1 => Event::Conversion {
                    date: dice.date(),
                    principal_minor: cents("1000") * i128::from(1 + dice.roll(60)),
                },
                2 => Event::Extinguishment {
                    date: dice.date(),
                    principal_minor: cents("1000") * i128::from(1 + dice.roll(60)),
                },
                3 => Event::Surrender {
                    date: dice.date(),
                    principal_minor: cents("1000") * i128::from(1 + dice.roll(60)),
                },
                4 => Event::Settlement {
                    surrender: dice.roll(1 + books.events().len() as u64) as usize,
                    date: dice.date(),
                },
                _ => {
                    let dates = books.curve().coupon_dates();
                    let date = dates[dice.roll(dates.len() as u64) as usize];
                    Event::Coupon { date, paid_on: (dice.roll(2) == 0).then(|| next_day(next_day(date))) }
                }
            };
            if books.record(event).is_err() {
                continue;
            }
            let index = books.events().len() - 1;
            conversions += i128::from(books.conversion_result(index).is_some());
            settlements += i32::from(matches!(event, Event::Settlement { .. }));
            payments += i128::from(books.payment(index).is_some());
            let (booked, expected) = (books.interest_expense_total(), expense_bond_by_bond(&books));
            let rounding = 2 * (index as i128 + 2);
            assert!((booked.coupon - expected.coupon).abs() <= rounding, "{booked:?} {expected:?} {event:?}");
            assert!((booked.amortization - expected.amortization).abs() <= rounding, "{booked:?} {expected:?}");
        }
        for surrender in 0..books.events().len() {
            if let Event::Surrender { .. } = books.events()[surrender] {
                // It may be settled already.
                settlements +=
                    i32::from(books.record(Event::Settlement { surrender, date: day("2026-01-01") }).is_ok());
            }
        }
        books.record(Event::Accrual { through: day("2030-01-01") }).expect("an accrual");
        assert_eq!(books.booked(), books.position(day("2030-01-01")));
        assert_eq!((books.booked().premium_discount, books.booked().issue_costs), (0, 0));
    }
    assert!(conversions > 300 && settlements > 100 && payments > 150, "{conversions} {settlements} {payments}");
}
