//! The schedule of the principal that was issued, and what is outstanding at the end by the schedule, in amounts.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::columns::{Input, Sched};
use super::figures::{is_sure, rounded};
use super::schedule::Schedule;
use crate::accounting::instrument::ScheduleRow;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Row};

/// What is booked of an issue after its last entry.
pub(super) struct Closing {
    pub boundary: Date,
    /// Where its principal stands.
    pub principal_at: String,
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub carrying: Amount,
    /// Whether what is booked is what the schedule gives.
    pub is_premium_live: bool,
    pub is_costs_live: bool,
}

pub(super) fn stated_amounts(row: &mut Row, amounts: &ScheduleRow) {
    for (column, amount) in [
        (Sched::Coupon, amounts.coupon),
        (Sched::Expense, amounts.interest_expense),
        (Sched::Amortization, amounts.amortization),
        (Sched::PremiumDiscount, amounts.premium_discount),
        (Sched::IssueCosts, amounts.issue_costs),
        (Sched::Carrying, amounts.carrying_amount),
    ] {
        row.value(column, Held::Amount(amount));
    }
}

impl Schedule<'_> {
    /// The schedule of the principal that was issued.
    pub fn amounts(&self, row: &mut Row, at: u32, amounts: &ScheduleRow) -> Result<(), Refusal> {
        let principal = self.instrument.terms().principal;
        let units = self.instrument.unit_costs(amounts.end)?;
        let costs = units.costs.map_or(Decimal::ZERO, |(net, same)| net - same);
        let is_sure =
            is_sure(principal, units.gross - Decimal::ONE, self.count()) && is_sure(principal, costs, self.count());
        // A schedule of what was issued says nothing of an issue that was taken over when part of it had left.
        if !is_sure || principal != self.start.principal {
            stated_amounts(row, amounts);
            return Ok(());
        }
        let (issued, d) = (self.input(Input::Issued), self.decimals);
        row.live(Sched::Principal, issued.clone(), Held::Amount(principal));
        let product = |column: Sched| rounded(&format!("{issued}*{}", column.at(at)), d);
        let interest = if self.instrument.terms().is_zero_coupon() { "0".to_owned() } else { product(Sched::Interest) };
        row.live(Sched::Coupon, interest, Held::Amount(amounts.coupon));
        row.live(Sched::PremiumDiscount, product(Sched::Gross), Held::Amount(amounts.premium_discount));
        let costs = if self.has_costs() { product(Sched::CostsUnit) } else { "0".to_owned() };
        row.live(Sched::IssueCosts, costs, Held::Amount(amounts.issue_costs));
        let [premium, costs] = [Sched::PremiumDiscount.at(at), Sched::IssueCosts.at(at)];
        let before = if at == self.first + 1 {
            let (premium, costs) = (Sched::Gross.at(self.first), Sched::CostsUnit.at(self.first));
            let premium = rounded(&format!("{issued}*{premium}"), d);
            if self.has_costs() { format!("{premium}-{}", rounded(&format!("{issued}*{costs}"), d)) } else { premium }
        } else {
            format!("{}-{}", Sched::PremiumDiscount.at(at - 1), Sched::IssueCosts.at(at - 1))
        };
        row.live(Sched::Amortization, format!("{premium}+{costs}-{before}"), Held::Amount(amounts.amortization));
        let received = if at == self.first + 1 { format!("-{}", Sched::Coupon.at(self.first)) } else { String::new() };
        let expense = format!("{}{received}+{}", Sched::Coupon.at(at), Sched::Amortization.at(at));
        row.live(Sched::Expense, expense, Held::Amount(amounts.interest_expense));
        let carrying = format!("{}+{premium}+{costs}", Sched::Principal.at(at));
        row.live(Sched::Carrying, carrying, Held::Amount(amounts.carrying_amount));
        Ok(())
    }

    /// The closing: what is outstanding at the last boundary of the entries, by the schedule.
    pub fn closing_row(&self, at: u32, closing: &Closing) -> Row {
        let mut row = self.row("closing");
        row.value(Sched::Boundary, Held::Date(closing.boundary));
        row.live(Sched::Principal, closing.principal_at.clone(), Held::Amount(closing.principal));
        let unit_row = self.row_of(closing.boundary).filter(|_| self.stated.is_none());
        let product = |column: Sched, unit_row: u32| {
            rounded(&format!("{}*{}", Sched::Principal.at(at), column.at(unit_row)), self.decimals)
        };
        match unit_row.filter(|_| closing.is_premium_live) {
            Some(unit_row) => {
                let formula = product(Sched::Gross, unit_row);
                row.live(Sched::PremiumDiscount, formula, Held::Amount(closing.premium_discount));
            }
            None => row.value(Sched::PremiumDiscount, Held::Amount(closing.premium_discount)),
        }
        match unit_row.filter(|_| closing.is_costs_live && self.has_costs()) {
            Some(unit_row) => {
                let formula = product(Sched::CostsUnit, unit_row);
                row.live(Sched::IssueCosts, formula, Held::Amount(closing.issue_costs));
            }
            None => row.value(Sched::IssueCosts, Held::Amount(closing.issue_costs)),
        }
        let [principal, premium, costs] =
            [Sched::Principal, Sched::PremiumDiscount, Sched::IssueCosts].map(|column| column.at(at));
        row.live(Sched::Carrying, format!("{principal}+{premium}+{costs}"), Held::Amount(closing.carrying));
        row
    }
}
