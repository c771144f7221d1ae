//! Repurchases and redemptions: what they carry and what they are answered with.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::wire::{DateString, DecimalString};
use super::{amount, money};
use crate::accounting::money::Amount;
use crate::accounting::transaction::extinguishment::{Extinguishment, Occasion, Outcome, Price};
use crate::accounting::{Currency, Refusal};

/// Buy bonds back by agreement with their holders.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RepurchaseRequest {
    pub effective_date: DateString,
    #[schema(example = "1000000.00")]
    pub principal: DecimalString,
    /// What is paid for the bonds, without accrued interest. This or `price_percent`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub consideration: Option<DecimalString>,
    /// The price in percent of principal, without accrued interest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "98.25")]
    pub price_percent: Option<DecimalString>,
    /// Interest paid for the time since the last coupon date; what has accrued if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accrued_interest: Option<DecimalString>,
    /// Costs of reacquisition, part of the gain or loss.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub costs: Option<DecimalString>,
    /// Under IFRS, of a convertible issue: the rate of debt without the option on the date, by which the price is split between liability
    /// and equity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub straight_debt_rate: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// Why bonds are redeemed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RedemptionKindName {
    Maturity,
    Call,
    Put,
    FundamentalChange,
}

impl From<RedemptionKindName> for Occasion {
    fn from(kind: RedemptionKindName) -> Occasion {
        match kind {
            RedemptionKindName::Maturity => Occasion::Maturity,
            RedemptionKindName::Call => Occasion::Call,
            RedemptionKindName::Put => Occasion::Put,
            RedemptionKindName::FundamentalChange => Occasion::FundamentalChange,
        }
    }
}

/// Repay bonds: at maturity, at the issuer's call, or at the option of their holders.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RedemptionRequest {
    pub effective_date: DateString,
    #[schema(example = "1000000.00")]
    pub principal: DecimalString,
    pub kind: RedemptionKindName,
    /// What is paid for the bonds, without accrued interest. This or `price_percent`; the redemption price of the terms if both are
    /// absent, and always at maturity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub consideration: Option<DecimalString>,
    /// The price in percent of principal, without accrued interest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "101.5")]
    pub price_percent: Option<DecimalString>,
    /// Interest paid for the time since the last coupon date; what has accrued if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accrued_interest: Option<DecimalString>,
    /// Costs of reacquisition, part of the gain or loss.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub costs: Option<DecimalString>,
    /// When bonds that matured were paid; the maturity date if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub paid_on: Option<DateString>,
    /// Under IFRS, of a convertible issue before maturity: the rate of debt without the option on the date, by which the price is split
    /// between liability and equity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub straight_debt_rate: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

fn price(
    consideration: Option<DecimalString>,
    percent: Option<DecimalString>,
    currency: Currency,
) -> Result<Option<Price>, Refusal> {
    match (consideration, percent) {
        (Some(_), Some(_)) => {
            Err(Refusal::contradiction("price_percent", "give consideration or price_percent, not both"))
        }
        (Some(consideration), None) => {
            Ok(Some(Price::Consideration(amount("consideration", consideration, currency)?)))
        }
        (None, percent) => Ok(percent.map(|percent| Price::Percent(percent.0))),
    }
}

impl RepurchaseRequest {
    /// The core's command, in an issue's currency.
    ///
    /// # Errors
    /// A [`Refusal`] for amounts that cannot be, or without a price.
    pub fn command(&self, currency: Currency) -> Result<Extinguishment, Refusal> {
        let price = price(self.consideration, self.price_percent, currency)?;
        Ok(Extinguishment {
            occasion: Occasion::Repurchase,
            effective_date: self.effective_date.0,
            paid_on: None,
            principal: amount("principal", self.principal, currency)?,
            price: price.ok_or_else(|| {
                Refusal::missing("consideration", "give what is paid for the bonds, or price_percent")
            })?,
            accrued_interest: optional("accrued_interest", self.accrued_interest, currency)?,
            costs: optional("costs", self.costs, currency)?.unwrap_or(Amount::ZERO),
            straight_debt_rate: self.straight_debt_rate.map(|rate| rate.0),
        })
    }
}

impl RedemptionRequest {
    /// The core's command, in an issue's currency.
    ///
    /// # Errors
    /// A [`Refusal`] for amounts that cannot be.
    pub fn command(&self, currency: Currency) -> Result<Extinguishment, Refusal> {
        Ok(Extinguishment {
            occasion: self.kind.into(),
            effective_date: self.effective_date.0,
            paid_on: self.paid_on.map(|date| date.0),
            principal: amount("principal", self.principal, currency)?,
            price: price(self.consideration, self.price_percent, currency)?.unwrap_or(Price::Redemption),
            accrued_interest: optional("accrued_interest", self.accrued_interest, currency)?,
            costs: optional("costs", self.costs, currency)?.unwrap_or(Amount::ZERO),
            straight_debt_rate: self.straight_debt_rate.map(|rate| rate.0),
        })
    }
}

fn optional(field: &'static str, figure: Option<DecimalString>, currency: Currency) -> Result<Option<Amount>, Refusal> {
    figure.map(|figure| amount(field, figure, currency)).transpose()
}

/// What a repurchase or redemption moved. A gain is positive, a loss negative.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ExtinguishmentBlock {
    pub principal: String,
    /// Paid for the bonds, without accrued interest.
    pub consideration: String,
    pub costs: String,
    pub carrying_amount: String,
    pub premium_discount: String,
    pub issue_costs: String,
    /// Accrued on these bonds since the last coupon date.
    pub accrued_interest: String,
    pub accrued_interest_paid: String,
    /// Carrying amount and interest accrued, less everything paid for them.
    pub gain_loss: String,
    /// Of a convertible issue under IFRS: the bonds' part of the equity component.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<String>,
    /// The part of the consideration that is paid for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_consideration: Option<String>,
    /// The component less what was paid for it, costs included; it stays in equity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_difference: Option<String>,
}

impl ExtinguishmentBlock {
    /// The block of an outcome.
    pub fn of(outcome: &Outcome, currency: Currency) -> ExtinguishmentBlock {
        ExtinguishmentBlock {
            principal: money(outcome.principal, currency),
            consideration: money(outcome.consideration, currency),
            costs: money(outcome.costs, currency),
            carrying_amount: money(outcome.carrying_amount, currency),
            premium_discount: money(outcome.premium_discount, currency),
            issue_costs: money(outcome.issue_costs, currency),
            accrued_interest: money(outcome.accrued_interest, currency),
            accrued_interest_paid: money(outcome.accrued_interest_paid, currency),
            gain_loss: money(outcome.gain_loss, currency),
            equity_component: outcome.equity.map(|equity| money(equity.component, currency)),
            equity_consideration: outcome.equity.map(|equity| money(equity.consideration, currency)),
            equity_difference: outcome.equity.map(|equity| money(equity.difference, currency)),
        }
    }
}
