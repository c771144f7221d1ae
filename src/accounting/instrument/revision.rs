//! A revision: from a date on, an issue's debt is carried at another amount, or to other payments, and its curve begins anew. What was
//! before the date stays what it was.

use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::curves::{Basis, Horizons, Rates};
use super::effective_rate::present_value;
use super::issue::{Before, Instrument};
use super::start::{Moment, Start};
use super::terms::{ConversionTerms, Terms};
use super::unit_curve::Spans;
use super::validation::validate;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// The terms that a revision may change.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RevisedTerms {
    pub coupon_rate: Decimal,
    pub maturity_date: Date,
    /// As a fraction of principal: 1 is par.
    pub redemption_price: Decimal,
    pub amortization_end: Option<Date>,
    pub conversion: Option<ConversionTerms>,
}

/// When and for what price the bonds are expected to be redeemed, other than at maturity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExpectedRedemption {
    /// A coupon date; of a zero-coupon issue a compounding date.
    pub date: Date,
    /// As a fraction of principal.
    pub price: Decimal,
}

/// What is carried from a revision on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Carried {
    pub principal: Amount,
    /// Principal with premium or discount.
    pub clean: Amount,
    /// Not amortised yet, a positive amount.
    pub issue_costs: Amount,
    pub effect: Effect,
}

/// What a revision did to the debt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effect {
    /// Its terms are the same: other payments are expected, or other costs carried.
    Remeasured,
    /// Its terms were modified, and it goes on.
    Modified,
    /// Its terms were modified so that it was extinguished, and new debt is carried.
    Extinguished,
}

impl Effect {
    const ALL: [Effect; 3] = [Effect::Remeasured, Effect::Modified, Effect::Extinguished];

    /// The name under which it is stored.
    pub fn name(self) -> &'static str {
        match self {
            Effect::Remeasured => "remeasured",
            Effect::Modified => "modified",
            Effect::Extinguished => "extinguished",
        }
    }

    /// The effect that is stored under a name.
    pub fn from_name(name: &str) -> Option<Effect> {
        Effect::ALL.into_iter().find(|effect| effect.name() == name)
    }
}

/// An issue's terms from a date on, proven right, before it is known what is carried.
#[derive(Clone, Debug)]
pub struct Revision {
    before: Arc<Instrument>,
    date: Date,
    terms: Terms,
    dates: CouponDates,
    expected: Option<ExpectedRedemption>,
}

impl RevisedTerms {
    /// The terms as they are.
    pub fn of(terms: &Terms) -> RevisedTerms {
        RevisedTerms {
            coupon_rate: terms.coupon_rate,
            maturity_date: terms.maturity_date,
            redemption_price: terms.redemption_price,
            amortization_end: terms.amortization_end,
            conversion: terms.conversion.clone(),
        }
    }
}

impl Revision {
    /// Proves that an issue can have these terms from a date on. Another coupon rate begins on a coupon date, and so does another
    /// maturity whose coupon dates do not meet those of the period in which the date lies.
    ///
    /// # Errors
    /// A [`Refusal`] that names the field.
    pub fn new(
        before: &Arc<Instrument>,
        date: Date,
        revised: RevisedTerms,
        expected: Option<ExpectedRedemption>,
    ) -> Result<Revision, Refusal> {
        let old = before.terms();
        if revised.maturity_date <= date {
            let rule = format!("it must be after {date}, from which the terms are revised");
            return Err(Refusal::invalid("maturity_date", revised.maturity_date, rule));
        }
        let (start, end) = before.dates().period(before.dates().period_of(date));
        let begins_with_period = date == end || old.is_zero_coupon();
        if !begins_with_period && revised.coupon_rate != old.coupon_rate {
            let nearest = before.dates().nearest_coupon_date(date);
            return Err(Refusal::NotACouponDate { field: "effective_date", date, nearest });
        }
        let terms = Terms {
            coupon_rate: revised.coupon_rate,
            maturity_date: revised.maturity_date,
            redemption_price: revised.redemption_price,
            amortization_end: revised.amortization_end.filter(|end| *end > date),
            conversion: revised.conversion,
            put_dates: old
                .put_dates
                .iter()
                .copied()
                .filter(|put| *put > date && *put < revised.maturity_date)
                .collect(),
            stated_effective_rate: None,
            ..old.clone()
        };
        let (dated_date, first_coupon_date) = if begins_with_period { (date, None) } else { (start, Some(end)) };
        // As if it were issued on the date: what was received at its settlement plays no part any more.
        let as_issued = Terms {
            dated_date,
            first_coupon_date,
            settlement_date: date,
            proceeds: terms.principal,
            issue_costs: Amount::ZERO,
            accrued_interest_received: None,
            premium_treatment: None,
            opening: None,
            ..terms.clone()
        };
        let unmet = |coupon: Date| {
            let rule = "let the terms change on a coupon date";
            let maturity = terms.maturity_date;
            Refusal::contradiction(
                "maturity_date",
                format!("coupon dates that run back from {maturity} do not meet the period to {coupon}: {rule}"),
            )
        };
        let dates = validate(&as_issued).map_err(|refusal| match refusal {
            Refusal::NotACouponDate { field: "first_coupon_date", date: coupon, .. } => unmet(coupon),
            other => other,
        })?;
        // The interest that has accrued in the period stays what it is.
        if !begins_with_period && !dates.counts_alike(before.dates(), end) {
            return Err(unmet(end));
        }
        let dates = dates.continuing(before.dates());
        if let Some(expected) = expected {
            check_expected(expected, date, &terms, &dates)?;
        }
        Ok(Revision { before: Arc::clone(before), date, terms, dates, expected })
    }

