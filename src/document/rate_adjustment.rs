//! Adjustments of the conversion rate: what they carry and what they are answered with.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::wire::{DateString, DecimalString};
use crate::accounting::Refusal;
use crate::accounting::instrument::ShareCapital;
use crate::accounting::transaction::rate_adjustment::{Formula, NewRate, Outcome, RateAdjustment, Reason};

/// What brings an adjustment about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AdjustmentReasonName {
    Split,
    StockDividend,
    ReverseSplit,
    Rights,
    Distribution,
    SpinOff,
    CashDividend,
    TenderOffer,
    /// Anything else in the terms; only with `shares_per_denomination`.
    Other,
    /// A change that the terms do not ask for; only with `shares_per_denomination`. An offer within a year of it is compared with the
    /// terms before it.
    Voluntary,
}

/// Adjust the conversion rate from a date on: to a stated rate, or by the formula of the reason from its figures. A split, reverse
/// split or stock dividend takes `shares_before` and `shares_after`; rights `shares_before`, `shares_issuable`,
/// `aggregate_exercise_price` and `average_price`; a distribution or spin-off `market_price` and `fair_value_per_share`; a cash
/// dividend `market_price`, `dividend_per_share` and, if the terms have one, `threshold_per_share`; a tender offer
/// `consideration`, `shares_before`, `shares_after` and `market_price`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RateAdjustmentRequest {
    /// Bonds that convert on this date or later get the new rate.
    pub effective_date: DateString,
    pub reason: AdjustmentReasonName,
    /// The new rate, as stated by the agent; instead of the figures of a formula.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "64.6856")]
    pub shares_per_denomination: Option<DecimalString>,
    /// The new par value, on a split.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share_par_value: Option<DecimalString>,
    /// Shares outstanding before the event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares_before: Option<DecimalString>,
    /// Shares outstanding after the event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares_after: Option<DecimalString>,
    /// Shares that the rights give.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares_issuable: Option<DecimalString>,
    /// What is paid for all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aggregate_exercise_price: Option<DecimalString>,
    /// The average price of a share over the days that the terms name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub average_price: Option<DecimalString>,
    /// The price of a share that the terms name for the event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub market_price: Option<DecimalString>,
    /// Of what is distributed or spun off, for one share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fair_value_per_share: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dividend_per_share: Option<DecimalString>,
    /// The dividend up to which the terms adjust nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub threshold_per_share: Option<DecimalString>,
    /// What is paid for all shares tendered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub consideration: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// The fields of the formulas, by name, as far as they are given.
