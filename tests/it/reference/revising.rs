//! How a revision is found: from its date on the principal outstanding is carried at an amount of its own, to the payments that there
//! are then, along a curve of its own.

use super::chain::Part;
use super::curve::Curve;
use super::facts::{Fact, Facts};
use super::number::Num;
use super::revision::{Because, Framework, Modification, OptionChange, Revised, Revision, Trillionths};
use super::schedule::{Schedule, ratio};
use super::ten_percent::{End, remaining, smallest, worth};
use super::{OnConversion, Terms};
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, Zero};
use std::sync::Arc;

/// What becomes of the debt.
struct New {
    premium_discount: i128,
    issue_costs: i128,
    gain_loss: i128,
    expense: i128,
    extinguishment_gain: i128,
    capital: i128,
    cash: i128,
    kept: Option<Num>,
}

/// The debt on the date of a revision.
pub struct Debt {
    pub date: Date,
    pub principal: i128,
    premium_discount: i128,
    issue_costs: i128,
}

impl Debt {
    fn carrying_amount(&self) -> i128 {
        self.principal + self.premium_discount + self.issue_costs
    }
}

impl Facts {
    /// # Errors
    /// Why it cannot be recorded.
    pub fn revised(&self, revision: &Revision, event: usize) -> Result<Revised, String> {
        match revision {
            Revision::Modification(modification) => self.modified(modification, event),
            Revision::Estimate { date, expected } => self.estimated(*date, *expected, event),
            Revision::IssueCosts { date, change, is_open_since_settlement } => {
                self.costs_corrected(*date, *change, *is_open_since_settlement, event)
            }
        }
    }

    fn check_life(&self, date: Date) -> Result<(), String> {
        let within = self.chain.root().terms().settlement <= date && date <= self.chain.maturity();
        if within { Ok(()) } else { Err(format!("{date} is outside the issue's life")) }
    }

    /// The debt on a date after which nothing has happened yet.
    fn debt_last(&self, date: Date) -> Result<Debt, String> {
        self.check_life(date)?;
        if date == self.chain.maturity() {
            return Err("nothing is left after maturity".into());
        }
        let is_later = |fact: &&Fact| match fact {
            Fact::Conversion { date: on, .. }
            | Fact::Surrender { date: on, .. }
            | Fact::Settlement { date: on, .. }
            | Fact::Payment { paid_on: on, .. } => *on > date,
            Fact::Revision(revised) => revised.date > date,
            Fact::Accrual | Fact::Reversed => false,
        };
        if self.all().find(is_later).is_some() {
            return Err(format!("something happened after {date}"));
        }
        self.debt(date)
    }

    fn debt(&self, date: Date) -> Result<Debt, String> {
        let principal = self.principal_through(date);
        if principal == 0 {
            return Err("nothing is outstanding".into());
        }
        let balance = self.chain.balance(principal, date, date);
        Ok(Debt { date, principal, premium_discount: balance.premium_discount, issue_costs: balance.issue_costs })
    }

