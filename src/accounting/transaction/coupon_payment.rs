//! Payment of a coupon.

use jiff::civil::Date;

use super::{Books, Decision, record};
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, MovementKind, credit, debit};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, CouponChange, PaidCoupon, RowChange};
use crate::accounting::refusal::Refusal;

/// Pay the coupon of a coupon date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CouponPayment {
    pub coupon_date: Date,
    /// When it is paid, if not on the coupon date itself (which may be a weekend). Interest stops at the due date.
    pub paid_on: Option<Date>,
}

/// What was paid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub coupon_date: Date,
    pub paid_on: Date,
    /// The principal outstanding immediately before the coupon date.
    pub principal: Amount,
    /// The coupon on it.
    pub coupon: Amount,
    /// Coupons handed over by holders who converted after the record date, and interest left payable at conversions.
    pub with_coupon: Amount,
    pub amount: Amount,
}

impl CouponPayment {
    /// The date from which the books are needed: the coupon's own, at or before the payment's.
    pub fn needs_from(&self) -> Date {
        self.coupon_date
    }

    /// Pays what is due for the principal outstanding immediately before the coupon date, with what was left payable in its period.
    /// `paid_already` says whether this coupon was paid before.
    ///
    /// # Errors
    /// [`Refusal::NotACouponDate`], [`Refusal::CouponAlreadyPaid`], [`Refusal::NothingDue`], or a payment before its due date.
    pub fn decide(&self, books: &Books, paid_already: bool) -> Result<Decision<Outcome>, Refusal> {
        let dates = books.instrument.dates();
        let coupon_date = self.coupon_date;
        let paid_on = self.paid_on.unwrap_or(coupon_date);
        match books.instrument.terms().opening {
            Some(opening) if books.instrument.opening_coupon().is_some_and(|(date, _)| date == coupon_date) => {
                if self.paid_on.is_none() {
                    return Err(Refusal::missing(
                        "paid_on",
                        "a coupon that was due when the books were taken over is paid after that; say when",
                    ));
                }
                if paid_on <= opening.date {
                    let (date, opening_date) = (paid_on, opening.date);
                    return Err(Refusal::BeforeOpening { field: "paid_on", date, opening_date });
                }
            }
            _ => books.check_date("coupon_date", coupon_date)?,
        }
        if !dates.is_coupon_date(coupon_date) {
            return Err(Refusal::NotACouponDate {
                field: "coupon_date",
                date: coupon_date,
                nearest: dates.nearest_coupon_date(coupon_date),
            });
        }
        if paid_on < coupon_date {
            return Err(Refusal::contradiction(
                "paid_on",
                format!("paid_on {paid_on} is before the coupon is due on {coupon_date}"),
            ));
        }
        if paid_already {
            return Err(Refusal::CouponAlreadyPaid { coupon_date });
        }
        let due = books.history.due_with(coupon_date, &books.instrument)?;
        let amount = due.total()?;
        let outcome = Outcome {
            coupon_date,
            paid_on,
            principal: due.principal,
            coupon: due.coupon,
            with_coupon: due.left_payable,
            amount,
        };
        if amount.is_zero() {
            return Err(Refusal::NothingDue { coupon_date });
        }
        let moved = Components { interest_payable: amount.negated()?, ..Components::default() };
        let paid = CouponChange::Paid(PaidCoupon { coupon_date, paid_on, amount });
        let change = RowChange { coupon: Some(paid), moved, ..RowChange::default() };
        record(
            books,
            paid_on,
            &change,
            |_| Ok(vec![(paid_on, MovementKind::CouponPaid, entry(books, &outcome)?)]),
            outcome,
        )
    }
}

fn entry(books: &Books, paid: &Outcome) -> Result<Option<Entry>, Refusal> {
    let currency = books.instrument.terms().currency;
    let rule = Derivation::new(
        "coupon on the principal outstanding before the coupon date + interest left payable with it",
        "terms of the issue",
    )
    .with("principal", paid.principal.to_major(currency))
    .with("coupon", paid.coupon.to_major(currency))
    .with("left_payable", paid.with_coupon.to_major(currency));
    let lines = vec![
        debit(AccountRole::InterestPayable, paid.amount, "Coupon paid", rule.clone()),
        credit(AccountRole::Cash, paid.amount, "Coupon paid", rule)?,
    ];
    Entry::new(EntryKind::CouponPayment, format!("Coupon of {} paid", paid.coupon_date), lines)
}
