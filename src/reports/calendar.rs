//! The dates of an issue that ask something of the issuer: coupons, record dates, puts and the maturity, with amounts.

use jiff::ToSpan;
use jiff::civil::Date;

use crate::accounting::instrument::Instrument;
use crate::accounting::money::{Amount, units_of};
use crate::accounting::position::History;
use crate::accounting::refusal::Refusal;

/// What falls on a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Occasion {
    /// Whoever is a holder at its close gets the coupon of `coupon_date`.
    RecordDate {
        coupon_date: Date,
    },
    CouponDate,
    PutDate,
    MaturityDate,
}

impl Occasion {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Occasion::RecordDate { .. } => "record_date",
            Occasion::CouponDate => "coupon_date",
            Occasion::PutDate => "put_date",
            Occasion::MaturityDate => "maturity_date",
        }
    }
}

/// A date of an issue, by what is outstanding as far as it is recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    pub date: Date,
    pub occasion: Occasion,
    /// Outstanding immediately before the date.
    pub principal: Amount,
    /// The coupon with what is paid besides it; at a put and at maturity the redemption price of all that is outstanding.
    pub amount: Amount,
}

/// The dates from one day to another on which something is outstanding, in order.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn calendar(instrument: &Instrument, history: &History, from: Date, to: Date) -> Result<Vec<Entry>, Refusal> {
    let is_asked = |date: &Date| from <= *date && *date <= to;
    let mut entries = Vec::new();
    let eve = |date: Date| date.yesterday().unwrap_or(date);
    // A record date may precede the range's end when its coupon date does not.
    let horizon = to.checked_add(366.days()).unwrap_or(to);
    for coupon_date in instrument.dates().coupon_dates_between(eve(from), horizon) {
        let due = history.due_with(*coupon_date, instrument)?;
        let amount = due.total()?;
        if amount.is_zero() {
            continue;
        }
        let terms = instrument.on(eve(*coupon_date)).terms();
        let days = terms.record_days.map(|days| i32::from(days).days());
        let record_date = days.and_then(|days| coupon_date.checked_sub(days).ok());
        let record = record_date.map(|date| (date, Occasion::RecordDate { coupon_date: *coupon_date }));
        for (date, occasion) in record.into_iter().chain([(*coupon_date, Occasion::CouponDate)]) {
            entries.push(Entry { date, occasion, principal: due.principal, amount });
        }
    }
    let terms = instrument.terms();
    let end = terms.amortization_end.filter(|end| !terms.put_dates.contains(end));
    let puts = terms.put_dates.iter().copied().chain(end).filter(|put| *put < terms.maturity_date);
    let ends = puts.map(|put| (put, Occasion::PutDate)).chain([(terms.maturity_date, Occasion::MaturityDate)]);
    for (date, occasion) in ends {
        let principal = history.before(date).map_or(Amount::ZERO, |row| row.principal);
        if principal.is_positive() {
            let amount = units_of(principal, terms.redemption_price)?;
            entries.push(Entry { date, occasion, principal, amount });
        }
    }
    entries.retain(|entry| is_asked(&entry.date));
    entries.sort_by_key(|entry| (entry.date, entry.occasion));
    Ok(entries)
}
