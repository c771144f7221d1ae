//! Revisions of an issue: modifications, estimates and corrected issue costs.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion_terms::ConversionDocument;
use super::wire::{DateString, DecimalString};
use super::{amount, money, rate};
use crate::accounting::instrument::ExpectedRedemption;
use crate::accounting::money::Amount;
use crate::accounting::transaction::estimate::{self, Estimate};
use crate::accounting::transaction::issue_cost_adjustment::{self, IssueCostAdjustment};
use crate::accounting::transaction::modification::{self, Modification, OptionChange, OptionValues};
use crate::accounting::transaction::ten_percent::{CallableAt, TenPercent};
use crate::accounting::{Currency, Refusal};

/// What becomes of the conversion option.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OptionChangeName {
    #[default]
    None,
    /// Then `conversion` has its terms.
    Added,
    Eliminated,
}

/// The conversion option in a modification: its fair value before and after for all bonds outstanding, or that it is added or
/// eliminated.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConversionOptionDocument {
    #[serde(default)]
    pub change: OptionChangeName,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fair_value_before: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fair_value_after: Option<DecimalString>,
    /// The terms of an option that is added.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion: Option<ConversionDocument>,
}

/// At what price in percent the issuer may prepay at once, before and after.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CallableAtDocument {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<DecimalString>,
}

/// Modify the terms of the bonds outstanding, or exchange them for others of the issuer. State the terms that change; the others stay.
/// Another coupon rate begins on a coupon date.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ModificationRequest {
    /// When the new terms are agreed and in force.
    pub effective_date: DateString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.055")]
    pub coupon_rate: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maturity_date: Option<DateString>,
    /// In percent of principal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub redemption_price: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amortization_end: Option<DateString>,
    /// Needed where a convertible issue of a US GAAP entity is modified (ASC 470-50-40-10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion_option: Option<ConversionOptionDocument>,
    /// Paid to holders; received from them where negative. "0" if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fees: Option<DecimalString>,
    /// Paid to third parties. "0" if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub costs: Option<DecimalString>,
    /// Of the debt under the new terms, without accrued interest; needed if they turn out to be substantially different.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fair_value: Option<DecimalString>,
    /// US GAAP compares with and without the call, and the smaller change counts (ASC 470-50-40-12).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub callable_at: Option<CallableAtDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl ModificationRequest {
    /// The core's command.
    ///
    /// # Errors
    /// A [`Refusal`] for an amount that cannot be, or an option whose figures are incomplete.
    pub fn command(&self, currency: Currency) -> Result<Modification, Refusal> {
        let or_nothing = |field, figure: Option<DecimalString>| {
            figure.map_or(Ok(Amount::ZERO), |figure| amount(field, figure, currency))
        };
        let (option_change, option_values) = match &self.conversion_option {
            Some(option) => (option.change()?, option.values(currency)?),
            None => (OptionChange::None, None),
        };
        let callable_at = self.callable_at.unwrap_or_default();
        Ok(Modification {
            effective_date: self.effective_date.0,
            coupon_rate: self.coupon_rate.map(|rate| rate.0),
            maturity_date: self.maturity_date.map(|date| date.0),
            redemption_price: self.redemption_price.map(fraction),
            amortization_end: self.amortization_end.map(|date| date.0),
            option_change,
            option_values,
            fees: or_nothing("fees", self.fees)?,
            costs: or_nothing("costs", self.costs)?,
            fair_value: self.fair_value.map(|value| amount("fair_value", value, currency)).transpose()?,
            callable_at: CallableAt {
                before: callable_at.before.map(fraction),
                after: callable_at.after.map(fraction),
            },
        })
    }
}

fn fraction(percent: DecimalString) -> Decimal {
    percent.0 / Decimal::ONE_HUNDRED
}

impl ConversionOptionDocument {
    fn change(&self) -> Result<OptionChange, Refusal> {
        match (self.change, &self.conversion) {
            (OptionChangeName::Added, Some(conversion)) => Ok(OptionChange::Added(Box::new(conversion.terms()?))),
            (OptionChangeName::Added, None) => {
                Err(Refusal::missing("conversion_option/conversion", "state the terms of the option that is added"))
            }
            (_, Some(_)) => Err(Refusal::contradiction(
                "conversion_option/conversion",
                "only an option that is added has new terms here; a changed rate is a rate adjustment",
            )),
            (OptionChangeName::None, None) => Ok(OptionChange::None),
            (OptionChangeName::Eliminated, None) => Ok(OptionChange::Eliminated),
        }
    }

    fn values(&self, currency: Currency) -> Result<Option<OptionValues>, Refusal> {
        match (self.fair_value_before, self.fair_value_after) {
            (None, None) => Ok(None),
            (Some(before), Some(after)) => Ok(Some(OptionValues {
                before: amount("conversion_option/fair_value_before", before, currency)?,
                after: amount("conversion_option/fair_value_after", after, currency)?,
            })),
            (None, Some(_)) => Err(Refusal::missing("conversion_option/fair_value_before", "give both values or none")),
            (Some(_), None) => Err(Refusal::missing("conversion_option/fair_value_after", "give both values or none")),
        }
    }
}

/// A redemption that is expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ExpectedRedemptionDocument {
    /// A coupon date; of a zero-coupon issue a compounding date.
    pub date: DateString,
    /// In percent of principal.
    #[schema(example = "102.5")]
    pub price_percent: DecimalString,
}