    fn modified(&self, to: &Modification, event: usize) -> Result<Revised, String> {
        let debt = self.debt_last(to.date)?;
        let (date, now) = (to.date, self.chain.on(to.date));
        let old = now.curve.terms();
        check_option(to, now.convertible)?;
        if to.costs < 0 || to.fair_value.is_some_and(|value| value <= 0) {
            return Err("an amount is negative".into());
        }
        let mut terms = old.clone();
        terms.coupon_rate = to.coupon_rate.map_or(terms.coupon_rate, Trillionths::rational);
        terms.maturity = to.maturity.unwrap_or(terms.maturity);
        terms.redemption = to.redemption.map_or(terms.redemption, Trillionths::rational);
        terms.amortization_end = to.amortization_end.or(terms.amortization_end);
        let is_same = terms.coupon_rate == old.coupon_rate
            && terms.maturity == old.maturity
            && terms.redemption == old.redemption
            && terms.amortization_end == old.amortization_end
            && to.option == OptionChange::None;
        if is_same && to.option_values.is_none() {
            return Err("nothing changes".into());
        }
        if to.amortization_end.is_some_and(|end| end <= date) {
            return Err("the put has passed".into());
        }
        if let OptionChange::Added(on_conversion) = to.option {
            terms.on_conversion = on_conversion;
        }
        let (terms, schedule) = self.begun(terms, &debt)?;
        let (growth, ..) = now.curve.effective();
        let end = (to.framework == Framework::Ifrs).then(|| self.rate_end(to, now, &terms));
        if let Some((end, _)) = &end
            && !schedule.ends().any(|date| date == *end)
        {
            return Err(format!("{end} ends no period"));
        }
        let tested = match &end {
            Some(end) => {
                let before = now.curve.worth(date, &remaining(&now.curve, date), &growth);
                smallest(&debt, to.fees, &[before], &[worth(&schedule, date, end, &growth)])?
            }
            None => self.tested(&debt, to, &terms, &schedule)?,
        };
        let carrying = debt.carrying_amount();
        let option_change = to.option_values.map(|(before, after)| after - before);
        if option_change.is_some() && carrying == 0 {
            return Err("nothing is carried".into());
        }
        let because = match to.option {
            OptionChange::Added(_) => Because::OptionAdded,
            OptionChange::Eliminated => Because::OptionEliminated,
            OptionChange::None if option_change.is_some_and(|change| 10 * change.abs() >= carrying.abs()) => {
                Because::OptionValue
            }
            OptionChange::None if tested.change >= ratio(1, 10) => Because::CashFlows,
            OptionChange::None => Because::Neither,
        };
        let new = match (because, &end) {
            (Because::Neither, None) => {
                // No gain or loss; what holders get lessens what is carried (40-14, 40-17), third parties are expensed (40-18).
                let more = option_change.unwrap_or(0).max(0);
                New {
                    premium_discount: debt.premium_discount - to.fees - more,
                    issue_costs: debt.issue_costs,
                    gain_loss: 0,
                    expense: to.costs,
                    extinguishment_gain: 0,
                    capital: more,
                    cash: -to.fees - to.costs,
                    kept: None,
                }
            }
            (Because::Neither, Some(end)) => {
                // B5.4.6 for the payments, B3.3.6A for fees and costs.
                let accrued = Num::Exact(schedule.accrued(date));
                let worth = worth(&schedule, date, end, &growth).sub(&accrued).worth_times(debt.principal);
                let paid = to.fees + to.costs;
                New {
                    premium_discount: worth - debt.principal - debt.issue_costs,
                    issue_costs: debt.issue_costs - paid,
                    gain_loss: carrying - worth,
                    expense: worth - carrying,
                    extinguishment_gain: 0,
                    capital: 0,
                    cash: -paid,
                    kept: (paid == 0).then(|| growth.clone()),
                }
            }
            _ => {
                let fair_value = to.fair_value.ok_or("a fair value is needed")?;
                // 40-17 and 40-18; under IFRS B3.3.6A takes both to the gain or loss.
                let carried_costs = if to.framework == Framework::UsGaap { to.costs } else { 0 };
                let gain_loss = carrying - fair_value - to.fees - (to.costs - carried_costs);
                New {
                    premium_discount: fair_value - debt.principal,
                    issue_costs: -carried_costs,
                    gain_loss,
                    expense: 0,
                    extinguishment_gain: gain_loss,
                    capital: 0,
                    cash: -to.fees - to.costs,
                    kept: None,
                }
            }
        };
        let is_new_debt = because != Because::Neither;
        let convertible = match to.option {
            OptionChange::None => now.convertible,
            OptionChange::Added(_) => true,
            OptionChange::Eliminated => false,
        };
        let part = Part {
            from: date,
            curve: Arc::clone(now.curve()),
            event: Some(event),
            is_modification: true,
            is_new_debt,
            convertible,
        };
        let mut revised = self.carried(&debt, terms, new, end, part)?;
        revised.tested = Some((tested, because));
        Ok(revised)
    }

    fn estimated(&self, date: Date, expected: Option<(Date, Trillionths)>, event: usize) -> Result<Revised, String> {
        let debt = self.debt_last(date)?;
        let now = self.chain.on(date);
        let (terms, schedule) = self.begun(now.curve.terms().clone(), &debt)?;
        let end = match expected {
            Some((end, price)) => (end, price.rational()),
            None => (terms.maturity, terms.redemption.clone()),
        };
        if end.0 <= date || !schedule.ends().any(|date| date == end.0) || !end.1.is_positive() {
            return Err(format!("no redemption on {}", end.0));
        }
        let (growth, ..) = now.curve.effective();
        let accrued = Num::Exact(schedule.accrued(date));
        let worth = worth(&schedule, date, &end, &growth).sub(&accrued).worth_times(debt.principal);
        let gain_loss = debt.carrying_amount() - worth;
        if gain_loss == 0 {
            return Err("nothing changes".into());
        }
        let new = New {
            premium_discount: worth - debt.principal - debt.issue_costs,
            issue_costs: debt.issue_costs,
            gain_loss,
            expense: -gain_loss,
            extinguishment_gain: 0,
            capital: 0,
            cash: 0,
            kept: Some(growth),
        };
        let part = Part { from: date, event: Some(event), is_modification: false, is_new_debt: false, ..now.clone() };
        self.carried(&debt, terms, new, Some(end), part)
    }

