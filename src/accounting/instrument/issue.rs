//! An issue: terms proven right, their calendar, and the curves that they imply.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::compound;
use super::coupon_dates::CouponDates;
use super::effective_rate::{RATE_BOUNDS, solve};
use super::start::{self, Moment, Start};
use super::terms::Terms;
use super::unit_curve::{Spans, UnitCurve};
use super::validation::validate;
use crate::accounting::money::{Amount, pro_rata, round_to_minor_unit, units_of};
use crate::accounting::refusal::Refusal;

/// The solved rates of an issue, a coupon period each. They are stored with the terms and never solved again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rates {
    /// From gross proceeds, over the horizon of the premium or discount.
    pub gross: Decimal,
    /// From proceeds less issue costs, over the horizon of the issue costs.
    pub net: Decimal,
    /// From gross proceeds, over the horizon of the issue costs.
    pub gross_same_horizon: Decimal,
}

/// One period of an issue's schedule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScheduleRow {
    pub period: usize,
    pub start: Date,
    pub end: Date,
    pub coupon: Amount,
    pub interest_expense: Amount,
    pub amortization: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub carrying_amount: Amount,
}

/// An issue whose terms are proven right, with its calendar and curves. Any balance of any principal at any date is one look-up.
#[derive(Clone, Debug)]
pub struct Instrument {
    terms: Terms,
    dates: CouponDates,
    start: Start,
    rates: Rates,
    gross: UnitCurve,
    /// The net curve and the gross one over the same horizon; `None` without issue costs, whose component is then nothing.
    costs: Option<(UnitCurve, UnitCurve)>,
    stated_rate_difference: Option<Amount>,
}

impl Instrument {
    /// Proves terms right and solves their rates.
    ///
    /// # Errors
    /// A [`Refusal`] that names the field, or says with the figures that no rate explains the proceeds.
    pub fn new(terms: Terms) -> Result<Instrument, Refusal> {
        let dates = validate(&terms)?;
        let start = Start::of(&terms, &dates)?;
        let rates = solve_rates(&terms, &dates, &start)?;
        let instrument = Instrument::assemble(terms, dates, start, rates)?;
        instrument.check_stated_rate()?;
        Ok(instrument)
    }

    /// An issue from the store: its terms were proven right and its rates solved when it was recorded.
    ///
    /// # Errors
    /// A [`Refusal`] when the stored terms are not those of a recorded issue.
    pub fn restore(terms: Terms, rates: Rates) -> Result<Instrument, Refusal> {
        let dates = validate(&terms)?;
        let start = Start::of(&terms, &dates)?;
        Instrument::assemble(terms, dates, start, rates)
    }

    fn assemble(terms: Terms, dates: CouponDates, start: Start, rates: Rates) -> Result<Instrument, Refusal> {
        let horizons = Horizons::of(&terms, &start);
        let (gross_price, net_price) = start.prices()?;
        let begin = start.moment.boundary;
        let curve = |price, rate, horizon| {
            let spans = Spans::new(&dates, begin, horizon);
            UnitCurve::solved(
                spans,
                price,
                rate,
                terms.redemption_price,
                horizon,
                terms.amortization_method,
                terms.within_period,
            )
            .ok_or(Refusal::Overflow)
        };
        let stated = |price, rate, horizon| {
            let spans = Spans::new(&dates, begin, horizon);
            UnitCurve::stated(
                spans,
                price,
                rate,
                terms.redemption_price,
                horizon,
                terms.amortization_method,
                terms.within_period,
            )
            .ok_or(Refusal::Overflow)
        };
        let without_costs = start.issue_costs.is_zero();
        let mut difference = None;
        let mut net = |horizon| match terms.stated_effective_rate {
            Some(_) => {
                let (curve, left) = stated(net_price, rates.net, horizon)?;
                difference = Some(units_of(start.principal, left)?);
                Ok(curve)
            }
            None => curve(net_price, rates.net, horizon),
        };
        let (gross, costs) = if without_costs && terms.stated_effective_rate.is_some() {
            (net(horizons.gross)?, None)
        } else {
            let gross = curve(gross_price, rates.gross, horizons.gross)?;
            let costs = match without_costs {
                true => None,
                false => Some((net(horizons.costs)?, curve(gross_price, rates.gross_same_horizon, horizons.costs)?)),
            };
            (gross, costs)
        };
        Ok(Instrument { terms, dates, start, rates, gross, costs, stated_rate_difference: difference })
    }

