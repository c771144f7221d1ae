//! What is carried for one unit of principal at a boundary at which no period ends: by the rule of the terms within a period.

use jiff::civil::Date;

use super::columns::{Input, Sched};
use super::schedule::{Schedule, count, unit};
use crate::accounting::instrument::{AmortizationMethod, UnitCosts, WithinPeriod};
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Row};

impl Schedule<'_> {
    /// The row of such a boundary.
    pub fn between_row(&self, boundary: Date, at: u32) -> Result<Row, Refusal> {
        let (dates, terms) = (self.instrument.dates(), self.instrument.terms());
        let number = dates.period_of(boundary).max(self.first_period);
        let (period_from, end) = dates.period(number);
        let from = period_from.max(self.start.moment.boundary);
        let end_row = self.first + 1 + u32::try_from(number - self.first_period).unwrap_or_default();
        let mut row = self.row("boundary");
        row.value(Sched::Period, count(number + 1 - self.first_period));
        row.value(Sched::From, Held::Date(from));
        row.value(Sched::Boundary, Held::Date(boundary));
        if terms.amortization_method == AmortizationMethod::StraightLine {
            self.straight_days(&mut row, boundary);
        } else {
            row.value(Sched::Days, Held::Number(dates.days(from, boundary)));
            row.value(Sched::WholeDays, Held::Number(dates.days(from, end)));
        }
        self.interest(&mut row, at, number, boundary);
        let has_begun = !dates.days(from, boundary).is_zero();
        let within = |column: Sched| {
            if terms.amortization_method == AmortizationMethod::StraightLine {
                return self.straight(column, at);
            }
            let (before, after) = (column.at(end_row - 1), column.at(end_row));
            let part = format!("{}/{}", Sched::Days.at(at), Sched::WholeDays.at(at));
            if !has_begun {
                return before;
            }
            if terms.within_period == WithinPeriod::Ratable {
                return format!("{before}+({after}-{before})*{part}");
            }
            let is_first = number == self.first_period;
            let accrued = if is_first { Sched::Interest.at(self.first) } else { "0".to_owned() };
            let coupon = Sched::Interest.at(end_row);
            let begun = format!("(1+{before}+{accrued})");
            format!("{begun}*((1+{after}+{coupon})/{begun})^({part})-{accrued}-({coupon}-{accrued})*{part}-1")
        };
        // Beyond its end a curve stays where it ended, whatever coupons are still paid.
        let redemption = format!("{}-1", self.input(Input::Redemption));
        let to_horizon = |formula: String, is_live: bool| match self.has_two_ends() {
            true if is_live => {
                let (boundary, horizon) = (Sched::Boundary.at(at), self.input(Input::Horizon));
                format!("IF({boundary}>={horizon},{redemption},{formula})")
            }
            true if boundary >= self.instrument.horizons().1 => redemption.clone(),
            _ => formula,
        };
        let UnitCosts { gross, costs } = self.instrument.unit_costs(boundary)?;
        row.live(Sched::Gross, to_horizon(within(Sched::Gross), true), unit(gross));
        if let Some((net, same)) = costs {
            row.live(Sched::Net, to_horizon(within(Sched::Net), false), unit(net));
            self.same(&mut row, to_horizon(within(Sched::Same), false), same);
            self.costs_unit(&mut row, at, net, same);
        }
        Ok(row)
    }
}
