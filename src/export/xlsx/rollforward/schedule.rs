//! An issue's schedule: what is carried for one unit of principal at its start, at the end of each period, and at the other boundaries
//! that entries run to, each by a formula over the inputs; and the rows of which the amounts of a schedule are made.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::amounts::stated_amounts;
use super::columns::{Input, Sched};
use super::figures::rounded;
use crate::accounting::instrument::{AmortizationMethod, Instrument, ScheduleRow, Start, UnitCosts};
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Row};

/// A schedule in the making.
pub(super) struct Schedule<'a> {
    pub instrument: &'a Instrument,
    reference: String,
    pub decimals: u32,
    /// The row of the issue among the inputs.
    input: u32,
    /// The row of the start; those of the periods follow it, then those of the boundaries.
    pub first: u32,
    pub start: Start,
    pub first_period: usize,
    /// The rows of the boundaries at which no period ends.
    between: BTreeMap<Date, u32>,
    /// Why its figures are no formulas.
    pub stated: Option<&'static str>,
}

impl<'a> Schedule<'a> {
    /// With room for these boundaries besides those at which periods end.
    pub fn new(
        instrument: &'a Instrument,
        reference: &str,
        (decimals, input, first): (u32, u32, u32),
        boundaries: &BTreeSet<Date>,
    ) -> Schedule<'a> {
        let (start, dates, terms) = (instrument.start(), instrument.dates(), instrument.terms());
        let mut first_period = dates.period_of(start.moment.boundary);
        if dates.period(first_period).1 <= start.moment.boundary {
            first_period += 1;
        }
        let (gross, costs) = instrument.horizons();
        let stated = if instrument.revised_on().is_some() {
            Some("its terms were revised")
        } else if terms.amortization_method == AmortizationMethod::StraightLine && gross != costs {
            Some("straight line to two dates")
        } else if start.moment.boundary >= terms.maturity_date {
            Some("nothing is left to amortise")
        } else {
            None
        };
        let mut schedule = Schedule {
            instrument,
            reference: reference.to_owned(),
            decimals,
            input,
            first,
            start,
            first_period,
            between: BTreeMap::new(),
            stated,
        };
        if stated.is_none() {
            let last = schedule.last_period_row();
            let others = boundaries.iter().filter(|date| schedule.row_of(**date).is_none());
            schedule.between = others.copied().zip(last + 1..).collect();
        }
        schedule
    }

    fn periods(&self) -> impl Iterator<Item = (usize, u32)> {
        (self.first_period..=self.instrument.dates().periods()).zip(self.first + 1..)
    }

    /// The row of the last period.
    pub fn last_period_row(&self) -> u32 {
        self.periods().last().map_or(self.first, |(_, row)| row)
    }

    /// The row that holds what is carried at a boundary.
    pub fn row_of(&self, boundary: Date) -> Option<u32> {
        if boundary == self.start.moment.boundary {
            return Some(self.first);
        }
        if boundary >= self.instrument.terms().maturity_date {
            return Some(self.last_period_row());
        }
        let ends = |number: usize| self.instrument.dates().period(number).1;
        let of_period = self.periods().find(|(number, _)| ends(*number) == boundary).map(|(_, row)| row);
        of_period.or_else(|| self.between.get(&boundary).copied())
    }

    /// The row of the period whose coupon falls due on a date.
    pub fn coupon_row(&self, date: Date) -> Option<u32> {
        self.row_of(date).filter(|row| (self.first + 1..=self.last_period_row()).contains(row))
    }

    /// How many payments there are, on which the errors of a spreadsheet's numbers grow.
    pub fn count(&self) -> usize {
        self.instrument.dates().periods()
    }

    /// Whether the rate of the premium or discount is a stated one.
    pub fn is_gross_stated(&self) -> bool {
        self.instrument.terms().stated_effective_rate.is_some() && !self.has_costs()
    }

    /// Whether there are issue costs to amortise.
    pub fn has_costs(&self) -> bool {
        !self.start.issue_costs.is_zero()
    }

    /// Whether premium or discount may run to another date than issue costs.
    pub fn has_two_ends(&self) -> bool {
        self.instrument.terms().amortization_end.is_some()
    }

    /// The last row on which there is a payment up to the end of issue costs, or of a discount.
    pub fn costs_end_row(&self) -> u32 {
        self.coupon_row(self.instrument.horizons().1).unwrap_or_else(|| self.last_period_row())
    }

    /// The payments on one unit of principal up to an end, with their times.
    pub fn flows(&self, end: Date) -> Vec<(Decimal, Decimal)> {
        let redemption = self.instrument.terms().redemption_price;
        let flow = |number: usize| match self.instrument.dates().period(number).1 {
            date if date < end => self.instrument.dates().coupon(number),
            date if date == end => self.instrument.dates().coupon(number) + redemption,
            _ => Decimal::ZERO,
        };
        self.periods().map(|(number, _)| (flow(number), self.length(number))).collect()
    }

    /// Coupon periods from the start to the end of one.
    fn length(&self, number: usize) -> Decimal {
        let dates = self.instrument.dates();
        let first = dates.length(self.first_period, self.start.moment.boundary, dates.period(self.first_period).1);
        first + Decimal::from(number - self.first_period)
    }

    /// Interest accrued at the start on one unit of principal.
    pub fn accrued_at_start(&self) -> Decimal {
        let dates = self.instrument.dates();
        let start = self.start.moment.boundary;
        dates.accrued(self.first_period, dates.period(self.first_period).0, start)
    }

    /// Interest on one unit of principal up to a boundary, where its row has it: that of a start at a coupon date is of the period which
    /// begins.
    pub fn interest_at(&self, boundary: Date) -> Option<Decimal> {
        let dates = self.instrument.dates();
        let number = dates.period_of(boundary);
        let is_there = number >= self.first_period;
        is_there.then(|| dates.accrued(number, dates.period(number).0, boundary.min(dates.period(number).1)))
    }

    /// The rows of the start, the periods and the boundaries between.
    pub fn rows(&self) -> Result<Vec<Row>, Refusal> {
        let of_principal = self.instrument.schedule(self.instrument.terms().principal)?;
        let mut rows = Vec::new();
        if self.stated.is_some() {
            for amounts in &of_principal {
                let mut row = self.row("period");
                row.value(Sched::Period, count(amounts.period));
                row.value(Sched::From, Held::Date(amounts.start));
                row.value(Sched::Boundary, Held::Date(amounts.end));
                stated_amounts(&mut row, amounts);
                rows.push(row);
            }
            return Ok(rows);
        }
        rows.push(self.start_row()?);
        for ((number, at), amounts) in self.periods().zip(&of_principal) {
            rows.push(self.period_row(number, at, amounts)?);
        }
        for (boundary, at) in &self.between {
            rows.push(self.between_row(*boundary, *at)?);
        }
        Ok(rows)
    }

    pub fn row(&self, kind: &'static str) -> Row {
        let mut row = Row::default();
        row.text(Sched::Reference, self.reference.clone());
        row.text(Sched::Kind, kind);
        row
    }

    pub fn input(&self, column: Input) -> String {
        column.of(self.input)
    }

    fn start_row(&self) -> Result<Row, Refusal> {
        let (boundary, at) = (self.start.moment.boundary, self.first);
        let mut row = self.row("start");
        row.value(Sched::Boundary, Held::Date(boundary));
        row.value(Sched::Length, Held::Number(Decimal::ZERO));
        self.interest(&mut row, at, self.first_period, boundary);
        let units = self.instrument.unit_costs(boundary)?;
        let (principal, proceeds) = (self.input(Input::Principal), self.input(Input::Proceeds));
        row.live(Sched::Gross, format!("({proceeds}-{principal})/{principal}"), unit(units.gross));
        if let Some((net, same)) = units.costs {
            let costs = self.input(Input::Costs);
            row.live(Sched::Net, format!("({proceeds}-{costs}-{principal})/{principal}"), unit(net));
            self.same(&mut row, Sched::Gross.at(at), same);
            self.costs_unit(&mut row, at, net, same);
        }
        let received = self.instrument.accrued_at_start()?;
        let principal = self.instrument.terms().principal;
        if principal == self.start.principal && !received.is_zero() {
            let formula = format!("{}*{}", self.input(Input::Issued), Sched::Interest.at(at));
            row.live(Sched::Coupon, rounded(&formula, self.decimals), Held::Amount(received));
        }
        Ok(row)
    }

    /// Interest on one unit of principal from the beginning of a period to a boundary.
    pub fn interest(&self, row: &mut Row, at: u32, period: usize, boundary: Date) {
        let dates = self.instrument.dates();
        let from = dates.period(period).0;
        if self.instrument.terms().is_zero_coupon() {
            row.value(Sched::Interest, Held::Number(Decimal::ZERO));
            return;
        }
        let (days, basis) = dates.part_of_year(period, from, boundary);
        row.value(Sched::InterestDays, Held::Number(days));
        row.value(Sched::InterestBasis, Held::Number(basis));
        let rate = self.input(Input::CouponRate);
        let formula = format!("{rate}*{}/{}", Sched::InterestDays.at(at), Sched::InterestBasis.at(at));
        row.live(Sched::Interest, formula, Held::Number(dates.accrued(period, from, boundary)));
    }

    /// The gross unit to the end of costs, where that can be another than the end of the premium.
    pub fn same(&self, row: &mut Row, formula: String, value: Decimal) {
        if self.has_two_ends() {
            row.live(Sched::Same, formula, unit(value));
        }
    }

    pub fn costs_unit(&self, row: &mut Row, at: u32, net: Decimal, same: Decimal) {
        let gross = if self.has_two_ends() { Sched::Same } else { Sched::Gross };
        row.live(Sched::CostsUnit, format!("{}-{}", Sched::Net.at(at), gross.at(at)), Held::Number(net - same));
    }

    fn period_row(&self, number: usize, at: u32, amounts: &ScheduleRow) -> Result<Row, Refusal> {
        let (dates, terms) = (self.instrument.dates(), self.instrument.terms());
        let (from, end) = dates.period(number);
        let from = from.max(self.start.moment.boundary);
        let mut row = self.row("period");
        row.value(Sched::Period, count(number + 1 - self.first_period));
        row.value(Sched::From, Held::Date(from));
        row.value(Sched::Boundary, Held::Date(end));
        row.value(Sched::Length, Held::Number(self.length(number)));
        self.interest(&mut row, at, number, end);
        let is_last = at == self.last_period_row();
        let (interest, redemption) = (Sched::Interest.at(at), self.input(Input::Redemption));
        let coupon = dates.coupon(number);
        let (gross_end, costs_end) = self.instrument.horizons();
        let paid_by = |end_of: Date| match end {
            end if end < end_of => coupon,
            end if end == end_of => coupon + terms.redemption_price,
            _ => Decimal::ZERO,
        };
        let horizon = self.input(Input::Horizon);
        let boundary = Sched::Boundary.at(at);
        let flow = match (self.has_two_ends(), is_last) {
            (true, _) => {
                format!("IF({boundary}<{horizon},{interest},IF({boundary}={horizon},{interest}+{redemption},0))")
            }
            (false, true) => format!("{interest}+{redemption}"),
            (false, false) => interest.clone(),
        };
        row.live(Sched::Flow, flow, Held::Number(paid_by(gross_end)));
        if self.has_two_ends() && self.has_costs() && end <= costs_end {
            let flow = if end == costs_end { format!("{interest}+{redemption}") } else { interest.clone() };
            row.live(Sched::CostsFlow, flow, Held::Number(paid_by(costs_end)));
        }
        if terms.amortization_method == AmortizationMethod::StraightLine {
            self.straight_days(&mut row, end);
        }
        self.units_at_end(&mut row, number, at, end)?;
        self.amounts(&mut row, at, amounts)?;
        Ok(row)
    }

    pub fn straight_days(&self, row: &mut Row, boundary: Date) {
        let (dates, from) = (self.instrument.dates(), self.start.moment.boundary);
        row.value(Sched::Days, Held::Number(dates.days(from, boundary)));
        row.value(Sched::WholeDays, Held::Number(dates.days(from, self.instrument.horizons().0)));
    }

    fn units_at_end(&self, row: &mut Row, number: usize, at: u32, end: Date) -> Result<(), Refusal> {
        let UnitCosts { gross, costs } = self.instrument.unit_costs(end)?;
        let (gross_end, costs_end) = self.instrument.horizons();
        let curve = |column, rate, is_stated| self.at_end(number, at, (column, rate, is_stated));
        let redemption = format!("{}-1", self.input(Input::Redemption));
        let to_horizon = |formula: String, end_of: Date, is_live: bool| match end {
            _ if is_live && self.has_two_ends() => {
                let (boundary, horizon) = (Sched::Boundary.at(at), self.input(Input::Horizon));
                format!("IF({boundary}>={horizon},{redemption},{formula})")
            }
            end if end >= end_of => redemption.clone(),
            _ => formula,
        };
        let formula = curve(Sched::Gross, Input::Gross, self.is_gross_stated());
        row.live(Sched::Gross, to_horizon(formula, gross_end, true), unit(gross));
        if let Some((net, same)) = costs {
            let stated = self.instrument.terms().stated_effective_rate.is_some();
            let formula = curve(Sched::Net, Input::Net, stated);
            row.live(Sched::Net, to_horizon(formula, costs_end, false), unit(net));
            let formula = curve(Sched::Same, Input::Same, false);
            self.same(row, to_horizon(formula, costs_end, false), same);
            self.costs_unit(row, at, net, same);
        }
        Ok(())
    }

    /// What is carried at the end of a period, less 1: back from the end after it at a solved rate, on from the one before at a stated one.
    fn at_end(&self, number: usize, at: u32, (column, rate, is_stated): (Sched, Input, bool)) -> String {
        if self.instrument.terms().amortization_method == AmortizationMethod::StraightLine {
            return self.straight(column, at);
        }
        let (rate, interest) = (self.input(rate), Sched::Interest.at(at));
        let is_first = number == self.first_period;
        if is_stated {
            let accrued = if is_first { format!("+{}", Sched::Interest.at(self.first)) } else { String::new() };
            let growth = match is_first {
                true => format!("(1+{rate})^{}", Sched::Length.at(at)),
                false => format!("(1+{rate})"),
            };
            return format!("(1+{}{accrued})*{growth}-{interest}-1", column.at(at - 1));
        }
        if at == self.last_period_row() {
            return format!("{}-1", self.input(Input::Redemption));
        }
        if is_first && self.length(number).is_zero() {
            return format!("{}+{}-{interest}", column.at(self.first), Sched::Interest.at(self.first));
        }
        format!("({}+{}-{rate})/(1+{rate})", column.at(at + 1), Sched::Interest.at(at + 1))
    }

    pub fn straight(&self, column: Sched, at: u32) -> String {
        let (start, redemption) = (column.at(self.first), self.input(Input::Redemption));
        format!("{start}+({redemption}-1-{start})*{}/{}", Sched::Days.at(at), Sched::WholeDays.at(at))
    }
}

pub(super) fn unit(cost: Decimal) -> Held {
    Held::Number(cost - Decimal::ONE)
}

pub(super) fn count(number: usize) -> Held {
    Held::Number(Decimal::from(number))
}
