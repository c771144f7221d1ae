//! An issue: terms proven right, their calendar, and the curves that they imply.

use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::compound;
use super::coupon_dates::CouponDates;
use super::curves::{Basis, Curves, Horizons, Rates};
use super::revision::{Carried, Effect, ExpectedRedemption, worth};
use super::start::{self, Moment, Start};
use super::terms::Terms;
use super::unit_curve::UnitCurve;
use super::validation::validate;
use crate::accounting::money::{Amount, pro_rata, units_of};
use crate::accounting::refusal::Refusal;

/// An issue whose terms are proven right, with its calendar and curves. Any balance of any principal at any date is one look-up.
#[derive(Clone, Debug)]
pub struct Instrument {
    pub(super) terms: Terms,
    pub(super) dates: CouponDates,
    pub(super) start: Start,
    pub(super) horizons: Horizons,
    pub(super) rates: Rates,
    pub(super) curves: Curves,
    /// What it was until its start, if that is a revision.
    pub(super) before: Option<Before>,
    pub(super) expected: Option<ExpectedRedemption>,
}

/// What is carried for one unit of principal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnitCosts {
    /// Before issue costs.
    pub gross: Decimal,
    /// After issue costs, and before them over the same horizon; `None` without issue costs.
    pub costs: Option<(Decimal, Decimal)>,
}

/// An issue before a revision.
#[derive(Clone, Debug)]
pub(super) struct Before {
    pub instrument: Arc<Instrument>,
    /// What the revision did to it.
    pub effect: Effect,
}

impl Instrument {
    /// Proves terms right and solves their rates.
    ///
    /// # Errors
    /// A [`Refusal`] that names the field, or says with the figures that no rate explains the proceeds.
    pub fn new(terms: Terms) -> Result<Instrument, Refusal> {
        let dates = validate(&terms)?;
        let start = Start::of(&terms, &dates)?;
        let horizons = Horizons::of(&terms, &start);
        let basis = Basis { terms: &terms, dates: &dates, start: &start, horizons };
        let rates = basis.rates(None)?;
        let curves = basis.curves(rates)?;
        basis.check_stated_rate(&curves)?;
        Ok(Instrument { terms, dates, start, horizons, rates, curves, before: None, expected: None })
    }

    /// An issue from the store: its terms were proven right and its rates solved when it was recorded.
    ///
    /// # Errors
    /// A [`Refusal`] when the stored terms are not those of a recorded issue.
    pub fn restore(terms: Terms, rates: Rates) -> Result<Instrument, Refusal> {
        let dates = validate(&terms)?;
        let start = Start::of(&terms, &dates)?;
        let horizons = Horizons::of(&terms, &start);
        let curves = Basis { terms: &terms, dates: &dates, start: &start, horizons }.curves(rates)?;
        Ok(Instrument { terms, dates, start, horizons, rates, curves, before: None, expected: None })
    }

    /// The date of its last revision.
    pub fn revised_on(&self) -> Option<Date> {
        self.before.as_ref().map(|_| self.start.moment.date)
    }

    /// What it was before its last revision.
    pub fn before(&self) -> Option<&Arc<Instrument>> {
        self.before.as_ref().map(|before| &before.instrument)
    }

    /// What its last revision left to be carried.
    pub fn carried(&self) -> Option<Carried> {
        let Start { principal, clean, issue_costs, .. } = self.start;
        self.before.as_ref().map(|before| Carried { principal, clean, issue_costs, effect: before.effect })
    }

    /// The redemption that the last revision expects.
    pub fn expected(&self) -> Option<ExpectedRedemption> {
        self.expected
    }

    /// What it is on a date: a revision on that date included.
    pub fn on(&self, date: Date) -> &Instrument {
        match &self.before {
            Some(before) if date < self.start.moment.date => before.instrument.on(date),
            _ => self,
        }
    }

