//! What each recorded event fixed for good: the balances a conversion moved, the cash a coupon payment paid.
//!
//! An event sees the events recorded before it, whatever their dates, and none recorded after it.

use super::calendar::days_between;
use super::chain::Chain;
use super::revision::Revised;
use super::{Curve, Event, OnConversion};
use jiff::civil::Date;
use std::sync::Arc;

/// What a conversion moved when it was recorded: balance before less balance after, each rounded, at its date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moved {
    pub principal: i128,
    pub premium_discount: i128,
    pub issue_costs: i128,
    /// Accrued to the conversion: forfeited to capital, paid, or left payable, as the terms say.
    pub accrued_interest: i128,
    /// The coupon in full, handed over by a holder who converts after its record date.
    pub handed_over: i128,
    /// What becomes of the interest accrued.
    pub interest: OnConversion,
}

impl Moved {
    pub fn carrying_amount(&self) -> i128 {
        self.principal + self.premium_discount + self.issue_costs
    }

    /// The interest that goes to capital with the debt.
    pub fn forfeited(&self) -> i128 {
        if self.interest == OnConversion::Forfeited { self.accrued_interest } else { 0 }
    }
}

pub enum Fact {
    Accrual,
    /// An event that was reversed, or a reversal.
    Reversed,
    Revision(Box<Revised>),
    Conversion {
        date: Date,
        moved: Moved,
        /// The coupon whose payment takes along what the conversion left payable or handed over.
        with_coupon: Option<Date>,
    },
    /// Moved as by a conversion, but that the bonds stay in the debt.
    Surrender {
        date: Date,
        moved: Moved,
        with_coupon: Option<Date>,
        settled: Option<Date>,
    },
    Settlement {
        surrender: usize,
        date: Date,
    },
    Payment {
        coupon: Date,
        paid_on: Date,
        /// By coupon date: the coupon's own, and what an earlier payment could not know.
        amounts: Vec<(Date, i128)>,
    },
}

pub struct Facts {
    /// The issue after all events.
    pub chain: Chain,
    facts: Vec<Fact>,
    /// How far each event brought the books: its day, and its boundary by the terms that it was recorded under.
    pub reached: Vec<Option<(Date, Date)>>,
}

impl Facts {
    /// # Errors
    /// Why a revision cannot be.
    pub fn of(curve: &Arc<Curve>, events: &[Event]) -> Result<Facts, String> {
        let mut known = Facts { chain: Chain::new(curve), facts: Vec::new(), reached: Vec::new() };
        for (index, event) in events.iter().enumerate() {
            let (fact, reached) = match *event {
                // A day after maturity accrues through maturity, though a revision may move that later.
                Event::Accrual { through } => {
                    let reached = (through.min(known.chain.maturity()), known.chain.boundary(through));
                    (Fact::Accrual, Some(reached))
                }
                Event::Conversion { date, principal_minor } => {
                    let interest = known.chain.terms().on_conversion;
                    (known.leaving(date, principal_minor, interest), Some((date, date)))
                }
                Event::Extinguishment { date, principal_minor } => {
                    (known.leaving(date, principal_minor, OnConversion::Paid), Some((date, date)))
                }
                Event::Coupon { date, paid_on } => {
                    let paid_on = paid_on.unwrap_or(date);
                    (known.payment(date, paid_on), Some((paid_on, paid_on)))
                }
                Event::Revision(revision) => {
                    let revised = known.revised(&revision, index)?;
                    known.chain = known.chain.with(revised.part.clone());
                    let date = revised.date;
                    (Fact::Revision(Box::new(revised)), Some((date, date)))
                }
                Event::Surrender { date, principal_minor } => {
                    let interest = known.chain.terms().on_conversion;
                    let fact = match known.leaving(date, principal_minor, interest) {
                        Fact::Conversion { date, moved, with_coupon } => {
                            Fact::Surrender { date, moved, with_coupon, settled: None }
                        }
                        other => other,
                    };
                    (fact, Some((date, date)))
                }
                Event::Settlement { surrender, date } => {
                    if let Fact::Surrender { settled, .. } = &mut known.facts[surrender] {
                        *settled = Some(date);
                    }
                    (Fact::Settlement { surrender, date }, Some((date, date)))
                }
                Event::Reversal { event } => {
                    if let Fact::Settlement { surrender, .. } = known.facts[event]
                        && let Fact::Surrender { settled, .. } = &mut known.facts[surrender]
                    {
                        *settled = None;
                    }
                    known.facts[event] = Fact::Reversed;
                    known.chain = known.chain.without(event);
                    (Fact::Reversed, None)
                }
            };
            known.facts.push(fact);
            known.reached.push(reached);
        }
        Ok(known)
    }

    fn leaving(&self, date: Date, principal: i128, interest: OnConversion) -> Fact {
        let terms = self.chain.terms();
        let before = self.principal_through(date);
        let after = before - principal;
        let boundary = date.min(terms.maturity);
        let (held, kept) = (self.chain.balance(before, date, boundary), self.chain.balance(after, date, boundary));
        let with_coupon = self.chain.coupon_date_after(date);
        let past_record = |coupon: &Date| {
            let until = days_between(date, *coupon);
            let after_record = terms.record_days.is_some_and(|days| until < i64::from(days));
            interest == OnConversion::Forfeited && after_record
        };
        let handed_over = with_coupon
            .filter(past_record)
            .map_or(0, |coupon| self.chain.coupon(before, coupon) - self.chain.coupon(after, coupon));
        let moved = Moved {
            principal,
            premium_discount: held.premium_discount - kept.premium_discount,
            issue_costs: held.issue_costs - kept.issue_costs,
            accrued_interest: held.accrued - kept.accrued,
            handed_over,
            interest,
        };
        Fact::Conversion { date, moved, with_coupon }
    }

