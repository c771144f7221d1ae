//! What the commands on an issue carry.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion::{FractionalSharesName, SettlementDocument};
use super::wire::{DateString, DecimalString};
use crate::accounting::transaction::criteria::{Criteria, Standard};
use crate::accounting::transaction::inducement::{Completion, Offer, OtherConsideration};
use crate::accounting::{Currency, Refusal};

/// Accrue interest and amortization through a date.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AccrualRequest {
    /// The last day that is accrued.
    pub through: DateString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// Pay a coupon.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CouponPaymentRequest {
    pub coupon_date: DateString,
    /// When it was paid; the coupon date if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub paid_on: Option<DateString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// The answers to the criteria of ASC 470-20-40-13 as amended by ASU 2024-04.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CriteriaDocument {
    /// Which text of the paragraph the entity applies.
    #[serde(default)]
    pub standard: CriteriaStandardName,
    /// The changed privileges are exercisable only for a limited time.
    pub limited_time: bool,
    /// The offer preserves the form and at least the amount of what the existing privileges give.
    pub preserves_form_and_amount: bool,
    /// The conversion feature was substantive when the bonds were issued.
    pub substantive_at_issuance: bool,
    /// It was substantive when the offer was accepted.
    pub substantive_at_acceptance: bool,
    /// The shares for one denomination as the terms stood one year before acceptance, if the bonds were exchanged or modified since in
    /// a way that is not on record here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares_per_denomination_one_year_before: Option<DecimalString>,
}

/// Which text of ASC 470-20-40-13 applies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum CriteriaStandardName {
    /// As amended by ASU 2024-04.
    #[default]
    #[serde(rename = "asu_2024_04")]
    Asu202404,
    /// Before the entity adopted it: all shares of the original terms are issued, and the substantive feature is no criterion.
    #[serde(rename = "before_asu_2024_04")]
    BeforeAsu202404,
}

impl From<CriteriaDocument> for Criteria {
    fn from(answers: CriteriaDocument) -> Criteria {
        Criteria {
            standard: match answers.standard {
                CriteriaStandardName::Asu202404 => Standard::Asu202404,
                CriteriaStandardName::BeforeAsu202404 => Standard::BeforeAsu202404,
            },
            shares_one_year_before: answers.shares_per_denomination_one_year_before.map(|shares| shares.0),
            limited_time: answers.limited_time,
            preserves_form_and_amount: answers.preserves_form_and_amount,
            substantive_at_issuance: answers.substantive_at_issuance,
            substantive_at_acceptance: answers.substantive_at_acceptance,
        }
    }
}

/// Something given besides shares and cash.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OtherConsiderationDocument {
    pub description: String,
    pub fair_value: DecimalString,
}

/// Record an inducement: acceptance and conversion together, the acceptance alone (without `effective_date`), or the conversion
/// of an acceptance recorded before (with `acceptance`, its event's id).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InducementRequest {
    /// The event id of an acceptance that is settled now; then only `effective_date`, `share_price`, `settlement` and
    /// `fractional_shares` are given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acceptance: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acceptance_date: Option<DateString>,
    /// Under IFRS, of an issue with an equity component: the date on which the terms were amended, instead of `acceptance_date` and
    /// `criteria` (IAS 32.AG35). `acceptance_share_price` is the price on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amendment_date: Option<DateString>,
    /// When the bonds convert.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_date: Option<DateString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub principal: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acceptance_share_price: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share_price: Option<DecimalString>,
    /// All shares for one denomination under the offer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub new_shares_per_denomination: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cash: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_consideration: Option<OtherConsiderationDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub criteria: Option<CriteriaDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settlement: Option<SettlementDocument>,
    #[serde(default)]
    pub fractional_shares: FractionalSharesName,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl InducementRequest {
    /// The accepted offer.
    ///
    /// # Errors
    /// A [`Refusal`] that names what is missing or cannot be.
    pub fn offer(&self, currency: Currency) -> Result<Offer, Refusal> {
        let because = "an accepted offer needs it";
        let (acceptance_date, criteria) = self.measured()?;
        let principal = self.principal.ok_or_else(|| Refusal::missing("principal", because))?;
        let amount = |field, figure| super::amount(field, figure, currency);
        let other_consideration = match &self.other_consideration {
            Some(other) => Some(OtherConsideration {
                description: other.description.clone(),
                fair_value: amount("other_consideration/fair_value", other.fair_value)?,
            }),
            None => None,
        };
        Ok(Offer {
            acceptance_date,
            principal: amount("principal", principal)?,
            acceptance_share_price: self.acceptance_share_price.map(|price| price.0),
            new_shares_per_denomination: self.new_shares_per_denomination.map(|shares| shares.0),
            cash: self.cash.map(|cash| amount("cash", cash)).transpose()?,
            other_consideration,
            criteria,
        })
    }

    /// On which date the offer is measured, and under US GAAP by which criteria.
    fn measured(&self) -> Result<(Date, Option<Criteria>), Refusal> {
        match (self.acceptance_date, self.amendment_date, self.criteria) {
            (Some(date), None, Some(criteria)) => Ok((date.0, Some(criteria.into()))),
            (None, Some(date), None) => Ok((date.0, None)),
            (Some(_), Some(_), _) => Err(Refusal::contradiction(
                "amendment_date",
                "give acceptance_date under US GAAP, or amendment_date under IFRS, not both",
            )),
            (None, Some(_), Some(_)) => Err(Refusal::contradiction(
                "criteria",
                "under IFRS the amendment of the terms is measured, without criteria (IAS 32.AG35); leave them out",
            )),
            (Some(_), None, None) => Err(Refusal::missing(
                "criteria",
                "whether this is an induced conversion or an extinguishment depends on them (ASC 470-20-40-13)",
            )),
            (None, None, _) => {
                Err(Refusal::missing("acceptance_date", "an accepted offer needs it; under IFRS give amendment_date"))
            }
        }
    }

    /// The conversion, if it is recorded with this request.
    ///
    /// # Errors
    /// A [`Refusal`] for a settlement that cannot be.
    pub fn completion(&self, currency: Currency) -> Result<Option<Completion>, Refusal> {
        let Some(effective_date) = self.effective_date else { return Ok(None) };
        Ok(Some(Completion {
            effective_date: effective_date.0,
            share_price: self.share_price.map(|price| price.0),
            settlement: self.settlement.as_ref().map(|settlement| settlement.settlement(currency)).transpose()?,
            fractional_shares: self.fractional_shares.into(),
        }))
    }
}
