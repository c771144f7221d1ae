//! Surrenders for conversion and their settlements in random histories.

use std::sync::Arc;

use jiff::civil::Date;
use parwright::accounting::position::{Components, RowChange};
use parwright::accounting::transaction::surrender::{Surrender, Surrendered};
use parwright::accounting::transaction::{Decision, conversion, surrender};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use super::invariants;
use super::life::{Checked, Life, conversion_of, refused, same};
use crate::reference::{self, Event, OnConversion};

/// Bonds that are surrendered and not settled.
#[derive(Clone)]
pub struct Open {
    pub surrendered: Surrendered,
    /// Of the surrender, in the reference.
    pub event: usize,
}

impl Life {
    pub fn surrender(&mut self, date: Date, principal: Amount) -> Checked<bool> {
        let event = Event::Surrender { date, principal_minor: principal.minor().into() };
        let before = self.reference.position_at(date, date);
        match (Surrender { conversion_date: date, principal }).decide(&self.books) {
            Ok(decision) if self.is_apart_by_choice(date, principal)? => self.only_in_core(&decision),
            Ok(decision) => {
                self.reference.record(event)?;
                self.compare_surrender(&decision)?;
                self.open.push(self.opened(&decision));
                self.keep_for_reversal("surrender", &decision, None)?;
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(refusal) => self.both_refuse(&refusal, &[event]),
        }
    }

    pub fn settle(&mut self, surrender: usize, date: Date, share_price: Option<Decimal>) -> Checked<bool> {
        let Open { surrendered, event } = self.open[surrender].clone();
        let command = conversion_of(date, surrendered.kept.principal, share_price);
        let before = self.reference.position_at(date, date.min(self.maturity()));
        let decision = command.settle(&surrendered, &self.books).map_err(|refusal| refused("settlement", &refusal))?;
        self.reference.record(Event::Settlement { surrender: event, date })?;
        invariants::conversion_foots(&decision)?;
        same("what was settled", left(&decision.outcome), left_by(&surrendered))?;
        self.open.remove(surrender);
        self.keep_for_reversal("conversion", &decision, None)?;
        self.compare_event(date, before, &decision)?;
        self.recorded(&decision)?;
        Ok(true)
    }

    /// One event of the core is two of the reference.
    pub fn settle_later(
        &mut self,
        conversion_date: Date,
        date: Date,
        principal: Amount,
        share_price: Option<Decimal>,
    ) -> Checked<bool> {
        let event = Event::Surrender { date: conversion_date, principal_minor: principal.minor().into() };
        match conversion_of(date, principal, share_price).decide_later(conversion_date, &self.books) {
            Ok((_, decision)) if self.is_apart_by_choice(conversion_date, principal)? => self.only_in_core(&decision),
            Ok((surrender, decision)) => {
                self.reference.record(event)?;
                self.compare_surrender(&surrender)?;
                let Open { surrendered, event } = self.opened(&surrender);
                let before = self.reference.position_at(date, date.min(self.maturity()));
                self.reference.record(Event::Settlement { surrender: event, date })?;
                invariants::conversion_foots(&decision)?;
                same("what was settled", left(&decision.outcome), left_by(&surrendered))?;
                self.keep_settled_later(conversion_date, &decision)?;
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(refusal) => self.both_refuse(&refusal, &[event]),
        }
    }

    fn opened(&self, decision: &Decision<surrender::Outcome>) -> Open {
        let surrender::Outcome { conversion_date, kept, .. } = decision.outcome;
        let issue = Arc::clone(&self.books.instrument);
        Open { surrendered: Surrendered { issue, conversion_date, kept }, event: self.reference.events().len() - 1 }
    }

    fn both_refuse(&mut self, refusal: &Refusal, events: &[Event]) -> Checked<bool> {
        match refusal {
            Refusal::ExceedsOutstanding { .. }
            | Refusal::LaterEventInTheWay { .. }
            | Refusal::LaterEventDepends { .. }
            | Refusal::NoConversionTerms => {
                if events.iter().all(|event| self.reference.record(*event).is_ok()) {
                    Err("only the core refuses the surrender".into())
                } else {
                    Ok(false)
                }
            }
            refusal => Err(refused("surrender", refusal)),
        }
    }

    /// What was kept is what the reference has a conversion move, and nothing leaves the debt but interest.
    fn compare_surrender(&self, decision: &Decision<surrender::Outcome>) -> Checked {
        let moved = self.reference.conversion_result(self.reference.events().len() - 1).ok_or("nothing surrendered")?;
        let surrender::Outcome { kept, accrued_interest, coupon_handed_over, .. } = &decision.outcome;
        let minor = |amount: Amount| i128::from(amount.minor());
        let found = reference::Moved {
            principal: minor(kept.principal),
            premium_discount: minor(kept.premium_discount),
            issue_costs: minor(kept.issue_costs),
            accrued_interest: minor(*accrued_interest),
            handed_over: minor(*coupon_handed_over),
            interest: self.reference.chain().terms().on_conversion,
        };
        same("what was surrendered", found, moved)?;
        let forfeited = if moved.interest == OnConversion::Forfeited { moved.accrued_interest } else { 0 };
        same("interest kept", minor(kept.interest_payable), forfeited)?;
        let debt = |components: Result<Components, Refusal>| {
            components.map(|components| Components { interest_payable: Amount::ZERO, ..components })
        };
        same("debt", debt(decision.before.components()), debt(decision.after.components()))
    }

    /// As the store would tell the two changes of the one event apart.
    fn keep_settled_later(&mut self, conversion_date: Date, decision: &Decision<conversion::Outcome>) -> Checked {
        let refused = |refusal: Refusal| refused("change", &refusal);
        let instrument = &self.books.instrument;
        if conversion_date == decision.effective_date {
            // The row holds both, so that the change of the surrender cannot be told; the interface takes such a request for a
            // conversion at once.
            return self.keep_for_reversal("conversion", decision, None);
        }
        let before = self.books.history.at(conversion_date, instrument).map_err(refused)?;
        let after = decision.position_rows.iter().find(|row| row.date == conversion_date).ok_or("no row")?;
        let surrender = RowChange::between(&before, after, None).map_err(refused)?;
        self.keep_for_reversal("conversion", decision, None)?;
        let kept = self.moved.last_mut().ok_or("nothing was kept")?;
        let moved = kept.reversed.change.moved.minus(&surrender.moved).map_err(refused)?;
        let surrendered = Components::default().minus(&surrender.surrendered).map_err(refused)?;
        kept.reversed.change = RowChange { moved, surrendered, ..RowChange::default() };
        kept.reversed.surrender = Some((conversion_date, surrender));
        Ok(())
    }
}

fn left(outcome: &conversion::Outcome) -> [i64; 4] {
    [outcome.principal, outcome.premium_discount, outcome.issue_costs, outcome.accrued_interest].map(Amount::minor)
}

fn left_by(surrendered: &Surrendered) -> [i64; 4] {
    let kept = &surrendered.kept;
    [kept.principal, kept.premium_discount, kept.issue_costs, kept.interest_payable].map(Amount::minor)
}
