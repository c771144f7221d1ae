//! A history as the list of its events in the order recorded, derived anew from the whole list after each of them.

use super::chain::Chain;
use super::facts::{Fact, Facts, Moved};
use super::revision::Revised;
use super::{Curve, Event, OnConversion};
use jiff::civil::Date;
use std::sync::Arc;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Components {
    pub principal: i128,
    pub premium_discount: i128,
    pub issue_costs: i128,
    pub interest_due: i128,
    pub interest_accrued: i128,
    pub interest_receivable: i128,
    /// What of the principal is surrendered for conversion and not settled.
    pub surrendered: i128,
}

impl Components {
    pub fn carrying_amount(&self) -> i128 {
        self.principal + self.premium_discount + self.issue_costs
    }

    pub fn interest_payable(&self) -> i128 {
        self.interest_due + self.interest_accrued
    }
}

/// Interest expense; that of a premium's amortization is negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Expense {
    pub coupon: i128,
    pub amortization: i128,
}

pub struct History {
    curve: Arc<Curve>,
    events: Vec<Event>,
    /// Of all events, from the first; nothing is carried over from one event to the next.
    facts: Facts,
}

/// How far the books have come.
struct Reached {
    /// Nothing has been posted after the issuance.
    only_issued: bool,
    boundary: Date,
    /// The last day whose close is reached: a coupon falls due on its day, not when its boundary is.
    as_of: Date,
}

impl History {
    pub fn new(curve: Arc<Curve>) -> History {
        let facts = Facts::of(&curve, &[]).expect("no event, and none that is refused");
        History { curve, events: Vec::new(), facts }
    }

    pub fn of(curve: Arc<Curve>, events: &[Event]) -> Result<History, String> {
        let mut history = History::new(curve);
        for event in events {
            history.record(*event)?;
        }
        Ok(history)
    }

    pub fn curve(&self) -> &Curve {
        &self.curve
    }

    pub fn shared_curve(&self) -> Arc<Curve> {
        Arc::clone(&self.curve)
    }

    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// Adds an event after all others; refuses one that contradicts the terms or what is recorded.
    pub fn record(&mut self, event: Event) -> Result<(), String> {
        let (terms, chain) = (self.curve.terms(), &self.facts.chain);
        match event {
            // What a revision needs is found where its figures are.
            Event::Accrual { .. } | Event::Revision(_) => {}
            Event::Reversal { event } => {
                if matches!(self.facts.get(event), None | Some(Fact::Accrual | Fact::Reversed)) {
                    return Err(format!("there is nothing to reverse at {event}"));
                }
                if let Some(later) = self.facts.rests_on(event) {
                    return Err(format!("{:?} rests on it", self.events[later]));
                }
            }
            Event::Coupon { date, paid_on } => {
                if !chain.is_coupon_date(date) || date <= terms.settlement {
                    return Err(format!("{date} is no coupon date of this issue"));
                }
                if paid_on.is_some_and(|paid_on| paid_on < date) {
                    return Err("a coupon is not paid before it is due".into());
                }
                if self.is_paid(date) {
                    return Err(format!("the coupon of {date} is paid"));
                }
            }
            Event::Settlement { surrender, date } => match self.facts.get(surrender) {
                // Whatever was revised since: what is surrendered stays what it was.
                Some(Fact::Surrender { date: surrendered, settled: None, .. }) if *surrendered <= date => {}
                _ => return Err(format!("nothing to settle on {date}")),
            },
            Event::Conversion { date, principal_minor }
            | Event::Surrender { date, principal_minor }
            | Event::Extinguishment { date, principal_minor } => {
                let converts = !matches!(event, Event::Extinguishment { .. });
                if converts && !chain.last().convertible {
                    return Err("the bonds do not convert any more".into());
                }
                if chain.is_revised() && date < chain.last().from {
                    return Err("what a revision rests on was outstanding".into());
                }
                let late = chain.maturity() < date && converts;
                if date < terms.settlement || late {
                    return Err("a conversion lies between settlement and maturity".into());
                }
                let left = self.facts.principal_through(Date::MAX);
                if principal_minor <= 0 || left < principal_minor {
                    return Err(format!("{principal_minor} of {left} outstanding"));
                }
                if principal_minor % terms.denomination_minor != 0 {
                    return Err("no whole number of denominations".into());
                }
            }
        }
        let mut events = self.events.clone();
        events.push(event);
        let facts = Facts::of(&self.curve, &events)?;
        if let (Event::Reversal { .. }, Some(coupon)) = (event, facts.underpaid_since(&self.facts)) {
            return Err(format!("the coupon of {coupon} was paid without it"));
        }
        (self.events, self.facts) = (events, facts);
        Ok(())
    }

    /// Outstanding after the movements on the dates that count.
    pub fn principal_after(&self, counts: &dyn Fn(Date) -> bool) -> i128 {
        self.facts.principal_after(counts)
    }

    /// Whether a coupon is paid, by a payment that is not reversed.
    pub fn is_paid(&self, coupon: Date) -> bool {
        (0..self.events.len()).any(|index| match (self.events[index], self.facts.get(index)) {
            (Event::Coupon { date, .. }, Some(Fact::Payment { .. })) => date == coupon,
            _ => false,
        })
    }

