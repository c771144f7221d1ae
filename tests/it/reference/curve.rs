//! The three lines of an issue (gross, net, and gross over the net horizon) and the balances they give.

use super::Terms;
use super::number::Num;
use super::schedule::{Schedule, ratio};
use super::unit_line::{Course, UnitLine};
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
    /// To where premium or discount runs, to where issue costs do, and what is repaid there.
    horizons: (Date, Date),
    redemption: BigRational,
    /// Stated by a revision.
    expected: Option<(Date, BigRational)>,
    /// What it was revised to, by all that the outcome is made of: a history is folded anew at every question.
    revised: Mutex<HashMap<String, Result<Arc<Curve>, String>>>,
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
                kept: None,
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
            horizons: (gross_horizon, horizon),
            redemption: terms.redemption.clone(),
            expected: None,
            revised: Mutex::default(),
            units: Mutex::default(),
            balances: Mutex::default(),
            coupons: Mutex::default(),
        })
    }

    /// The curve that a revision begins: of terms that settle on its date for what is carried. A rate may be kept, and payments may
    /// end otherwise than the terms say. Without issue costs there is one line.
    pub fn revised(
        &self,
        terms: &Terms,
        kept: Option<&Num>,
        expected: Option<&(Date, BigRational)>,
    ) -> Result<Arc<Curve>, String> {
        let key = format!("{terms:?} {kept:?} {expected:?}");
        let known = self.revised.lock().expect("no panic while held").get(&key).cloned();
        known.unwrap_or_else(|| {
            let drawn = Curve::begun(terms, kept, expected).map(Arc::new);
            self.revised.lock().expect("no panic while held").insert(key, drawn.clone());
            drawn
        })
    }

    fn begun(terms: &Terms, kept: Option<&Num>, expected: Option<&(Date, BigRational)>) -> Result<Curve, String> {
        let schedule = Schedule::new(terms)?;
        let unit = |minor: i128| BigRational::new(BigInt::from(minor), terms.principal_minor.into());
        let (gross_price, net_price) =
            (unit(terms.proceeds_minor), unit(terms.proceeds_minor - terms.issue_costs_minor));
        // No rate is solved from what a kept one gives: payments far away may be worth less than half a minor unit.
        let gross_is_solved = kept.is_none() || terms.issue_costs_minor != 0;
        if gross_is_solved && !gross_price.is_positive() || kept.is_none() && !net_price.is_positive() {
            return Err("a rate needs a positive price".into());
        }
        let put = terms.amortization_end.unwrap_or(terms.maturity);
        let (horizons, redemption) = match expected {
            Some((end, price)) => ((*end, *end), price.clone()),
            None if gross_price < terms.redemption => ((put, put), terms.redemption.clone()),
            None => ((terms.maturity, put), terms.redemption.clone()),
        };
        let line = |price: &BigRational, horizon: Date, kept: Option<&Num>| {
            UnitLine::new(Course {
                schedule: &schedule,
                settlement: terms.settlement,
                horizon,
                price: price.clone(),
                redemption: &redemption,
                method: terms.method,
                within: terms.within,
                stated: None,
                kept: kept.cloned(),
            })
            .map(Arc::new)
        };
        let without_costs = terms.issue_costs_minor == 0;
        let gross = line(&gross_price, horizons.0, kept.filter(|_| without_costs))?;
        let one = without_costs || horizons.0 == horizons.1;
        let gross_same_horizon = if one { Arc::clone(&gross) } else { line(&gross_price, horizons.1, None)? };
        let net = if without_costs { Arc::clone(&gross) } else { line(&net_price, horizons.1, kept)? };
        let coupon_dates = if terms.frequency == 0 { Vec::new() } else { schedule.ends().collect() };
        Ok(Curve {
            terms: terms.clone(),
            schedule,
            coupon_dates,
            gross,
            net,
            gross_same_horizon,
            horizons,
            redemption,
            expected: expected.cloned(),
            revised: Mutex::default(),
            units: Mutex::default(),
            balances: Mutex::default(),
            coupons: Mutex::default(),
        })
    }

    pub fn schedule(&self) -> &Schedule {
        &self.schedule
    }

    pub fn is_month_end(&self) -> bool {
        self.schedule.month_end()
    }

    /// The redemption that the revision which began it stated.
    pub fn expected(&self) -> Option<(Date, BigRational)> {
        self.expected.clone()
    }

    /// The growth a period by which the debt is carried, net of issue costs if there are any, and the payment to which it leads.
    pub fn effective(&self) -> (Num, Date, BigRational) {
        let (line, end) = match self.terms.issue_costs_minor {
            0 => (&self.gross, self.horizons.0),
            _ => (&self.net, self.horizons.1),
        };
        (line.growth(), end, self.redemption.clone())
    }

    /// What one unit of principal is repaid at, as far as the curve knows.
    pub fn last_price(&self) -> &BigRational {
        &self.redemption
    }

    /// What the payments after a date up to an end are worth, on one unit and with interest accrued.
    pub fn worth(&self, from: Date, end: &(Date, BigRational), growth: &Num) -> Num {
        super::ten_percent::worth(&self.schedule, from, end, growth)
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
