//! What an issue is from date to date: the curve that it was issued with, and those that revisions began.

use super::calendar::next_day;
use super::curve::{Balance, Curve};
use super::{Cutoff, Terms};
use jiff::civil::Date;
use std::sync::Arc;

/// An issue from a date on.
#[derive(Clone)]
pub struct Part {
    pub from: Date,
    pub curve: Arc<Curve>,
    /// The place of the revision that began it among all events; of the issue itself there is none.
    pub event: Option<usize>,
    pub is_modification: bool,
    /// The debt before it was extinguished.
    pub is_new_debt: bool,
    pub convertible: bool,
}

#[derive(Clone)]
pub struct Chain {
    parts: Vec<Part>,
    /// Each coupon date with the part whose coupon falls due on it: one on the day of a revision is that of the terms before it.
    coupons: Vec<(Date, usize)>,
}

impl Chain {
    pub fn new(curve: &Arc<Curve>) -> Chain {
        let from = curve.terms().settlement;
        Chain::of(vec![Part {
            from,
            curve: Arc::clone(curve),
            event: None,
            is_modification: false,
            is_new_debt: false,
            convertible: true,
        }])
    }

    fn of(parts: Vec<Part>) -> Chain {
        let mut coupons = Vec::new();
        for (at, part) in parts.iter().enumerate() {
            let until = parts.get(at + 1).map_or(Date::MAX, |next| next.from);
            let own = |coupon: &&Date| part.from < **coupon && **coupon <= until;
            coupons.extend(part.curve.coupon_dates().iter().filter(own).map(|coupon| (*coupon, at)));
        }
        Chain { parts, coupons }
    }

    pub fn with(&self, part: Part) -> Chain {
        let mut parts = self.parts.clone();
        parts.push(part);
        Chain::of(parts)
    }

    pub fn without(&self, event: usize) -> Chain {
        Chain::of(self.parts.iter().filter(|part| part.event != Some(event)).cloned().collect())
    }

    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    pub fn root(&self) -> &Arc<Curve> {
        &self.parts[0].curve
    }

    pub fn last(&self) -> &Part {
        &self.parts[self.parts.len() - 1]
    }

    pub fn is_revised(&self) -> bool {
        self.parts.len() > 1
    }

    /// The terms in force last.
    pub fn terms(&self) -> &Terms {
        self.last().curve.terms()
    }

    pub fn maturity(&self) -> Date {
        self.terms().maturity
    }

    /// The issue on a date: a revision on that date included.
    pub fn on(&self, date: Date) -> &Part {
        let found = self.parts.iter().rev().find(|part| part.from <= date);
        found.unwrap_or(&self.parts[0])
    }

    pub fn coupon_dates(&self) -> impl Iterator<Item = Date> + '_ {
        self.coupons.iter().map(|(date, _)| *date)
    }

    pub fn is_coupon_date(&self, date: Date) -> bool {
        self.coupons.iter().any(|(coupon, _)| *coupon == date)
    }

    /// The first coupon date after `date`.
    pub fn coupon_date_after(&self, date: Date) -> Option<Date> {
        self.coupon_dates().find(|coupon| *coupon > date)
    }

    /// The coupon of a coupon date on a principal; zero on any other date.
    pub fn coupon(&self, principal: i128, coupon: Date) -> i128 {
        let found = self.coupons.iter().find(|(date, _)| *date == coupon);
        found.map_or(0, |(_, part)| self.parts[*part].curve.coupon(principal, coupon))
    }

    /// The boundary of a balance as of the close of business of a day, by the terms of that day.
    pub fn boundary(&self, as_of: Date) -> Date {
        let (settlement, curve) = (self.root().terms().settlement, &self.on(as_of).curve);
        if as_of <= settlement {
            return settlement;
        }
        if as_of >= curve.terms().maturity {
            return curve.terms().maturity;
        }
        let to_date = curve.terms().cutoff == Cutoff::ToDate;
        if to_date || self.is_coupon_date(as_of) || curve.is_month_end() { as_of } else { next_day(as_of) }
    }

    /// The balances of a principal at a boundary, by the terms of a day.
    pub fn balance(&self, principal: i128, day: Date, boundary: Date) -> Balance {
        self.on(day).curve.balance(principal, boundary)
    }
}