    fn reached(&self) -> Reached {
        let (settlement, maturity) = (self.curve.terms().settlement, self.maturity());
        let mut reached = Reached { only_issued: true, boundary: settlement, as_of: settlement };
        for (date, boundary) in self.facts.reached.iter().flatten() {
            // An accrual through a day before what is accrued posts nothing.
            let boundary = (*boundary).min(maturity);
            if *date < settlement || boundary < reached.boundary {
                continue;
            }
            reached.only_issued = false;
            reached.boundary = boundary;
            reached.as_of = reached.as_of.max(*date);
        }
        reached
    }

    /// The maturity of the terms in force last.
    pub fn maturity(&self) -> Date {
        self.facts.chain.maturity()
    }

    /// The issue from date to date.
    pub fn chain(&self) -> &Chain {
        &self.facts.chain
    }

    /// What rests on an event, by its place: it must be reversed first.
    pub fn rests_on(&self, event: usize) -> Option<usize> {
        self.facts.rests_on(event)
    }

    /// What a revision came to when it was recorded, if the event is one that counts.
    pub fn revision(&self, index: usize) -> Option<&Revised> {
        match self.facts.get(index)? {
            Fact::Revision(revised) => Some(revised),
            _ => None,
        }
    }

    /// The position at the close of business of a day, by effective dates.
    pub fn position(&self, as_of: Date) -> Components {
        self.position_at(as_of, self.facts.chain.boundary(as_of))
    }

    /// The position at a boundary, with all that is effective on or before `as_of`. An event's own position after is
    /// the one at its date as boundary.
    pub fn position_at(&self, as_of: Date, boundary: Date) -> Components {
        self.components(as_of, boundary)
    }

    fn components(&self, as_of: Date, boundary: Date) -> Components {
        let (terms, facts) = (self.curve.terms(), &self.facts);
        if as_of < terms.settlement {
            return Components::default();
        }
        let principal = facts.principal_through(as_of);
        let chain = &facts.chain;
        let balance = chain.balance(principal, as_of, boundary);
        let mut components = Components {
            principal,
            premium_discount: balance.premium_discount,
            issue_costs: balance.issue_costs,
            interest_due: 0,
            interest_accrued: balance.accrued,
            interest_receivable: 0,
            surrendered: 0,
        };
        if as_of < boundary {
            // At the boundary of a coupon date the day before: the whole coupon, not yet due.
            components.interest_accrued += chain.coupon(principal, boundary);
        }
        for moved in facts.held(as_of) {
            components.principal += moved.principal;
            components.surrendered += moved.principal;
            components.premium_discount += moved.premium_discount;
            components.issue_costs += moved.issue_costs;
            components.interest_accrued += moved.forfeited();
        }
        // Of the coupons still to come only the next can have anything due: what conversions left or handed over.
        let next = chain.coupon_date_after(as_of).unwrap_or(chain.maturity());
        for coupon in chain.coupon_dates().filter(|coupon| *coupon <= next) {
            let open = facts.entitled(coupon, as_of) - facts.paid(coupon, as_of);
            components.interest_due += open.max(0);
            components.interest_receivable += (-open).max(0);
        }
        components
    }

    /// The boundary last accrued.
    pub fn accrued_boundary(&self) -> Date {
        self.reached().boundary
    }

    /// What the books show: the target at the boundary last accrued, with every event recorded.
    pub fn booked(&self) -> Components {
        let reached = self.reached();
        let mut booked = self.components(reached.as_of, reached.boundary);
        if reached.only_issued {
            booked.interest_accrued = self.opening_interest();
        }
        booked
    }

    /// Interest payable as the issuance posted it: what was received, if that is stated.
    fn opening_interest(&self) -> i128 {
        let terms = self.curve.terms();
        let computed = || self.curve.balance(terms.principal_minor, terms.settlement).accrued;
        terms.accrued_received_minor.unwrap_or_else(computed)
    }

    /// All interest expense booked so far, as what remains when every other movement is known: closing balance less
    /// opening balance, plus what left for cash and capital, less what came in as cash.
    pub fn interest_expense_total(&self) -> Expense {
        let (terms, facts, booked) = (self.curve.terms(), &self.facts, self.booked());
        let issued = terms.proceeds_minor - terms.principal_minor - terms.issue_costs_minor;
        let mut amortization = booked.premium_discount + booked.issue_costs - issued;
        let mut coupon = booked.interest_payable() - booked.interest_receivable - self.opening_interest();
        coupon += facts.cash_paid();
        for (_, moved, _) in facts.moved() {
            amortization += moved.premium_discount + moved.issue_costs;
            coupon -= moved.handed_over;
            if moved.interest != OnConversion::Payable {
                coupon += moved.accrued_interest;
            }
        }
        // What is surrendered and not settled has not left.
        for moved in facts.held(self.reached().as_of) {
            amortization -= moved.premium_discount + moved.issue_costs;
            coupon -= moved.forfeited();
        }
        for revised in facts.revisions() {
            amortization += revised.expense - revised.premium_discount - revised.issue_costs;
        }
        Expense { coupon, amortization }
    }

    /// What the event moved when it was recorded, if it is a conversion or a surrender.
    pub fn conversion_result(&self, index: usize) -> Option<Moved> {
        match self.facts.get(index)? {
            Fact::Conversion { moved, .. } | Fact::Surrender { moved, .. } => Some(*moved),
            _ => None,
        }
    }

    /// The cash that the event paid, if it is a coupon payment.
    pub fn payment(&self, index: usize) -> Option<i128> {
        match self.facts.get(index)? {
            Fact::Payment { amounts, .. } => Some(amounts.iter().map(|(_, amount)| amount).sum()),
            _ => None,
        }
    }
}