    /// Where its books begin: at settlement, or at the close of the day of its opening balance.
    pub fn start(&self) -> Start {
        self.start
    }

    /// The moment of a movement effective on a date, or of the start on its date.
    pub fn moment_of(&self, date: Date) -> Moment {
        if date == self.start.moment.date { self.start.moment } else { Moment::of_movement(date) }
    }

    /// The moment to which an issue is accrued when it is recognised: the boundary is that of the start, and its day has not come.
    /// Interest is then booked as it was received or taken over; the first accrual posts the difference to what is computed, and an
    /// event on the settlement date itself brings one to its own moment.
    pub fn before_start(&self) -> Moment {
        let Moment { date, boundary } = self.start.moment;
        Moment { date: date.yesterday().unwrap_or(date), boundary }
    }

    /// The last coupon that was due when the books were opened, and what was not paid yet of it and those before it.
    pub fn opening_coupon(&self) -> Option<(Date, Amount)> {
        let opening = self.terms.opening.filter(|opening| !opening.interest_due.is_zero())?;
        Some((start::last_coupon_date(opening.date, &self.dates)?, opening.interest_due))
    }

    /// The terms.
    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// The calendar of coupons.
    pub fn dates(&self) -> &CouponDates {
        &self.dates
    }

    /// The rates a coupon period.
    pub fn rates(&self) -> Rates {
        self.rates
    }

    /// The net rate as nominal annual, y x periods a year.
    pub fn nominal_annual_rate(&self) -> Decimal {
        self.rates.net * Decimal::from(self.terms.periods_per_year())
    }

    /// The gross rate as nominal annual.
    pub fn gross_nominal_annual_rate(&self) -> Decimal {
        self.rates.gross * Decimal::from(self.terms.periods_per_year())
    }

    /// The net rate as effective annual, (1+y)^periods a year - 1.
    pub fn effective_annual_rate(&self) -> Decimal {
        (0..self.terms.periods_per_year()).fold(Decimal::ONE, |growth, _| growth * (Decimal::ONE + self.rates.net))
            - Decimal::ONE
    }

    /// What the last period of a stated rate's curve takes up: redemption price less where the rate itself leads.
    pub fn stated_rate_difference(&self) -> Option<Amount> {
        self.stated_rate_difference
    }

    /// The moment of close of business on `date`.
    ///
    /// With `through_date` the day has earned its interest: boundary D+1. The boundary is D on the settlement date, on a coupon
    /// date, at the end and for a month-end issue, and always with `to_date`.
    pub fn close_of(&self, date: Date) -> Moment {
        if date == self.start.moment.date {
            return self.start.moment;
        }
        let boundary = start::close_of(date, &self.terms, &self.dates).boundary;
        Moment { date, boundary: boundary.min(self.terms.maturity_date).max(self.start.moment.boundary) }
    }

    /// Unamortised premium (positive) or discount (negative) of a principal at a boundary: N x (gross - 1).
    pub fn premium_discount(&self, principal: Amount, boundary: Date) -> Result<Amount, Refusal> {
        let unit = self.gross.at(boundary, &self.dates).ok_or(Refusal::Overflow)?;
        units_of(principal, unit.checked_sub(Decimal::ONE).ok_or(Refusal::Overflow)?)
    }

    /// Unamortised issue costs (negative) of a principal at a boundary: N x (net - gross over the same horizon).
    pub fn issue_costs(&self, principal: Amount, boundary: Date) -> Result<Amount, Refusal> {
        let Some((net, gross)) = &self.costs else { return Ok(Amount::ZERO) };
        let net = net.at(boundary, &self.dates).ok_or(Refusal::Overflow)?;
        let gross = gross.at(boundary, &self.dates).ok_or(Refusal::Overflow)?;
        units_of(principal, net.checked_sub(gross).ok_or(Refusal::Overflow)?)
    }

