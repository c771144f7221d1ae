//! Adjustment of the conversion rate by the terms of the indenture. There is no entry: the shares for one denomination, and their
//! par value on a split, change from a date on. The formulas are those of public indentures (anti-dilution clauses).

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::settlement::check_per_share;
use super::{Books, Decision};
use crate::accounting::instrument::{ConversionTerms, Instrument, Moment, ShareCapital};
use crate::accounting::money::round_shares;
use crate::accounting::refusal::Refusal;

/// What brings an adjustment about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    Split,
    StockDividend,
    ReverseSplit,
    Rights,
    Distribution,
    SpinOff,
    CashDividend,
    TenderOffer,
    /// Anything else in the terms; only with a stated rate.
    Other,
    /// A change that the terms do not ask for, which holders were given; only with a stated rate.
    Voluntary,
}

impl Reason {
    /// Whether the terms ask for it.
    pub fn is_of_terms(self) -> bool {
        self != Reason::Voluntary
    }

    /// Whether the number of shares outstanding changes and what they are worth together does not, so that figures for a share are restated
    /// for all periods (ASC 260-10-55-12, IAS 33.64).
    pub fn restates_shares(self) -> bool {
        matches!(self, Reason::Split | Reason::StockDividend | Reason::ReverseSplit)
    }

    /// The reason that is stored under a name.
    pub fn from_name(name: &str) -> Option<Reason> {
        use Reason::{
            CashDividend, Distribution, Other, ReverseSplit, Rights, SpinOff, Split, StockDividend, TenderOffer,
            Voluntary,
        };
        [Split, StockDividend, ReverseSplit, Rights, Distribution, SpinOff, CashDividend, TenderOffer, Other, Voluntary]
            .into_iter()
            .find(|reason| reason.name() == name)
    }

    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Reason::Split => "split",
            Reason::StockDividend => "stock_dividend",
            Reason::ReverseSplit => "reverse_split",
            Reason::Rights => "rights",
            Reason::Distribution => "distribution",
            Reason::SpinOff => "spin_off",
            Reason::CashDividend => "cash_dividend",
            Reason::TenderOffer => "tender_offer",
            Reason::Other => "other",
            Reason::Voluntary => "voluntary",
        }
    }
}

/// The figures of a formula, each in whole shares or in major units a share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Formula {
    /// Split, reverse split and stock dividend: rate x shares after / shares before.
    Outstanding { before: Decimal, after: Decimal },
    /// Rights below the market price: rate x (outstanding + issuable) / (outstanding + exercise price of all / average price).
    Rights { outstanding: Decimal, issuable: Decimal, aggregate_exercise_price: Decimal, average_price: Decimal },
    /// Assets, debt or other shares distributed: rate x price / (price - fair value a share).
    Distribution { market_price: Decimal, fair_value: Decimal },
    /// rate x (fair value of what is spun off a share + price) / price.
    SpinOff { market_price: Decimal, fair_value: Decimal },
    /// rate x (price - threshold) / (price - dividend).
    CashDividend { market_price: Decimal, dividend: Decimal, threshold: Decimal },
    /// rate x (consideration + price x shares after) / (shares before x price).
    TenderOffer { consideration: Decimal, before: Decimal, after: Decimal, market_price: Decimal },
}

impl Formula {
    /// The rate after the adjustment, to four decimals.
    ///
    /// ```
    /// use parwright::accounting::transaction::rate_adjustment::Formula;
    /// let figure = |text: &str| text.parse().unwrap();
    /// let split = Formula::Outstanding { before: figure("50000000"), after: figure("100000000") };
    /// assert_eq!(split.adjusted(figure("32.3428")), Ok(figure("64.6856")));
    /// ```
    ///
    /// # Errors
    /// [`Refusal::Overflow`]; [`Refusal::Contradiction`] when the figures give no rate above zero.
    pub fn adjusted(self, rate: Decimal) -> Result<Decimal, Refusal> {
        let plus = |a: Decimal, b: Decimal| a.checked_add(b).ok_or(Refusal::Overflow);
        let minus = |a: Decimal, b: Decimal| a.checked_sub(b).ok_or(Refusal::Overflow);
        let times = |a: Decimal, b: Decimal| a.checked_mul(b).ok_or(Refusal::Overflow);
        let (over, under) = match self {
            Formula::Outstanding { before, after } => (after, before),
            Formula::Rights { outstanding, issuable, aggregate_exercise_price, average_price } => {
                let bought = aggregate_exercise_price.checked_div(average_price).ok_or(Refusal::Overflow)?;
                (plus(outstanding, issuable)?, plus(outstanding, bought)?)
            }
            Formula::Distribution { market_price, fair_value } => (market_price, minus(market_price, fair_value)?),
            Formula::SpinOff { market_price, fair_value } => (plus(fair_value, market_price)?, market_price),
            Formula::CashDividend { market_price, dividend, threshold } => {
                (minus(market_price, threshold)?, minus(market_price, dividend)?)
            }
            Formula::TenderOffer { consideration, before, after, market_price } => {
                (plus(consideration, times(market_price, after)?)?, times(before, market_price)?)
            }
        };
        if over <= Decimal::ZERO || under <= Decimal::ZERO {
            return Err(Refusal::contradiction(
                "market_price",
                format!(
                    "the formula gives {over} over {under}, which is no rate; holders then take part as if converted"
                ),
            ));
        }
        let exact = times(rate, over)?.checked_div(under).ok_or(Refusal::Overflow)?;
        Ok(round_shares(exact))
    }
}