/// Estimate anew when, and for what, the bonds will be redeemed (IFRS 9.B5.4.6).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EstimateRequest {
    pub effective_date: DateString,
    /// If absent, the bonds are expected to run to maturity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_redemption: Option<ExpectedRedemptionDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl EstimateRequest {
    /// The core's command.
    pub fn command(&self) -> Estimate {
        let expected = self
            .expected_redemption
            .map(|expected| ExpectedRedemption { date: expected.date.0, price: fraction(expected.price_percent) });
        Estimate { effective_date: self.effective_date.0, expected }
    }
}

/// Correct issue costs after the issue.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IssueCostAdjustmentRequest {
    /// When it turned out, and from when the change is amortised, unless that can still be from settlement on.
    pub effective_date: DateString,
    /// What the costs turned out to be more; less where negative.
    #[schema(example = "12500.00")]
    pub change: DecimalString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl IssueCostAdjustmentRequest {
    /// The core's command.
    ///
    /// # Errors
    /// A [`Refusal`] for an amount that cannot be.
    pub fn command(&self, currency: Currency) -> Result<IssueCostAdjustment, Refusal> {
        let change = amount("change", self.change, currency)?;
        Ok(IssueCostAdjustment { effective_date: self.effective_date.0, change })
    }
}

/// The test of ten percent. Present values are of the payments on the bonds outstanding, with accrued interest, at the original
/// effective rate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct TenPercentBlock {
    /// Nominal annual.
    pub effective_rate: String,
    /// From when the terms are that were compared, if they are not those in force: those of a year before (ASC 470-50-40-12).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compared_terms: Option<String>,
    pub present_value_before: String,
    /// Without fees.
    pub present_value_after: String,
    pub fees: String,
    #[schema(example = "11.40426")]
    pub change_percent: String,
    /// How the payments end that were compared: `maturity`, `earlier_redemption` or `call`.
    pub ending_before: String,
    pub ending_after: String,
}

impl TenPercentBlock {
    fn of(test: &TenPercent, currency: Currency) -> TenPercentBlock {
        TenPercentBlock {
            effective_rate: rate(test.effective_rate),
            compared_terms: test.compared_terms.map(|date| date.to_string()),
            present_value_before: money(test.before, currency),
            present_value_after: money(test.after, currency),
            fees: money(test.fees, currency),
            change_percent: test.change_percent.to_string(),
            ending_before: test.assumed.0.name().to_owned(),
            ending_after: test.assumed.1.name().to_owned(),
        }
    }
}

/// What a modification came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ModificationBlock {
    /// `modification`: the debt goes on; `extinguishment`: it is recorded anew at fair value.
    pub accounting: String,
    pub because: String,
    pub cash_flow_test: TenPercentBlock,
    /// The change of the conversion option's fair value in percent of the carrying amount.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub option_change_percent: Option<String>,
    pub principal: String,
    pub carrying_amount_before: String,
    pub carrying_amount_after: String,
    pub fees: String,
    pub costs: String,
    /// A gain is positive. Of an extinguishment in gain or loss on it; of a modification under IFRS in interest expense.
    pub gain_loss: String,
    /// From the date on, nominal annual.
    pub effective_rate: String,
}

impl ModificationBlock {
    /// The block of an outcome.
    pub fn of(outcome: &modification::Outcome, currency: Currency) -> ModificationBlock {
        let figure = |amount| money(amount, currency);
        ModificationBlock {
            accounting: outcome.accounting.name().to_owned(),
            because: outcome.because.name().to_owned(),
            cash_flow_test: TenPercentBlock::of(&outcome.test, currency),
            option_change_percent: outcome.option_change_percent.map(|percent| percent.to_string()),
            principal: figure(outcome.principal),
            carrying_amount_before: figure(outcome.carrying_amount_before),
            carrying_amount_after: figure(outcome.carrying_amount_after),
            fees: figure(outcome.fees),
            costs: figure(outcome.costs),
            gain_loss: figure(outcome.gain_loss),
            effective_rate: rate(outcome.effective_rate),
        }
    }
}

/// What an estimate came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EstimateBlock {
    pub expected_date: String,
    pub expected_price_percent: String,
    pub carrying_amount_before: String,
    /// The present value of the payments that are expected now, at the original effective rate.
    pub carrying_amount_after: String,
    /// In interest expense; positive where less is owed.
    pub gain_loss: String,
}

impl EstimateBlock {
    /// The block of an outcome.
    pub fn of(outcome: &estimate::Outcome, currency: Currency) -> EstimateBlock {
        let percent = outcome.expected.price.saturating_mul(Decimal::ONE_HUNDRED).normalize();
        EstimateBlock {
            expected_date: outcome.expected.date.to_string(),
            expected_price_percent: percent.to_string(),
            carrying_amount_before: money(outcome.carrying_amount_before, currency),
            carrying_amount_after: money(outcome.carrying_amount_after, currency),
            gain_loss: money(outcome.gain_loss, currency),
        }
    }
}

/// What a correction of issue costs came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct IssueCostAdjustmentBlock {
    /// From when on the change is amortised.
    pub applied_from: String,
    /// `from_settlement`, or `prospective` where a period is closed or principal has moved since.
    pub applied: String,
    /// Not amortised at that date, positive.
    pub issue_costs_before: String,
    pub issue_costs_after: String,
}

impl IssueCostAdjustmentBlock {
    /// The block of an outcome.
    pub fn of(outcome: &issue_cost_adjustment::Outcome, currency: Currency) -> IssueCostAdjustmentBlock {
        IssueCostAdjustmentBlock {
            applied_from: outcome.applied_from.to_string(),
            applied: if outcome.is_from_settlement { "from_settlement" } else { "prospective" }.to_owned(),
            issue_costs_before: money(outcome.issue_costs_before, currency),
            issue_costs_after: money(outcome.issue_costs_after, currency),
        }
    }
}