    /// The equity component of a principal: its share of what it was at the start.
    pub fn equity_component(&self, principal: Amount) -> Result<Amount, Refusal> {
        if self.start.equity_component.is_zero() {
            return Ok(Amount::ZERO);
        }
        pro_rata(self.start.equity_component, principal, self.start.principal)
    }

    /// What the payments after a date are worth on a principal at a nominal annual rate, without accrued interest.
    ///
    /// # Errors
    /// A rate that is none, or [`Refusal::Overflow`].
    pub fn worth_at(&self, principal: Amount, date: Date, rate: Decimal) -> Result<Amount, Refusal> {
        let unit = compound::liability_price(&self.terms, &self.dates, Moment::of_movement(date), rate)?;
        units_of(principal, unit)
    }

    /// Interest accrued on a principal since the last coupon date. On a coupon date it is nothing, because the coupon is due; at
    /// the close of the day before, when the boundary is the coupon date's, it is the whole coupon.
    pub fn accrued(&self, principal: Amount, moment: Moment) -> Result<Amount, Refusal> {
        let Moment { date, boundary } = moment;
        if self.terms.is_zero_coupon()
            || date >= self.terms.maturity_date
            || (boundary == date && self.dates.is_coupon_date(date))
        {
            return Ok(Amount::ZERO);
        }
        let number = self.dates.period_of(boundary);
        let (start, _) = self.dates.period(number);
        self.interest(principal, number, start, boundary.max(start))
    }

    /// The coupon on a principal that falls due on `date`, a coupon date.
    pub fn coupon(&self, principal: Amount, date: Date) -> Result<Amount, Refusal> {
        let number = self.dates.period_of(date);
        let (start, end) = self.dates.period(number);
        self.interest(principal, number, start, end)
    }

    /// Interest is a product divided last, so that what is a half in exact arithmetic is a half here.
    fn interest(&self, principal: Amount, number: usize, from: Date, to: Date) -> Result<Amount, Refusal> {
        let per_unit = self.dates.accrued(number, from, to);
        units_of(principal, per_unit)
    }

    /// Interest accrued at the start, computed.
    pub fn accrued_at_start(&self) -> Result<Amount, Refusal> {
        self.accrued(self.start.principal, self.start.moment)
    }

    /// The schedule of a principal, one row a period of the grid, the first beginning at the start. Rows are differences of
    /// rounded balances, so they add up.
    pub fn schedule(&self, principal: Amount) -> Result<Vec<ScheduleRow>, Refusal> {
        let mut start = self.start.moment.boundary;
        let first = self.dates.period_of(start.tomorrow().unwrap_or(start));
        let mut rows = Vec::new();
        let mut opening = self.net_components(principal, start)?;
        for (row, number) in (first..=self.dates.periods()).enumerate() {
            let (period_start, end) = self.dates.period(number);
            let closing = self.net_components(principal, end)?;
            let coupon = if self.terms.is_zero_coupon() { Amount::ZERO } else { self.coupon(principal, end)? };
            let received =
                if start > period_start { self.accrued(principal, Moment::of_movement(start))? } else { Amount::ZERO };
            let amortization = closing.0.plus(closing.1)?.minus(opening.0)?.minus(opening.1)?;
            rows.push(ScheduleRow {
                period: row + 1,
                start,
                end,
                coupon,
                interest_expense: coupon.minus(received)?.plus(amortization)?,
                amortization,
                premium_discount: closing.0,
                issue_costs: closing.1,
                carrying_amount: Amount::total([principal, closing.0, closing.1])?,
            });
            (start, opening) = (end, closing);
        }
        Ok(rows)
    }

    fn net_components(&self, principal: Amount, boundary: Date) -> Result<(Amount, Amount), Refusal> {
        Ok((self.premium_discount(principal, boundary)?, self.issue_costs(principal, boundary)?))
    }