/// How the new rate is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NewRate {
    Stated(Decimal),
    Formula(Formula),
}

/// Adjust the conversion rate from a date on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RateAdjustment {
    pub effective_date: Date,
    pub reason: Reason,
    pub new_rate: NewRate,
    /// The new par value a share, on a split.
    pub share_par_value: Option<Decimal>,
}

/// A conversion rate in force from a date on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ConversionRate {
    pub date: Date,
    pub shares_per_denomination: Decimal,
    pub share_capital: ShareCapital,
    /// What the rate would be with the adjustments that are carried forward; the rate in force where none is.
    pub carried: Decimal,
    /// Whether the terms asked for it; if not, it was a modification.
    pub by_terms: bool,
}

/// What an adjustment changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub reason: Reason,
    pub before: Decimal,
    pub after: ConversionRate,
}

impl Books {
    /// The conversion terms with the rate in force on a date.
    ///
    /// # Errors
    /// [`Refusal::NoConversionTerms`].
    pub fn conversion_at(&self, date: Date) -> Result<ConversionTerms, Refusal> {
        self.conversion_of(&self.instrument, date)
    }

    /// The same of the issue as it was before it was revised.
    ///
    /// # Errors
    /// [`Refusal::NoConversionTerms`].
    pub(super) fn conversion_of(&self, issue: &Instrument, date: Date) -> Result<ConversionTerms, Refusal> {
        let mut terms = issue.on(date).terms().conversion.clone().ok_or(Refusal::NoConversionTerms)?;
        if let Some(rate) = self.rates.iter().rev().find(|rate| rate.date <= date) {
            terms.shares_per_denomination = rate.shares_per_denomination;
            terms.share_capital = rate.share_capital;
        }
        Ok(terms)
    }
}

impl RateAdjustment {
    /// Adjusts the rate. One that comes, with those carried forward, to less than the least that the terms adjust for is carried
    /// forward itself. A stated rate is taken as it is. `converted_on` is the date of the first conversion or acceptance on or after the
    /// adjustment's, if there is one.
    ///
    /// # Errors
    /// A [`Refusal`] when the issue has no conversion terms, the figures contradict the reason, or a conversion or adjustment that
    /// depends on the rate is recorded for a later date.
    pub fn decide(&self, books: &Books, converted_on: Option<Date>) -> Result<Decision<Outcome>, Refusal> {
        books.check_date("effective_date", self.effective_date)?;
        let terms = books.conversion_at(self.effective_date)?;
        let adjusted_on = books.rates.last().map(|rate| rate.date).filter(|date| *date > self.effective_date);
        if let Some(date) = converted_on.into_iter().chain(adjusted_on).min() {
            return Err(Refusal::LaterEventDepends { what: "conversion rate", on: self.effective_date, date });
        }
        let before = terms.shares_per_denomination;
        let in_force = books.rates.iter().rev().find(|rate| rate.date <= self.effective_date);
        let base = in_force.map_or(before, |rate| rate.carried);
        let carried = match self.new_rate {
            NewRate::Stated(rate) => rate,
            NewRate::Formula(formula) => formula.adjusted(base)?,
        };
        check_per_share("shares_per_denomination", Some(carried))?;
        check_per_share("share_par_value", self.share_par_value)?;
        self.check_direction(if matches!(self.new_rate, NewRate::Stated(_)) { before } else { base }, carried)?;
        let after = if self.is_too_small(before, carried, terms.minimum_adjustment)? { before } else { carried };
        let share_capital = match (self.share_par_value, terms.share_capital) {
            (None, unchanged) => unchanged,
            (Some(par), ShareCapital::ParValue(_)) => ShareCapital::ParValue(par),
            (Some(_), ShareCapital::NoPar) => {
                return Err(Refusal::contradiction(
                    "share_par_value",
                    "the issue converts into no-par stock; leave it out",
                ));
            }
        };
        let rate = ConversionRate {
            date: self.effective_date,
            shares_per_denomination: after,
            share_capital,
            carried,
            by_terms: self.reason.is_of_terms(),
        };
        let position = books.history.position(Moment::of_movement(self.effective_date), &books.instrument)?;
        let outcome = Outcome { reason: self.reason, before, after: rate };
        let nothing = (Vec::new(), Vec::new());
        let decision = Decision::posted(self.effective_date, (position, position), nothing, outcome);
        Ok(Decision { rate: Some(rate), ..decision })
    }

    fn is_too_small(&self, in_force: Decimal, carried: Decimal, least: Option<Decimal>) -> Result<bool, Refusal> {
        let (NewRate::Formula(_), Some(least)) = (self.new_rate, least) else { return Ok(false) };
        let least = in_force.checked_mul(least).ok_or(Refusal::Overflow)?;
        Ok((carried - in_force).abs() < least)
    }

    /// A reverse split lowers the rate, and everything else that the terms adjust for raises it.
    fn check_direction(&self, before: Decimal, after: Decimal) -> Result<(), Refusal> {
        let contradicts = match self.reason {
            Reason::ReverseSplit => after >= before,
            Reason::Other | Reason::Voluntary => false,
            _ => after <= before,
        };
        if contradicts {
            let (reason, direction) =
                (self.reason.name(), if self.reason == Reason::ReverseSplit { "lowers" } else { "raises" });
            return Err(Refusal::contradiction(
                "reason",
                format!("{reason} {direction} the rate, but these figures take it from {before} to {after}"),
            ));
        }
        Ok(())
    }
}