    /// The terms from the date on.
    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// What the payments after the date are worth at a rate a coupon period, for one unit of principal and with the interest that has
    /// accrued: to the redemption that is expected, or to maturity.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn worth(&self, rate: Decimal) -> Result<Decimal, Refusal> {
        let end = self
            .expected
            .unwrap_or(ExpectedRedemption { date: self.terms.maturity_date, price: self.terms.redemption_price });
        self.worth_to(end, rate)
    }

    /// The same to a redemption.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn worth_to(&self, end: ExpectedRedemption, rate: Decimal) -> Result<Decimal, Refusal> {
        worth(&self.dates, self.date, end, rate)
    }

    /// Interest accrued at the date on one unit of principal, at which payments after it are worth more than the debt is carried at.
    pub fn accrued(&self) -> Decimal {
        Spans::new(&self.dates, self.date, self.terms.maturity_date).accrued_at_settlement()
    }

    /// The issue from the date on: its net rate is solved from what is carried, unless one is kept.
    ///
    /// # Errors
    /// [`Refusal::NoRateExplains`].
    pub fn carried(self, carried: Carried, kept: Option<Decimal>) -> Result<Instrument, Refusal> {
        let start = self.start(carried);
        let horizons = self.horizons(&start);
        let rates = Basis { terms: &self.terms, dates: &self.dates, start: &start, horizons }.rates(kept)?;
        self.restored(carried, rates)
    }

    /// The same with rates that were solved when it was recorded.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn restored(self, carried: Carried, rates: Rates) -> Result<Instrument, Refusal> {
        let start = self.start(carried);
        let horizons = self.horizons(&start);
        let Revision { before, terms, dates, expected, .. } = self;
        let curves = Basis { terms: &terms, dates: &dates, start: &start, horizons }.curves(rates)?;
        let before = Some(Before { instrument: before, effect: carried.effect });
        Ok(Instrument { terms, dates, start, horizons, rates, curves, before, expected })
    }

    fn start(&self, carried: Carried) -> Start {
        Start {
            moment: Moment::of_movement(self.date),
            principal: carried.principal,
            clean: carried.clean,
            issue_costs: carried.issue_costs,
            equity_component: Amount::ZERO,
        }
    }

    fn horizons(&self, start: &Start) -> Horizons {
        match self.expected {
            Some(ExpectedRedemption { date, price }) => Horizons { gross: date, costs: date, redemption: price },
            None => Horizons::of(&self.terms, start),
        }
    }
}

/// What the payments after a date up to a redemption are worth at a rate a coupon period, on one unit of principal.
pub(super) fn worth(
    dates: &CouponDates,
    date: Date,
    end: ExpectedRedemption,
    rate: Decimal,
) -> Result<Decimal, Refusal> {
    let flows = Spans::new(dates, date, end.date).cash_flows(end.price);
    present_value(&flows, rate).ok_or(Refusal::Overflow)
}

fn check_expected(expected: ExpectedRedemption, from: Date, terms: &Terms, dates: &CouponDates) -> Result<(), Refusal> {
    let field = "expected_redemption/date";
    if expected.date <= from || expected.date > terms.maturity_date {
        let rule = format!("it must be after {from} and not after the maturity date {}", terms.maturity_date);
        return Err(Refusal::invalid(field, expected.date, rule));
    }
    if dates.grid().binary_search(&expected.date).is_err() {
        let nearest = dates.grid().iter().copied().filter(|date| *date > from);
        let nearest = nearest.min_by_key(|date| date.duration_until(expected.date).abs());
        return Err(Refusal::NotACouponDate { field, date: expected.date, nearest });
    }
    if expected.price <= Decimal::ZERO || expected.price > Decimal::TEN || expected.price.normalize().scale() > 12 {
        let percent = expected.price.saturating_mul(Decimal::ONE_HUNDRED).normalize();
        let rule = "it is in percent of principal, above 0 and at most 1000, with at most 10 decimals";
        return Err(Refusal::invalid("expected_redemption/price_percent", percent, rule));
    }
    Ok(())
}