    /// The dates after `after` up to and including `through` on which holders might demand repayment, by the terms as they were on
    /// each; in order.
    pub fn puts_between(&self, after: Date, through: Date) -> Vec<Date> {
        let versions = std::iter::successors(Some(self), |version| version.before().map(|before| &**before));
        let mut puts: Vec<Date> = versions
            .flat_map(|version| version.terms.puts().filter(|put| std::ptr::eq(self.on(*put), version)))
            .filter(|put| *put > after && *put <= through)
            .collect();
        puts.sort_unstable();
        puts
    }

    /// As it was recorded.
    fn origin(&self) -> &Instrument {
        self.before.as_ref().map_or(self, |before| before.instrument.origin())
    }

    /// Where its books begin: at settlement, or at the close of the day of its opening balance.
    pub fn start(&self) -> Start {
        self.origin().start
    }

    /// The moment of a movement effective on a date, or of the start on its date.
    pub fn moment_of(&self, date: Date) -> Moment {
        let start = self.start().moment;
        if date == start.date { start } else { Moment::of_movement(date) }
    }

    /// The moment to which an issue is accrued when it is recognised: the boundary is that of the start, and its day has not come.
    /// Interest is then booked as it was received or taken over; the first accrual posts the difference to what is computed, and an
    /// event on the settlement date itself brings one to its own moment.
    pub fn before_start(&self) -> Moment {
        let Moment { date, boundary } = self.start().moment;
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
        self.curves.stated_rate_difference
    }

    /// The moment of close of business on `date`.
    ///
    /// With `through_date` the day has earned its interest: boundary D+1. The boundary is D on the settlement date, on a coupon
    /// date, at the end and for a month-end issue, and always with `to_date`.
    pub fn close_of(&self, date: Date) -> Moment {
        let start = self.start().moment;
        if date == start.date {
            return start;
        }
        let on = self.on(date);
        let boundary = start::close_of(date, &on.terms, &on.dates).boundary;
        Moment { date, boundary: boundary.min(on.terms.maturity_date).max(start.boundary) }
    }

    /// Unamortised premium (positive) or discount (negative) of a principal at a moment: N x (gross - 1).
    pub fn premium_discount(&self, principal: Amount, moment: Moment) -> Result<Amount, Refusal> {
        if principal.is_zero() {
            return Ok(Amount::ZERO);
        }
        let on = self.on(moment.date);
        let unit = on.curves.gross.at(moment.boundary, &on.dates).ok_or(Refusal::Overflow)?;
        units_of(principal, unit.checked_sub(Decimal::ONE).ok_or(Refusal::Overflow)?)
    }

    /// Unamortised issue costs (negative) of a principal at a moment: N x (net - gross over the same horizon).
    pub fn issue_costs(&self, principal: Amount, moment: Moment) -> Result<Amount, Refusal> {
        if principal.is_zero() {
            return Ok(Amount::ZERO);
        }
        let on = self.on(moment.date);
        let Some((net, gross)) = &on.curves.costs else { return Ok(Amount::ZERO) };
        let net = net.at(moment.boundary, &on.dates).ok_or(Refusal::Overflow)?;
        let gross = gross.at(moment.boundary, &on.dates).ok_or(Refusal::Overflow)?;
        units_of(principal, net.checked_sub(gross).ok_or(Refusal::Overflow)?)
    }

