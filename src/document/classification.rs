//! Current or non-current: what a reclassification carries, and what it and the classification are answered with.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion::DailyPriceDocument;
use super::wire::{DateString, DecimalString};
use super::{amount, money};
use crate::accounting::classification::{Classification, Parts, Reason, Refinanced, RefinancingBasis, Verdict};
use crate::accounting::position::Components;
use crate::accounting::transaction::DailyPrice;
use crate::accounting::transaction::reclassification::{Outcome, Reclassification, SalePrice};
use crate::accounting::{Currency, Refusal};

/// Move what is current at a balance-sheet date to the current portion, and back when the next fiscal period begins.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReclassificationRequest {
    /// The last day of a fiscal period.
    #[schema(example = "2026-12-31")]
    pub balance_sheet_date: DateString,
    /// Needed where a conversion pays the principal in cash and nothing else makes the debt current.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sale_price_condition: Option<SalePriceFactDocument>,
    /// Holders can demand repayment at the date, or within a year of it: a covenant is breached and not waived, or a condition of a put has
    /// come about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repayable_on_demand: Option<DemandDocument>,
    /// What falls due is refinanced on a long-term basis, and so is not current.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refinanced: Option<RefinancedDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// Whether holders may convert in the quarter after the date. Give `met` (true too where they may convert for another reason of the terms),
/// or the prices that the condition of the terms looks at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SalePriceFactDocument {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub met: Option<bool>,
    /// Of each of the last trading days, as many as the condition says, of the calendar quarter that ended last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub daily_prices: Option<Vec<DailyPriceDocument>>,
}

/// Why holders can demand repayment.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DemandDocument {
    pub reason: String,
}

/// On what a refinancing rests.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RefinancingBasisName {
    /// Done or agreed after the date and before the statements are issued, and intended (ASC 470-10-45-14). Not under IFRS (IAS 1.72, 76).
    AfterBalanceSheetDate,
    /// A right that existed at the date, to defer repayment for at least twelve months under an existing facility (IAS 1.73).
    RightAtBalanceSheetDate,
}

/// A refinancing on a long-term basis.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RefinancedDocument {
    pub basis: RefinancingBasisName,
    /// By what it is shown; kept with the event.
    #[schema(example = "Facility agreement of 2026-11-20, available until 2029")]
    pub reason: String,
    /// How much of the principal; all of it if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub principal: Option<DecimalString>,
}

impl ReclassificationRequest {
    /// The core's command, in an issue's currency.
    ///
    /// # Errors
    /// A [`Refusal`] for a fact without its reason, or stated twice.
    pub fn command(&self, currency: Currency) -> Result<Reclassification, Refusal> {
        let stated = |field, reason: &String| match reason.trim().is_empty() {
            true => Err(Refusal::missing(field, "the classification rests on it; say in a sentence what it is")),
            false => Ok(reason.clone()),
        };
        let demand = self.repayable_on_demand.as_ref();
        let refinanced = |fact: &RefinancedDocument| {
            Ok::<_, Refusal>(Refinanced {
                basis: match fact.basis {
                    RefinancingBasisName::AfterBalanceSheetDate => RefinancingBasis::AfterBalanceSheetDate,
                    RefinancingBasisName::RightAtBalanceSheetDate => RefinancingBasis::RightAtBalanceSheetDate,
                },
                reason: stated("refinanced/reason", &fact.reason)?,
                principal: fact.principal.map(|part| amount("refinanced/principal", part, currency)).transpose()?,
            })
        };
        Ok(Reclassification {
            balance_sheet_date: self.balance_sheet_date.0,
            sale_price: self.sale_price_condition.as_ref().map(SalePriceFactDocument::fact).transpose()?,
            repayable_on_demand: demand
                .map(|demand| stated("repayable_on_demand/reason", &demand.reason))
                .transpose()?,
            refinanced: self.refinanced.as_ref().map(refinanced).transpose()?,
        })
    }
}

impl SalePriceFactDocument {
    fn fact(&self) -> Result<SalePrice, Refusal> {
        match (self.met, &self.daily_prices) {
            (Some(met), None) => Ok(SalePrice::Stated(met)),
            (None, Some(prices)) => {
                let price = |day: &DailyPriceDocument| DailyPrice { date: day.date.0, price: day.price.0 };
                Ok(SalePrice::Prices(prices.iter().map(price).collect()))
            }
            _ => Err(Refusal::contradiction("sale_price_condition", "give met or daily_prices, and not both")),
        }
    }
}

