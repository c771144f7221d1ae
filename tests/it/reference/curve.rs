//! The three lines of an issue (gross, net, and gross over the net horizon) and the balances they give.

use super::calendar::next_day;
use super::number::Num;
use super::schedule::{Schedule, ratio};
use super::unit_line::{Course, UnitLine};
use super::{Cutoff, Terms};
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, Zero};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};

/// Rounded balances in minor units. A premium is positive, issue costs are negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Balance {
    pub premium_discount: i128,
    pub issue_costs: i128,
    /// Of the running coupon period; zero at a coupon date.
    pub accrued: i128,
}

struct Unit {
    premium_discount: Num,
    issue_costs: Num,
    accrued: Num,
}

pub struct Curve {
    terms: Terms,
    schedule: Schedule,
    /// Those of a zero-coupon issue are none.
    coupon_dates: Vec<Date>,
    gross: Arc<UnitLine>,
    net: Arc<UnitLine>,
    gross_same_horizon: Arc<UnitLine>,
    units: Mutex<HashMap<Date, Arc<Unit>>>,
    balances: Mutex<HashMap<(i128, Date), Balance>>,
    coupons: Mutex<HashMap<(i128, Date), i128>>,
}

impl Curve {
    pub fn new(terms: &Terms) -> Result<Curve, String> {
        let schedule = Schedule::new(terms)?;
        if terms.principal_minor <= 0 || terms.denomination_minor <= 0 {
            return Err("principal and denomination must be positive".into());
        }
        if terms.issue_costs_minor < 0 {
            return Err("issue costs must not be negative".into());
        }
        if terms.proceeds_minor <= terms.issue_costs_minor || !terms.redemption.is_positive() {
            return Err("net proceeds and redemption price must be positive".into());
        }
        let unit = |minor: i128| BigRational::new(BigInt::from(minor), terms.principal_minor.into());
        let gross_price = unit(terms.proceeds_minor);
        let net_price = unit(terms.proceeds_minor - terms.issue_costs_minor);
        let horizon = terms.amortization_end.unwrap_or(terms.maturity);
        let gross_horizon = if gross_price < terms.redemption { horizon } else { terms.maturity };
        let stated =
            terms.stated_rate.as_ref().map(|rate| BigRational::one() + rate / ratio(schedule.periods_a_year(), 1));
        // Without costs gross and net are one, so the stated rate drives both.
        let gross_stated = stated.clone().filter(|_| terms.issue_costs_minor == 0);
        let line = |price: &BigRational, horizon: Date, stated: Option<BigRational>| {
            UnitLine::new(Course {
                schedule: &schedule,
                settlement: terms.settlement,
                horizon,
                price: price.clone(),
                redemption: &terms.redemption,
                method: terms.method,
                within: terms.within,
                stated,
            })
            .map(Arc::new)
        };
        let gross = line(&gross_price, gross_horizon, gross_stated.clone())?;
        // Lines of the same price, horizon and rate are one.
        let gross_same_horizon =
            if gross_horizon == horizon { Arc::clone(&gross) } else { line(&gross_price, horizon, gross_stated)? };
        let net =
            if net_price == gross_price { Arc::clone(&gross_same_horizon) } else { line(&net_price, horizon, stated)? };
        let coupon_dates = if terms.frequency == 0 { Vec::new() } else { schedule.ends().collect() };
        Ok(Curve {
            terms: terms.clone(),
            schedule,
            coupon_dates,
            gross,
            net,
            gross_same_horizon,
            units: Mutex::default(),
            balances: Mutex::default(),
            coupons: Mutex::default(),
        })
    }

    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// Rates are per coupon period (compounding period of a zero-coupon issue).
    pub fn gross_rate(&self) -> BigRational {
        self.gross.rate()
    }

    pub fn net_rate(&self) -> BigRational {
        self.net.rate()
    }

    pub fn gross_same_horizon_rate(&self) -> BigRational {
        self.gross_same_horizon.rate()
    }

    /// Per unit of principal: what the net line's last period takes beside interest at the stated rate.
    pub fn last_period_difference(&self) -> BigRational {
        self.net.last_period_difference()
    }

    /// Every coupon date, from the first after the dated date.
    pub fn coupon_dates(&self) -> &[Date] {
        &self.coupon_dates
    }

    pub fn is_coupon_date(&self, date: Date) -> bool {
        self.coupon_dates.binary_search(&date).is_ok()
    }

    /// The first coupon date after `date`.
    pub fn coupon_date_after(&self, date: Date) -> Option<Date> {
        let index = self.coupon_dates.partition_point(|coupon| *coupon <= date);
        self.coupon_dates.get(index).copied()
    }

    /// The boundary of a balance as of the close of business of a day.
    pub fn boundary(&self, as_of: Date) -> Date {
        let terms = &self.terms;
        if as_of <= terms.settlement {
            return terms.settlement;
        }
        if as_of >= terms.maturity {
            return terms.maturity;
        }
        let own_day = terms.cutoff == Cutoff::ToDate || self.is_coupon_date(as_of) || self.schedule.month_end();
        if own_day { as_of } else { next_day(as_of) }
    }

    pub fn balance(&self, principal_minor: i128, boundary: Date) -> Balance {
        let mut balances = self.balances.lock().expect("no panic while held");
        *balances.entry((principal_minor, boundary)).or_insert_with(|| {
            let unit = self.unit(boundary);
            Balance {
                premium_discount: unit.premium_discount.round_times(principal_minor),
                issue_costs: unit.issue_costs.round_times(principal_minor),
                accrued: unit.accrued.round_times(principal_minor),
            }
        })
    }

    /// The coupon of a coupon date on a principal; zero on any other date.
    pub fn coupon(&self, principal_minor: i128, coupon_date: Date) -> i128 {
        if !self.is_coupon_date(coupon_date) || principal_minor == 0 {
            return 0;
        }
        let mut coupons = self.coupons.lock().expect("no panic while held");
        *coupons.entry((principal_minor, coupon_date)).or_insert_with(|| {
            let period = self.schedule.ending(coupon_date).expect("a coupon date ends a period");
            Num::Exact(self.schedule.interest(period, coupon_date)).round_times(principal_minor)
        })
    }

    /// The first coupon's time from settlement in coupon periods.
    pub fn first_time(&self) -> BigRational {
        let next = self.schedule.ends().find(|end| *end > self.terms.settlement);
        next.map_or_else(BigRational::zero, |end| self.schedule.quasi_periods(self.terms.settlement, end))
    }

    fn unit(&self, boundary: Date) -> Arc<Unit> {
        let known = self.units.lock().expect("no panic while held").get(&boundary).cloned();
        if let Some(unit) = known {
            return unit;
        }
        let unit = Arc::new(Unit {
            premium_discount: self.gross.at(boundary).sub(&Num::Exact(BigRational::one())),
            issue_costs: self.net.at(boundary).sub(&self.gross_same_horizon.at(boundary)),
            accrued: Num::Exact(self.schedule.accrued(boundary)),
        });
        let mut units = self.units.lock().expect("no panic while held");
        units.insert(boundary, Arc::clone(&unit));
        unit
    }
}