    fn costs_corrected(&self, date: Date, change: i128, is_open: bool, event: usize) -> Result<Revised, String> {
        if change == 0 {
            return Err("nothing changes".into());
        }
        let root = self.chain.root().terms();
        let is_whole = self.principal_through(Date::MAX) == root.principal_minor;
        let debt = if is_open && is_whole && !self.chain.is_revised() {
            self.check_life(date)?;
            self.debt(root.settlement)?
        } else {
            self.debt_last(date)?
        };
        let after = change - debt.issue_costs;
        if after < 0 || after >= debt.principal + debt.premium_discount {
            return Err(format!("issue costs of {after}"));
        }
        let now = self.chain.on(debt.date);
        let (terms, _) = self.begun(now.curve.terms().clone(), &debt)?;
        // A redemption that is expected is expected still.
        let end = now.curve.expected().filter(|(end, _)| *end > debt.date);
        let new = New {
            premium_discount: debt.premium_discount,
            issue_costs: -after,
            gain_loss: 0,
            expense: 0,
            extinguishment_gain: 0,
            capital: 0,
            cash: -change,
            kept: None,
        };
        let part =
            Part { from: debt.date, event: Some(event), is_modification: false, is_new_debt: false, ..now.clone() };
        self.carried(&debt, terms, new, end, part)
    }

    /// Terms as of an issue that begins on the date: within a coupon period the period goes on.
    fn begun(&self, mut terms: Terms, debt: &Debt) -> Result<(Terms, Schedule), String> {
        let date = debt.date;
        if terms.maturity <= date {
            return Err("the new maturity has passed".into());
        }
        let old = self.chain.on(date).curve.clone();
        let zero_coupon = terms.frequency == 0;
        if zero_coupon && !terms.coupon_rate.is_zero() {
            return Err("a zero-coupon issue pays no coupons".into());
        }
        let running = (!zero_coupon && !self.chain.is_coupon_date(date)).then(|| old.schedule().holding(date));
        (terms.dated, terms.first_coupon) = (date, None);
        terms.settlement = date;
        terms.stated_rate = None;
        terms.accrued_received_minor = None;
        terms.amortization_end = terms.amortization_end.filter(|end| *end > date);
        if let Some(period) = running {
            let period = period.ok_or("no period runs on that date")?;
            if terms.coupon_rate != old.terms().coupon_rate {
                return Err("a coupon rate begins with a period".into());
            }
            (terms.dated, terms.first_coupon) = (period.start, Some(period.end));
        }
        let schedule = Schedule::new(&terms)?;
        if let Some(end) = terms.first_coupon
            && !schedule.has_the_days_of(old.schedule(), end)
        {
            return Err("the period that runs would have other days".into());
        }
        if let Some(put) = terms.amortization_end
            && !schedule.ends().any(|end| end == put)
        {
            return Err(format!("{put} ends no period"));
        }
        Ok((terms, schedule))
    }

    /// To where payments count of which a kept rate is: that of the rate, unless the terms state another.
    fn rate_end(&self, to: &Modification, now: &Part, terms: &Terms) -> End {
        let (_, end, price) = now.curve.effective();
        if let Some(put) = to.amortization_end {
            return (put, terms.redemption.clone());
        }
        if end > to.date && end < now.curve.terms().maturity && end < terms.maturity {
            return (end, if to.redemption.is_some() { terms.redemption.clone() } else { price });
        }
        (terms.maturity, terms.redemption.clone())
    }

    fn carried(&self, debt: &Debt, terms: Terms, new: New, end: Option<End>, part: Part) -> Result<Revised, String> {
        let terms = Terms {
            principal_minor: debt.principal,
            proceeds_minor: debt.principal + new.premium_discount,
            issue_costs_minor: -new.issue_costs,
            ..terms
        };
        let curve = self.chain.root().revised(&terms, new.kept.as_ref(), end.as_ref())?;
        Ok(Revised {
            date: debt.date,
            principal: debt.principal,
            carrying_before: debt.carrying_amount(),
            carrying_after: debt.principal + new.premium_discount + new.issue_costs,
            gain_loss: new.gain_loss,
            premium_discount: new.premium_discount - debt.premium_discount,
            issue_costs: new.issue_costs - debt.issue_costs,
            cash: new.cash,
            expense: new.expense,
            extinguishment_gain: new.extinguishment_gain,
            capital: new.capital,
            tested: None,
            part: Part { curve, ..part },
        })
    }
}

impl Part {
    fn curve(&self) -> &Arc<Curve> {
        &self.curve
    }
}

fn check_option(to: &Modification, convertible: bool) -> Result<(), String> {
    let is_ifrs = to.framework == Framework::Ifrs;
    match to.option {
        OptionChange::None => {}
        _ if is_ifrs => return Err("under IFRS the option is equity".into()),
        OptionChange::Added(_) if convertible => return Err("there is an option already".into()),
        OptionChange::Eliminated if !convertible => return Err("there is no option".into()),
        _ => {}
    }
    match to.option_values {
        Some(_) if !convertible || is_ifrs => Err("no option is measured".into()),
        Some((before, after)) if before < 0 || after < 0 => Err("an option is worth nothing at least".into()),
        None if !is_ifrs && convertible && to.option == OptionChange::None => Err("the option is not measured".into()),
        _ => Ok(()),
    }
}
