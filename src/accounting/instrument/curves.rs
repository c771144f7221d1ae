//! The curves of an issue between where its books begin and its horizons, and the rates that drive them.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::effective_rate::{RATE_BOUNDS, solve};
use super::start::Start;
use super::terms::Terms;
use super::unit_curve::{Spans, UnitCurve};
use crate::accounting::money::{Amount, round_to_minor_unit, units_of};
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

/// To which dates premium or discount, and issue costs, are amortised, and what is repaid there for one unit of principal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Horizons {
    pub gross: Date,
    pub costs: Date,
    pub redemption: Decimal,
}

impl Horizons {
    /// Those of terms: discount and issue costs run to the earliest non-contingent put, a premium to maturity.
    pub fn of(terms: &Terms, start: &Start) -> Horizons {
        let costs = terms.amortization_end.unwrap_or(terms.maturity_date);
        let discount =
            Decimal::from(start.clean.minor()) < Decimal::from(start.principal.minor()) * terms.redemption_price;
        let gross = if discount { costs } else { terms.maturity_date };
        Horizons { gross, costs, redemption: terms.redemption_price }
    }
}

/// What rates are solved from and curves are made of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Basis<'a> {
    pub terms: &'a Terms,
    pub dates: &'a CouponDates,
    pub start: &'a Start,
    pub horizons: Horizons,
}

/// The amortised cost of one unit of principal, before issue costs and after.
#[derive(Clone, Debug)]
pub(super) struct Curves {
    pub gross: UnitCurve,
    /// The net curve and the gross one over the same horizon; `None` without issue costs, whose component is then nothing.
    pub costs: Option<(UnitCurve, UnitCurve)>,
    /// What the last period of a stated rate's curve takes up: redemption price less where the rate itself leads.
    pub stated_rate_difference: Option<Amount>,
}

impl Basis<'_> {
    fn spans(&self, horizon: Date) -> Spans {
        Spans::new(self.dates, self.start.moment.boundary, horizon)
    }

    fn is_without_costs(&self) -> bool {
        self.start.issue_costs.is_zero()
    }

    /// Solves the rates. A net rate that is `kept`, or stated in the terms, is not solved; without issue costs it is the gross rate
    /// too.
    ///
    /// # Errors
    /// [`Refusal::NoRateExplains`].
    pub fn rates(&self, kept: Option<Decimal>) -> Result<Rates, Refusal> {
        let (gross_price, net_price) = self.start.prices()?;
        let per_year = self.terms.periods_per_year();
        let rate_at = |what, price: Decimal, horizon| {
            let spans = self.spans(horizon);
            let flows = spans.cash_flows(self.horizons.redemption);
            solve(&flows, price + spans.accrued_at_settlement(), per_year)
                .ok_or_else(|| self.no_rate(what, price, &flows.payments))
        };
        let stated = self.terms.stated_effective_rate.map(|stated| stated / Decimal::from(per_year));
        let given = kept.or(stated);
        let gross = match given {
            Some(given) if self.is_without_costs() => given,
            _ => rate_at("proceeds", gross_price, self.horizons.gross)?,
        };
        // Without issue costs there is one curve and one rate, to the horizon of the premium or discount.
        let one_curve = self.is_without_costs() || self.horizons.gross == self.horizons.costs;
        let gross_same_horizon = if one_curve { gross } else { rate_at("proceeds", gross_price, self.horizons.costs)? };
        let net = match given {
            Some(given) => given,
            None if self.is_without_costs() => gross,
            None => rate_at("proceeds less issue costs", net_price, self.horizons.costs)?,
        };
        Ok(Rates { gross, net, gross_same_horizon })
    }

    /// The curves that the rates imply.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn curves(&self, rates: Rates) -> Result<Curves, Refusal> {
        let (gross_price, net_price) = self.start.prices()?;
        let Horizons { gross, costs, redemption } = self.horizons;
        let (method, within) = (self.terms.amortization_method, self.terms.within_period);
        let curve = |price, rate, horizon| {
            UnitCurve::solved(self.spans(horizon), price, rate, redemption, horizon, method, within)
                .ok_or(Refusal::Overflow)
        };
        let mut stated_rate_difference = None;
        let mut net = |horizon| match self.terms.stated_effective_rate {
            Some(_) => {
                let spans = self.spans(horizon);
                let (curve, left) = UnitCurve::stated(spans, net_price, rates.net, redemption, horizon, method, within)
                    .ok_or(Refusal::Overflow)?;
                stated_rate_difference = Some(units_of(self.start.principal, left)?);
                Ok(curve)
            }
            None => curve(net_price, rates.net, horizon),
        };
        let (gross, costs) = if self.is_without_costs() && self.terms.stated_effective_rate.is_some() {
            (net(gross)?, None)
        } else {
            let costs = match self.is_without_costs() {
                true => None,
                false => Some((net(costs)?, curve(gross_price, rates.gross_same_horizon, costs)?)),
            };
            (curve(gross_price, rates.gross, gross)?, costs)
        };
        Ok(Curves { gross, costs, stated_rate_difference })
    }

    /// A stated rate is refused when the solved rate does not round to it and the difference it leaves is above 2% of what there
    /// is to amortise.
    ///
    /// # Errors
    /// [`Refusal::StatedRateDiffers`].
    pub fn check_stated_rate(&self, curves: &Curves) -> Result<(), Refusal> {
        let (Some(stated), Some(difference)) = (self.terms.stated_effective_rate, curves.stated_rate_difference) else {
            return Ok(());
        };
        let start = self.start;
        let spans = self.spans(if self.is_without_costs() { self.horizons.gross } else { self.horizons.costs });
        let per_year = self.terms.periods_per_year();
        let price = start.prices()?.1 + spans.accrued_at_settlement();
        let solved = solve(&spans.cash_flows(self.horizons.redemption), price, per_year)
            .map(|rate| rate * Decimal::from(per_year));
        let rounds = solved.is_some_and(|solved| {
            solved.round_dp_with_strategy(stated.scale(), rust_decimal::RoundingStrategy::MidpointAwayFromZero)
                == stated
        });
        let redemption = units_of(start.principal, self.horizons.redemption)?;
        let premium_or_discount = redemption.minus(start.clean)?;
        let whole = Decimal::from(premium_or_discount.minor().abs()) + Decimal::from(start.issue_costs.minor());
        let allowed = round_to_minor_unit(whole * Decimal::new(2, 2))?;
        let small = Decimal::from(difference.minor()).abs() <= Decimal::from(allowed.minor());
        let driven = curves.costs.as_ref().map_or(&curves.gross, |(net, _)| net);
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

    fn no_rate(&self, what: &'static str, price: Decimal, payments: &[Decimal]) -> Refusal {
        let principal = self.start.principal.to_major(self.terms.currency);
        let decimals = u32::from(self.terms.currency.exponent());
        Refusal::NoRateExplains {
            field: "proceeds",
            what,
            proceeds: (principal * price).round_dp(decimals),
            flows: (principal * payments.iter().sum::<Decimal>()).round_dp(decimals),
            lowest: RATE_BOUNDS.0,
            highest: RATE_BOUNDS.1,
        }
    }
}