    fn payment(&self, coupon: Date, paid_on: Date) -> Fact {
        let open = |date: Date| self.entitled(date, Date::MAX) - self.paid(date, Date::MAX);
        let mut amounts = vec![(coupon, open(coupon).max(0))];
        for fact in &self.facts {
            if let Fact::Payment { coupon: earlier, .. } = fact
                && open(*earlier) > 0
            {
                amounts.push((*earlier, open(*earlier)));
            }
        }
        Fact::Payment { coupon, paid_on, amounts }
    }

    /// The first coupon of which some is paid and more is open than there was.
    pub fn underpaid_since(&self, before: &Facts) -> Option<Date> {
        let owed = |facts: &Facts, coupon: Date| facts.entitled(coupon, Date::MAX) - facts.paid(coupon, Date::MAX);
        let is_paid = |coupon: &Date| self.payments().any(|(_, (of, _))| of == coupon);
        let mut paid = self.chain.coupon_dates().filter(is_paid);
        paid.find(|coupon| owed(self, *coupon) > 0 && owed(self, *coupon) > owed(before, *coupon))
    }

    pub fn all(&self) -> impl Iterator<Item = &Fact> {
        self.facts.iter()
    }

    /// The first event after another that counts and that rests on it: on a revision everything does, a revision rests on the
    /// principal outstanding, and a settlement on its surrender.
    pub fn rests_on(&self, event: usize) -> Option<usize> {
        let later = |index: &usize| *index > event;
        let stands = |index: &usize| match (&self.facts[event], &self.facts[*index]) {
            (_, Fact::Accrual | Fact::Reversed) => false,
            (Fact::Revision(_), _) => true,
            (Fact::Conversion { .. } | Fact::Surrender { .. } | Fact::Settlement { .. }, Fact::Revision(_)) => true,
            (Fact::Surrender { .. }, Fact::Settlement { surrender, .. }) => *surrender == event,
            _ => false,
        };
        (0..self.facts.len()).filter(later).find(stands)
    }

    pub fn revisions(&self) -> impl Iterator<Item = &Revised> {
        self.facts.iter().filter_map(|fact| match fact {
            Fact::Revision(revised) => Some(&**revised),
            _ => None,
        })
    }

    pub fn get(&self, index: usize) -> Option<&Fact> {
        self.facts.get(index)
    }

    pub fn moved(&self) -> impl Iterator<Item = (Date, &Moved, Option<Date>)> {
        self.facts.iter().filter_map(|fact| match fact {
            Fact::Conversion { date, moved, with_coupon } | Fact::Surrender { date, moved, with_coupon, .. } => {
                Some((*date, moved, *with_coupon))
            }
            _ => None,
        })
    }

    /// What is surrendered and not settled at the end of a day.
    pub fn held(&self, as_of: Date) -> impl Iterator<Item = &Moved> {
        self.facts.iter().filter_map(move |fact| match fact {
            Fact::Surrender { date, moved, settled, .. } if *date <= as_of => {
                settled.is_none_or(|settled| as_of < settled).then_some(moved)
            }
            _ => None,
        })
    }

    fn payments(&self) -> impl Iterator<Item = (Date, &(Date, i128))> {
        self.facts.iter().flat_map(|fact| {
            let (paid_on, amounts) = match fact {
                Fact::Payment { paid_on, amounts, .. } => (*paid_on, amounts.as_slice()),
                _ => (Date::MAX, &[][..]),
            };
            amounts.iter().map(move |amount| (paid_on, amount))
        })
    }

    pub fn cash_paid(&self) -> i128 {
        self.payments().map(|(_, (_, amount))| amount).sum()
    }

    /// Outstanding and bearing interest after all movements effective on or before `date`.
    pub fn principal_through(&self, date: Date) -> i128 {
        self.principal_after(|moved_on| moved_on <= date)
    }

    /// Outstanding after all movements effective before `date`.
    pub fn principal_before(&self, date: Date) -> i128 {
        self.principal_after(|moved_on| moved_on < date)
    }

    pub fn principal_after(&self, counts: impl Fn(Date) -> bool) -> i128 {
        let converted: i128 =
            self.moved().filter(|(date, ..)| counts(*date)).map(|(_, moved, _)| moved.principal).sum();
        self.chain.root().terms().principal_minor - converted
    }

    /// What holders are to receive with a coupon, as far as it is due by the end of `as_of`.
    pub fn entitled(&self, coupon: Date, as_of: Date) -> i128 {
        let on_principal = if coupon <= as_of { self.chain.coupon(self.principal_before(coupon), coupon) } else { 0 };
        let left = |moved: &Moved| match moved.interest {
            OnConversion::Payable => moved.accrued_interest,
            OnConversion::Forfeited => moved.handed_over,
            OnConversion::Paid => 0,
        };
        let along: i128 = self
            .moved()
            .filter(|(date, _, with_coupon)| *date <= as_of && *with_coupon == Some(coupon))
            .map(|(_, moved, _)| left(moved))
            .sum();
        on_principal + along
    }

    pub fn paid(&self, coupon: Date, as_of: Date) -> i128 {
        self.payments()
            .filter(|(paid_on, (of, _))| *paid_on <= as_of && *of == coupon)
            .map(|(_, (_, amount))| amount)
            .sum()
    }
}