    /// A stated rate is refused when the solved rate does not round to it and the difference it leaves is above 2% of what there
    /// is to amortise.
    fn check_stated_rate(&self) -> Result<(), Refusal> {
        let (Some(stated), Some(difference)) = (self.terms.stated_effective_rate, self.stated_rate_difference) else {
            return Ok(());
        };
        let start = &self.start;
        let horizons = Horizons::of(&self.terms, start);
        let horizon = if start.issue_costs.is_zero() { horizons.gross } else { horizons.costs };
        let spans = Spans::new(&self.dates, start.moment.boundary, horizon);
        let per_year = self.terms.periods_per_year();
        let accrued = spans.accrued_at_settlement();
        let price = start.prices()?.1 + accrued;
        let solved = solve(&spans.cash_flows(self.terms.redemption_price), price, per_year)
            .map(|rate| rate * Decimal::from(per_year));
        let rounds = solved.is_some_and(|solved| {
            solved.round_dp_with_strategy(stated.scale(), rust_decimal::RoundingStrategy::MidpointAwayFromZero)
                == stated
        });
        let redemption = units_of(start.principal, self.terms.redemption_price)?;
        let premium_or_discount = redemption.minus(start.clean)?;
        let whole = Decimal::from(premium_or_discount.minor().abs()) + Decimal::from(start.issue_costs.minor());
        let allowed = round_to_minor_unit(whole * Decimal::new(2, 2))?;
        let small = Decimal::from(difference.minor()).abs() <= Decimal::from(allowed.minor());
        let driven = self.costs.as_ref().map_or(&self.gross, |(net, _)| net);
        // Far enough above the solved rate coupons use up the debt before its end, however the two round; of less than nothing
        // there is no growth to spread over days.
        if (rounds || small) && driven.is_above_zero() {
            return Ok(());
        }
        let currency = self.terms.currency;
        Err(Refusal::StatedRateDiffers {
            stated,
            solved: solved.unwrap_or_default().round_dp(12).normalize(),
            difference: difference.to_major(currency),
            allowed: allowed.to_major(currency),
        })
    }
}

/// To which dates premium or discount, and issue costs, are amortised. Discount and issue costs run to the earliest
/// non-contingent put, a premium to maturity.
struct Horizons {
    gross: Date,
    costs: Date,
}

impl Horizons {
    fn of(terms: &Terms, start: &Start) -> Horizons {
        let costs = terms.amortization_end.unwrap_or(terms.maturity_date);
        let discount =
            Decimal::from(start.clean.minor()) < Decimal::from(start.principal.minor()) * terms.redemption_price;
        Horizons { gross: if discount { costs } else { terms.maturity_date }, costs }
    }
}

fn solve_rates(terms: &Terms, dates: &CouponDates, start: &Start) -> Result<Rates, Refusal> {
    let horizons = Horizons::of(terms, start);
    let (gross_price, net_price) = start.prices()?;
    let without_costs = start.issue_costs.is_zero();
    let per_year = terms.periods_per_year();
    let rate_at = |what, price: Decimal, horizon| {
        let spans = Spans::new(dates, start.moment.boundary, horizon);
        let flows = spans.cash_flows(terms.redemption_price);
        solve(&flows, price + spans.accrued_at_settlement(), per_year)
            .ok_or_else(|| no_rate(terms, start, what, price, &flows.payments))
    };
    let stated = terms.stated_effective_rate.map(|stated| stated / Decimal::from(per_year));
    let gross = match stated {
        Some(stated) if without_costs => stated,
        _ => rate_at("proceeds", gross_price, horizons.gross)?,
    };
    // Without issue costs there is one curve and one rate, to the horizon of the premium or discount.
    let one_curve = without_costs || horizons.gross == horizons.costs;
    let gross_same_horizon = if one_curve { gross } else { rate_at("proceeds", gross_price, horizons.costs)? };
    let net = match stated {
        Some(stated) => stated,
        None if without_costs => gross,
        None => rate_at("proceeds less issue costs", net_price, horizons.costs)?,
    };
    Ok(Rates { gross, net, gross_same_horizon })
}

fn no_rate(terms: &Terms, start: &Start, what: &'static str, price: Decimal, payments: &[Decimal]) -> Refusal {
    let principal = start.principal.to_major(terms.currency);
    let decimals = u32::from(terms.currency.exponent());
    Refusal::NoRateExplains {
        what,
        proceeds: (principal * price).round_dp(decimals),
        flows: (principal * payments.iter().sum::<Decimal>()).round_dp(decimals),
        lowest: RATE_BOUNDS.0,
        highest: RATE_BOUNDS.1,
    }
}