    /// What is carried for one unit of principal at a boundary that is not before the start, and to which dates it is amortised.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn unit_costs(&self, boundary: Date) -> Result<UnitCosts, Refusal> {
        let at = |curve: &UnitCurve| curve.at(boundary, &self.dates).ok_or(Refusal::Overflow);
        let costs = self.curves.costs.as_ref().map(|(net, gross)| Ok::<_, Refusal>((at(net)?, at(gross)?)));
        Ok(UnitCosts { gross: at(&self.curves.gross)?, costs: costs.transpose()? })
    }

    /// To which dates premium or discount, and issue costs, are amortised.
    pub fn horizons(&self) -> (Date, Date) {
        (self.horizons.gross, self.horizons.costs)
    }

    /// The equity component of a principal: its share of what it was at the start.
    pub fn equity_component(&self, principal: Amount) -> Result<Amount, Refusal> {
        let start = self.start();
        if start.equity_component.is_zero() {
            return Ok(Amount::ZERO);
        }
        pro_rata(start.equity_component, principal, start.principal)
    }

    /// What the payments after a date are worth on a principal at a nominal annual rate, without accrued interest.
    ///
    /// # Errors
    /// A rate that is none, or [`Refusal::Overflow`].
    pub fn worth_at(&self, principal: Amount, date: Date, rate: Decimal) -> Result<Amount, Refusal> {
        let on = self.on(date);
        let unit = compound::liability_price(&on.terms, &on.dates, Moment::of_movement(date), rate)?;
        units_of(principal, unit)
    }

    /// Interest accrued on a principal since the last coupon date. On a coupon date it is nothing, because the coupon is due; at
    /// the close of the day before, when the boundary is the coupon date's, it is the whole coupon.
    pub fn accrued(&self, principal: Amount, moment: Moment) -> Result<Amount, Refusal> {
        let Moment { date, boundary } = moment;
        let on = self.on(date);
        if on.terms.is_zero_coupon()
            || date >= on.terms.maturity_date
            || (boundary == date && on.dates.is_coupon_date(date))
        {
            return Ok(Amount::ZERO);
        }
        let number = on.dates.period_of(boundary);
        let (start, _) = on.dates.period(number);
        on.interest(principal, number, start, boundary.max(start))
    }

    /// The coupon on a principal that falls due on `date`, a coupon date.
    pub fn coupon(&self, principal: Amount, date: Date) -> Result<Amount, Refusal> {
        // A coupon that falls due on the day of a revision is that of the terms before it.
        let on = self.on(date.yesterday().unwrap_or(date));
        let number = on.dates.period_of(date);
        let (start, end) = on.dates.period(number);
        on.interest(principal, number, start, end)
    }

    /// Interest is a product divided last, so that what is a half in exact arithmetic is a half here.
    fn interest(&self, principal: Amount, number: usize, from: Date, to: Date) -> Result<Amount, Refusal> {
        let per_unit = self.dates.accrued(number, from, to);
        units_of(principal, per_unit)
    }

    /// Interest accrued at the start, computed.
    pub fn accrued_at_start(&self) -> Result<Amount, Refusal> {
        let start = self.start();
        self.accrued(start.principal, start.moment)
    }

    pub(super) fn net_components(&self, principal: Amount, boundary: Date) -> Result<(Amount, Amount), Refusal> {
        let moment = Moment::of_movement(boundary);
        Ok((self.premium_discount(principal, moment)?, self.issue_costs(principal, moment)?))
    }

    /// The boundary from which on these terms and curves are in force.
    pub(super) fn since(&self) -> Date {
        self.start.moment.boundary
    }

    /// The payment by which those end, after a date, that the net rate is of: without issue costs it is the rate of the premium or
    /// discount. When that has passed, maturity.
    pub fn end_of_rate(&self, date: Date) -> ExpectedRedemption {
        let Horizons { gross, costs, redemption } = self.horizons;
        let end = if self.start.issue_costs.is_zero() { gross } else { costs };
        if end > date {
            return ExpectedRedemption { date: end, price: redemption };
        }
        ExpectedRedemption { date: self.terms.maturity_date, price: self.terms.redemption_price }
    }

    /// What the payments after a date are worth at a rate a coupon period, to the end that the net rate is of, on one unit of principal
    /// and with the interest that has accrued.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn worth_from(&self, date: Date, rate: Decimal) -> Result<Decimal, Refusal> {
        self.worth_to(date, self.end_of_rate(date), rate)
    }

    /// The same to a redemption.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn worth_to(&self, date: Date, end: ExpectedRedemption, rate: Decimal) -> Result<Decimal, Refusal> {
        worth(&self.dates, date, end, rate)
    }
}