struct Figures(Vec<(&'static str, Option<DecimalString>)>);

impl Figures {
    /// Takes a figure that must be there and above zero.
    fn take(&mut self, name: &'static str) -> Result<Decimal, Refusal> {
        let figure = self.take_optional(name)?;
        figure.ok_or_else(|| Refusal::missing(name, "the formula needs it; or state shares_per_denomination"))
    }

    fn take_optional(&mut self, name: &'static str) -> Result<Option<Decimal>, Refusal> {
        let figure = self.0.iter_mut().find(|(field, _)| *field == name).and_then(|(_, figure)| figure.take());
        match figure.map(|figure| figure.0) {
            Some(figure) if figure <= Decimal::ZERO || figure > Decimal::from(1_000_000_000_000_000_i64) => {
                Err(Refusal::invalid(name, figure, "it must be more than zero and at most 10^15"))
            }
            figure => Ok(figure),
        }
    }

    /// What was given and not taken is no part of the formula.
    fn check_all_taken(&self, because: &str) -> Result<(), Refusal> {
        match self.0.iter().find(|(_, figure)| figure.is_some()) {
            Some((name, _)) => Err(Refusal::contradiction(name, format!("{because}; leave {name} out"))),
            None => Ok(()),
        }
    }
}

impl RateAdjustmentRequest {
    /// The core's command.
    ///
    /// # Errors
    /// A [`Refusal`] for figures that are missing, contradict each other or cannot be.
    pub fn command(&self) -> Result<RateAdjustment, Refusal> {
        Ok(RateAdjustment {
            effective_date: self.effective_date.0,
            reason: self.reason.into(),
            new_rate: self.new_rate()?,
            share_par_value: self.share_par_value.map(|par| par.0),
        })
    }

    fn new_rate(&self) -> Result<NewRate, Refusal> {
        let mut figures = Figures(vec![
            ("shares_before", self.shares_before),
            ("shares_after", self.shares_after),
            ("shares_issuable", self.shares_issuable),
            ("aggregate_exercise_price", self.aggregate_exercise_price),
            ("average_price", self.average_price),
            ("market_price", self.market_price),
            ("fair_value_per_share", self.fair_value_per_share),
            ("dividend_per_share", self.dividend_per_share),
            ("threshold_per_share", self.threshold_per_share),
            ("consideration", self.consideration),
        ]);
        if let Some(rate) = self.shares_per_denomination {
            figures.check_all_taken("a stated rate needs no figures of a formula")?;
            return Ok(NewRate::Stated(rate.0));
        }
        use AdjustmentReasonName as Name;
        let formula = match self.reason {
            Name::Split | Name::StockDividend | Name::ReverseSplit => {
                Formula::Outstanding { before: figures.take("shares_before")?, after: figures.take("shares_after")? }
            }
            Name::Rights => Formula::Rights {
                outstanding: figures.take("shares_before")?,
                issuable: figures.take("shares_issuable")?,
                aggregate_exercise_price: figures.take("aggregate_exercise_price")?,
                average_price: figures.take("average_price")?,
            },
            Name::Distribution => Formula::Distribution {
                market_price: figures.take("market_price")?,
                fair_value: figures.take("fair_value_per_share")?,
            },
            Name::SpinOff => Formula::SpinOff {
                market_price: figures.take("market_price")?,
                fair_value: figures.take("fair_value_per_share")?,
            },
            Name::CashDividend => Formula::CashDividend {
                market_price: figures.take("market_price")?,
                dividend: figures.take("dividend_per_share")?,
                threshold: figures.take_optional("threshold_per_share")?.unwrap_or_default(),
            },
            Name::TenderOffer => Formula::TenderOffer {
                consideration: figures.take("consideration")?,
                before: figures.take("shares_before")?,
                after: figures.take("shares_after")?,
                market_price: figures.take("market_price")?,
            },
            Name::Other | Name::Voluntary => {
                return Err(Refusal::missing("shares_per_denomination", "there is no formula for other reasons"));
            }
        };
        figures.check_all_taken("it is no part of this formula")?;
        Ok(NewRate::Formula(formula))
    }
}

impl From<AdjustmentReasonName> for Reason {
    fn from(name: AdjustmentReasonName) -> Reason {
        match name {
            AdjustmentReasonName::Split => Reason::Split,
            AdjustmentReasonName::StockDividend => Reason::StockDividend,
            AdjustmentReasonName::ReverseSplit => Reason::ReverseSplit,
            AdjustmentReasonName::Rights => Reason::Rights,
            AdjustmentReasonName::Distribution => Reason::Distribution,
            AdjustmentReasonName::SpinOff => Reason::SpinOff,
            AdjustmentReasonName::CashDividend => Reason::CashDividend,
            AdjustmentReasonName::TenderOffer => Reason::TenderOffer,
            AdjustmentReasonName::Other => Reason::Other,
            AdjustmentReasonName::Voluntary => Reason::Voluntary,
        }
    }
}

/// What an adjustment changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RateAdjustmentBlock {
    pub reason: String,
    pub shares_per_denomination_before: String,
    pub shares_per_denomination: String,
    /// What it would be with the adjustments that are carried forward because they are too small; absent if none is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub carried_shares_per_denomination: Option<String>,
    /// Null for no-par stock.
    pub share_par_value: Option<String>,
}

impl RateAdjustmentBlock {
    /// The block of an outcome.
    pub fn of(outcome: &Outcome) -> RateAdjustmentBlock {
        RateAdjustmentBlock {
            reason: outcome.reason.name().to_owned(),
            shares_per_denomination_before: outcome.before.normalize().to_string(),
            shares_per_denomination: outcome.after.shares_per_denomination.normalize().to_string(),
            carried_shares_per_denomination: (outcome.after.carried != outcome.after.shares_per_denomination)
                .then(|| outcome.after.carried.normalize().to_string()),
            share_par_value: match outcome.after.share_capital {
                ShareCapital::ParValue(par) => Some(par.normalize().to_string()),
                ShareCapital::NoPar => None,
            },
        }
    }
}
