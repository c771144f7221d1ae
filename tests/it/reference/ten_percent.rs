//! The test of ten percent: what payments are worth, and by how much new ones change it.

use super::Terms;
use super::calendar::months_before;
use super::chain::Chain;
use super::curve::Curve;
use super::facts::Facts;
use super::number::Num;
use super::revising::Debt;
use super::revision::{Modification, Tested, Trillionths};
use super::schedule::Schedule;
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, Zero};
use std::sync::Arc;

/// When and for what price payments end.
pub type End = (Date, BigRational);

impl Facts {
    /// The test under US GAAP: the terms of a year before if they were modified since, and the smallest of all changes where bonds can
    /// be put or called.
    pub fn tested(&self, debt: &Debt, to: &Modification, terms: &Terms, schedule: &Schedule) -> Result<Tested, String> {
        let date = debt.date;
        let original = year_before(&self.chain, date);
        let (growth, ..) = original.effective();
        let endings = |terms: &Terms| -> Vec<End> {
            let put = terms.amortization_end.filter(|put| *put > date && *put < terms.maturity);
            // Of changes that are equally small the one to maturity is told, then that to the put.
            [terms.maturity].into_iter().chain(put).map(|end| (end, terms.redemption.clone())).collect()
        };
        let call =
            |price: Option<Trillionths>| price.map(|price| Num::Exact(price.rational() + schedule.accrued(date)));
        let mut before: Vec<Num> =
            endings(original.terms()).iter().map(|end| original.worth(date, end, &growth)).collect();
        before.extend(call(to.callable_before));
        let mut after: Vec<Num> = endings(terms).iter().map(|end| worth(schedule, date, end, &growth)).collect();
        after.extend(call(to.callable_after));
        smallest(debt, to.fees, &before, &after)
    }
}

/// The terms that the new ones are compared with: those of a year before, if they were modified since and the debt is the same.
fn year_before(chain: &Chain, date: Date) -> &Arc<Curve> {
    let year_before = months_before(date, 12, false);
    let parts = chain.parts();
    let mut original = parts.len() - 1;
    for at in (1..parts.len()).rev() {
        let (part, before) = (&parts[at], &parts[at - 1]);
        if part.from <= year_before || part.is_new_debt || before.curve.terms().maturity <= date {
            break;
        }
        if part.is_modification {
            original = at - 1;
        }
    }
    &parts[original].curve
}

/// What a curve's payments end with after a date: the end that its rate is of, or maturity where that has passed.
pub fn remaining(curve: &Curve, date: Date) -> End {
    let (_, end, price) = curve.effective();
    let terms = curve.terms();
    if end > date { (end, price) } else { (terms.maturity, terms.redemption.clone()) }
}

pub fn smallest(debt: &Debt, fees: i128, before: &[Num], after: &[Num]) -> Result<Tested, String> {
    let fees = BigRational::new(BigInt::from(fees), debt.principal.into());
    let same = BigRational::new(BigInt::one(), BigInt::from(10).pow(20));
    let mut found: Option<(BigRational, &Num, &Num)> = None;
    for before in before {
        let was = before.rational();
        if was.is_zero() {
            return Err("nothing was to be paid".into());
        }
        for after in after {
            let change = ((after.rational() + &fees - &was) / &was).abs();
            // Of changes that are the same in twenty decimals the first is told.
            if found.as_ref().is_none_or(|(known, ..)| known - &change > same) {
                found = Some((change, before, after));
            }
        }
    }
    let (change, before, after) = found.ok_or("no payments")?;
    Ok(Tested { before: before.worth_times(debt.principal), after: after.worth_times(debt.principal), change })
}

/// What the payments after a date up to an end are worth at a growth a period, on one unit and with interest accrued.
pub fn worth(schedule: &Schedule, from: Date, end: &End, growth: &Num) -> Num {
    let dates: Vec<Date> = schedule.ends().filter(|date| from < *date && *date <= end.0).collect();
    let Some(first) = dates.first() else { return Num::Exact(BigRational::zero()) };
    let back = Num::Exact(BigRational::one()).div(growth);
    let mut sum = Num::Exact(end.1.clone());
    for date in dates.iter().rev() {
        let period = schedule.ending(*date).expect("the end of a period");
        sum = sum.add(&Num::Exact(schedule.interest(period, *date)));
        if date != first {
            sum = sum.mul(&back);
        }
    }
    sum.div(&growth.pow(&schedule.quasi_periods(from, *first)))
}