/// A part of the debt. Interest has an account of its own and is in no part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DebtDocument {
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
}

impl DebtDocument {
    /// The document of a part.
    pub fn of(part: &Components, currency: Currency) -> Result<DebtDocument, Refusal> {
        Ok(DebtDocument {
            principal: money(part.principal, currency),
            premium_discount: money(part.premium_discount, currency),
            issue_costs: money(part.issue_costs, currency),
            carrying_amount: money(part.carrying_amount()?, currency),
        })
    }
}

/// One reason for a classification.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ReasonDocument {
    #[schema(example = "matures_within_one_year")]
    pub reason: String,
    pub detail: String,
    #[schema(example = "ASC 210-10-45-9")]
    pub paragraph: String,
}

impl From<&Reason> for ReasonDocument {
    fn from(reason: &Reason) -> ReasonDocument {
        ReasonDocument {
            reason: reason.code.to_owned(),
            detail: reason.detail.clone(),
            paragraph: reason.paragraph.to_owned(),
        }
    }
}

/// What a reclassification found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ReclassificationBlock {
    pub balance_sheet_date: String,
    /// `current`, `non_current`, or `partly_current` where a part of the principal is refinanced.
    pub classification: String,
    pub current: DebtDocument,
    pub non_current: DebtDocument,
    pub reasons: Vec<ReasonDocument>,
    /// The last day of the year after the date.
    pub current_within: String,
    /// The first day of the next fiscal period; absent where nothing is current.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moves_back_on: Option<String>,
    /// On how many of the days the price was what the condition asks for; absent where it was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days_met: Option<usize>,
}

impl ReclassificationBlock {
    /// The block of an outcome.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn of(outcome: &Outcome, currency: Currency) -> Result<ReclassificationBlock, Refusal> {
        let Outcome { balance_sheet_date, classification, parts, moves_back_on, days_met } = outcome;
        Ok(ReclassificationBlock {
            balance_sheet_date: balance_sheet_date.to_string(),
            classification: classification.verdict.name().to_owned(),
            current: DebtDocument::of(&parts.current, currency)?,
            non_current: DebtDocument::of(&parts.non_current, currency)?,
            reasons: classification.reasons.iter().map(ReasonDocument::from).collect(),
            current_within: classification.within.to_string(),
            moves_back_on: classification.current_principal.is_positive().then(|| moves_back_on.to_string()),
            days_met: *days_met,
        })
    }
}

/// What of an issue is current at a date by its terms alone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ClassificationDocument {
    pub bond_issue: String,
    pub reference: String,
    pub currency: String,
    pub as_of: String,
    pub known_at: String,
    /// `current`, `non_current`, or `not_determined` where it depends on whether holders may convert.
    pub classification: String,
    /// Null where it is not determined.
    pub current: Option<DebtDocument>,
    /// Null where it is not determined.
    pub non_current: Option<DebtDocument>,
    pub reasons: Vec<ReasonDocument>,
    /// The last day of the year after the date.
    pub current_within: String,
    /// What was recorded for the date, with the facts that were stated then; null if nothing was.
    pub reclassification: Option<ReclassifiedDocument>,
    pub caution: String,
}

/// A reclassification that is recorded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReclassifiedDocument {
    pub event: String,
    #[serde(flatten)]
    pub recorded: ReclassificationBlock,
    /// The carrying amount at the date as it is known now, less that when this was recorded. If it is not zero, something was recorded
    /// since that was effective by the date: reverse this and record it again.
    pub difference: String,
}

impl ClassificationDocument {
    /// The parts of a classification; none where it is not determined.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn parts(
        classification: &Classification,
        parts: &Parts,
        currency: Currency,
    ) -> Result<(Option<DebtDocument>, Option<DebtDocument>), Refusal> {
        if classification.verdict == Verdict::NotDetermined {
            return Ok((None, None));
        }
        let document = |part| DebtDocument::of(part, currency).map(Some);
        Ok((document(&parts.current)?, document(&parts.non_current)?))
    }

    /// The reasons of a classification.
    pub fn reasons(classification: &Classification) -> Vec<ReasonDocument> {
        classification.reasons.iter().map(ReasonDocument::from).collect()
    }
}

impl ReclassificationBlock {
    /// The carrying amount of both parts when it was recorded.
    pub fn carrying_amount(&self) -> Option<Decimal> {
        let figure = |part: &DebtDocument| part.carrying_amount.parse::<Decimal>().ok();
        figure(&self.current)?.checked_add(figure(&self.non_current)?)
    }
}
