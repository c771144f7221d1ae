//! The amortised cost of one unit of principal from settlement to a horizon, by recursion over its cash flows.

use super::number::{FRACTION_BITS, Num};
use super::rate::growth;
use super::schedule::{Schedule, ratio};
use super::{Method, Within};
use jiff::civil::Date;
use num_rational::BigRational;
use num_traits::{One, Zero};

/// What one line is drawn through.
pub struct Course<'a> {
    pub schedule: &'a Schedule,
    pub settlement: Date,
    pub horizon: Date,
    /// Clean price of one unit at settlement.
    pub price: BigRational,
    pub redemption: &'a BigRational,
    pub method: Method,
    pub within: Within,
    /// Growth per period of a stated rate; otherwise it is solved.
    pub stated: Option<BigRational>,
    /// Growth per period that a revision keeps: each balance is what is still to be paid at it, and the first period takes up what the
    /// price was rounded by.
    pub kept: Option<Num>,
}

struct Node {
    date: Date,
    clean: Num,
    /// What is paid on this date, but for the redemption price.
    coupon: BigRational,
}

pub struct UnitLine {
    schedule: Schedule,
    nodes: Vec<Node>,
    accrued_at_settlement: BigRational,
    growth: Num,
    redemption: BigRational,
    method: Method,
    within: Within,
    last_period_difference: Num,
}

impl UnitLine {
    pub fn new(course: Course) -> Result<UnitLine, String> {
        let Course { schedule, settlement, horizon, redemption, .. } = course;
        let accrued = schedule.accrued(settlement);
        let dates: Vec<Date> = schedule.ends().filter(|date| settlement < *date && *date <= horizon).collect();
        if dates.last() != Some(&horizon) {
            return Err(format!("{horizon} ends no period after settlement"));
        }
        let coupons: Vec<BigRational> = dates
            .iter()
            .filter_map(|date| schedule.ending(*date))
            .map(|period| schedule.interest(period, period.end))
            .collect();
        let first = schedule.quasi_periods(settlement, dates[0]);
        let dirty = &course.price + &accrued;
        let mut flows = coupons.clone();
        *flows.last_mut().expect("at least one date") += redemption;
        let growth = match (&course.stated, &course.kept) {
            (Some(stated), _) => Num::Exact(stated.clone()),
            (None, Some(kept)) => kept.clone(),
            (None, None) => growth(&dirty, &first, &flows)?,
        };
        if !growth.is_positive() {
            return Err("the rate is minus 100 percent or less".into());
        }

        let (nodes, last_period_difference) = if course.kept.is_some() {
            let mut nodes =
                vec![Node { date: settlement, clean: Num::Exact(course.price), coupon: BigRational::zero() }];
            let back = Num::Exact(BigRational::one()).div(&growth);
            let mut value = Num::Exact(redemption.clone());
            let mut later = Vec::new();
            for (date, coupon) in dates.iter().zip(coupons).rev() {
                later.push(Node { date: *date, clean: value.clone(), coupon: coupon.clone() });
                value = value.add(&Num::Exact(coupon)).mul(&back);
            }
            nodes.extend(later.into_iter().rev());
            (nodes, Num::Exact(BigRational::zero()))
        } else {
            let pays_nothing = coupons.iter().all(Zero::is_zero) && course.stated.is_none();
            let total = &first + ratio(dates.len() as i64 - 1, 1);
            let growth_to_end = Num::Exact(redemption / &dirty);
            let mut nodes =
                vec![Node { date: settlement, clean: Num::Exact(course.price.clone()), coupon: BigRational::zero() }];
            let mut value = Num::Exact(dirty.clone());
            for (index, (date, coupon)) in dates.iter().zip(coupons).enumerate() {
                value = if pays_nothing {
                    // Without coupons the whole growth is known: its roots are exact wherever they are rational.
                    let passed = &first + ratio(index as i64, 1);
                    Num::Exact(dirty.clone()).mul(&growth_to_end.pow(&(passed / &total)))
                } else {
                    let tau = if index == 0 { first.clone() } else { BigRational::one() };
                    value.mul(&growth.pow(&tau)).sub(&Num::Exact(coupon.clone()))
                };
                if !value.is_positive() && course.method == Method::EffectiveInterest {
                    return Err(format!("at the stated rate nothing is left on {date}"));
                }
                nodes.push(Node { date: *date, clean: value.clone(), coupon });
            }
            let last_period_difference = Num::Exact(redemption.clone()).sub(&value);
            if course.stated.is_none() {
                let bits = last_period_difference.fixed().magnitude().bits();
                assert!(bits < u64::from(FRACTION_BITS) - 180, "the recursion misses the redemption price");
            }
            nodes.last_mut().expect("nodes").clean = Num::Exact(redemption.clone());
            (nodes, last_period_difference)
        };
        Ok(UnitLine {
            schedule: schedule.clone(),
            nodes,
            accrued_at_settlement: accrued,
            growth,
            redemption: redemption.clone(),
            method: course.method,
            within: course.within,
            last_period_difference,
        })
    }

    pub fn growth(&self) -> Num {
        self.growth.clone()
    }

    /// Per coupon period.
    pub fn rate(&self) -> BigRational {
        self.growth.rational() - BigRational::one()
    }

    /// What the last period takes up beside its interest at a stated rate; next to nothing otherwise.
    pub fn last_period_difference(&self) -> BigRational {
        self.last_period_difference.rational()
    }

    /// Clean value at a boundary from settlement on; after the horizon it stands at the redemption price.
    pub fn at(&self, boundary: Date) -> Num {
        let (first, last) = (&self.nodes[0], &self.nodes[self.nodes.len() - 1]);
        if boundary <= first.date {
            return first.clean.clone();
        }
        if boundary >= last.date {
            return Num::Exact(self.redemption.clone());
        }
        if self.method == Method::StraightLine {
            let passed = self.fraction(first.date, boundary, last.date);
            return between(&first.clean, &last.clean, passed);
        }
        let index = self.nodes.partition_point(|node| node.date <= boundary) - 1;
        let (start, end) = (&self.nodes[index], &self.nodes[index + 1]);
        if boundary == start.date {
            return start.clean.clone();
        }
        let passed = self.fraction(start.date, boundary, end.date);
        // A 30-day count sees no day around a 31st: exactly the value at the start or the end, which fixed point would blur.
        if passed.is_zero() {
            return start.clean.clone();
        }
        if passed.is_one() {
            return end.clean.clone();
        }
        match self.within {
            Within::Ratable => between(&start.clean, &end.clean, passed),
            Within::Compound => {
                let accrued = if index == 0 { self.accrued_at_settlement.clone() } else { BigRational::zero() };
                let opening = start.clean.add(&Num::Exact(accrued.clone()));
                let closing = end.clean.add(&Num::Exact(end.coupon.clone()));
                let dirty = opening.mul(&closing.div(&opening).pow(&passed));
                let interest = &accrued + (&end.coupon - &accrued) * passed;
                dirty.sub(&Num::Exact(interest))
            }
        }
    }

    fn fraction(&self, start: Date, boundary: Date, end: Date) -> BigRational {
        match self.schedule.days(start, end) {
            0 => BigRational::zero(),
            whole => ratio(self.schedule.days(start, boundary), whole),
        }
    }
}

fn between(start: &Num, end: &Num, passed: BigRational) -> Num {
    start.add(&end.sub(start).mul(&Num::Exact(passed)))
}
