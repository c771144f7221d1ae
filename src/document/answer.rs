//! What a recording request is answered with.

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    BatchDocument, EstimateBlock, ExtinguishmentBlock, IssueCostAdjustmentBlock, ModificationBlock,
    OpeningInterestBlock, RateAdjustmentBlock, ReclassificationBlock, ReversalBlock, SurrenderBlock,
    SurrenderedDocument, money,
};
use crate::accounting::Currency;
use crate::accounting::position::Position;
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::{conversion, coupon_payment, inducement, issuance};

/// A recorded event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EventDocument {
    /// Null in a preview.
    pub id: Option<String>,
    #[schema(example = "conversion")]
    pub kind: String,
    /// Of the command, gap-free in the entity; null in a preview.
    pub sequence: Option<i64>,
    pub effective_date: String,
    pub recorded_at: Option<String>,
    pub request_id: Option<String>,
    pub bond_issue: Option<String>,
}

/// The debt of an issue at a day boundary. A premium is positive, a discount and issue costs are negative.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PositionDocument {
    pub as_of: String,
    /// The day boundary to which interest and amortization run.
    pub boundary: String,
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    pub interest_due: String,
    pub interest_accrued: String,
    /// Interest due and accrued together.
    pub interest_payable: String,
    /// Interest overpaid to holders; an asset.
    pub interest_receivable: String,
    /// Of a convertible issue under IFRS, and no part of the carrying amount; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<String>,
    /// What of all these belongs to bonds that are surrendered for conversion and not settled; absent where there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub surrendered: Option<SurrenderedDocument>,
}

impl PositionDocument {
    /// The document of a position.
    pub fn of(position: &Position, currency: Currency) -> Result<PositionDocument, Refusal> {
        let components = position.components()?;
        Ok(PositionDocument {
            as_of: position.moment.date.to_string(),
            boundary: position.moment.boundary.to_string(),
            principal: money(position.principal, currency),
            premium_discount: money(position.premium_discount, currency),
            issue_costs: money(position.issue_costs, currency),
            carrying_amount: money(components.carrying_amount()?, currency),
            interest_due: money(position.interest_due, currency),
            interest_accrued: money(position.interest_accrued, currency),
            interest_payable: money(components.interest_payable, currency),
            interest_receivable: money(position.interest_receivable, currency),
            equity_component: super::unless_zero(position.equity_component, currency),
            surrendered: SurrenderedDocument::of(&position.surrendered, currency)?,
        })
    }
}

/// What a recording request did. Blocks of other kinds than the request's are absent.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct RecordingAnswer {
    /// Absent when there was nothing to record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub event: Option<EventDocument>,
    /// At the event's boundary, before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position_before: Option<PositionDocument>,
    /// At the event's boundary, after it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position_after: Option<PositionDocument>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accrued_through: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issuance: Option<IssuanceBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opening_interest: Option<OpeningInterestBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coupon_payment: Option<CouponPaymentBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conversion: Option<ConversionBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub surrender: Option<SurrenderBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inducement: Option<InducementBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repurchase: Option<ExtinguishmentBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub redemption: Option<ExtinguishmentBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_adjustment: Option<RateAdjustmentBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reclassification: Option<ReclassificationBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reversal: Option<ReversalBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub modification: Option<ModificationBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub estimate: Option<EstimateBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issue_cost_adjustment: Option<IssueCostAdjustmentBlock>,
    /// One posting date each, in order.
    pub journal_batches: Vec<BatchDocument>,
    /// In a preview: send it as `If-Preview-Match` to post only what was previewed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// What an issuance found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct IssuanceBlock {
    /// Interest accrued from the dated date to settlement, computed.
    pub accrued_interest_computed: String,
    pub accrued_interest_received: String,
    /// Computed less received; the first accrual posts it.
    pub accrued_interest_difference: String,
    /// The premium that is paid-in capital; absent where none is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub paid_in_capital: Option<String>,
}

impl IssuanceBlock {
    /// The block of an outcome.
    pub fn of(outcome: &issuance::Outcome, currency: Currency) -> Result<IssuanceBlock, Refusal> {
        let difference = outcome.accrued_interest_computed.minus(outcome.accrued_interest_received)?;
        Ok(IssuanceBlock {
            accrued_interest_computed: money(outcome.accrued_interest_computed, currency),
            accrued_interest_received: money(outcome.accrued_interest_received, currency),
            accrued_interest_difference: money(difference, currency),
            paid_in_capital: super::unless_zero(outcome.paid_in_capital, currency),
        })
    }
}

/// What was paid.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct CouponPaymentBlock {
    pub coupon_date: String,
    pub paid_on: String,
    /// The principal outstanding immediately before the coupon date.
    pub principal: String,
    pub coupon: String,
    /// Interest left payable at conversions, and coupons handed over after the record date.
    pub left_payable: String,
    pub amount: String,
}

impl CouponPaymentBlock {
    /// The block of an outcome.
    pub fn of(outcome: &coupon_payment::Outcome, currency: Currency) -> CouponPaymentBlock {
        CouponPaymentBlock {
            coupon_date: outcome.coupon_date.to_string(),
            paid_on: outcome.paid_on.to_string(),
            principal: money(outcome.principal, currency),
            coupon: money(outcome.coupon, currency),
            left_payable: money(outcome.with_coupon, currency),
            amount: money(outcome.amount, currency),
        }
    }
}

/// What a conversion moved. Paid-in capital is the balance, of either sign.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ConversionBlock {
    pub principal: String,
    /// Whole shares.
    pub shares_issued: String,
    pub cash_in_lieu: String,
    pub cash: String,
    pub carrying_amount: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub accrued_interest: String,
    /// By holders who convert after the record date.
    pub coupon_handed_over: String,
    pub common_stock: String,
    /// The cost of treasury shares given.
    pub treasury_stock: String,
    pub additional_paid_in_capital: String,
    pub gain_loss: String,
    /// For one denomination, of a make-whole event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub additional_shares_per_denomination: Option<String>,
    /// When the bonds were surrendered, if before they were settled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conversion_date: Option<String>,
}

impl ConversionBlock {
    /// The block of an outcome.
    pub fn of(outcome: &conversion::Outcome, currency: Currency) -> ConversionBlock {
        ConversionBlock {
            principal: money(outcome.principal, currency),
            shares_issued: outcome.shares_issued.to_string(),
            cash_in_lieu: money(outcome.cash_in_lieu, currency),
            cash: money(outcome.cash, currency),
            carrying_amount: money(outcome.carrying_amount, currency),
            premium_discount: money(outcome.premium_discount, currency),
            issue_costs: money(outcome.issue_costs, currency),
            accrued_interest: money(outcome.accrued_interest, currency),
            coupon_handed_over: money(outcome.coupon_handed_over, currency),
            common_stock: money(outcome.common_stock, currency),
            treasury_stock: money(outcome.treasury_stock, currency),
            additional_paid_in_capital: money(outcome.additional_paid_in_capital, currency),
            gain_loss: money(outcome.gain_loss, currency),
            additional_shares_per_denomination: outcome.additional_shares.map(|shares| shares.normalize().to_string()),
            conversion_date: None,
        }
    }

    /// The block of bonds that were surrendered before.
    #[must_use]
    pub fn surrendered_on(self, conversion_date: Date) -> ConversionBlock {
        ConversionBlock { conversion_date: Some(conversion_date.to_string()), ..self }
    }
}

/// What an accepted offer came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct InducementBlock {
    /// What is expensed; of an extinguishment what would have been, and is not.
    pub expense: String,
    /// Of all consideration, at the acceptance share price; null without one.
    pub fair_value_transferred: Option<String>,
    pub fair_value_existing_terms: Option<String>,
    /// `induced_conversion` or `extinguishment`; under IFRS `amended_terms`.
    pub accounting: String,
    /// The criteria that the offer fails, and so why it is an extinguishment.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unmet_criteria: Vec<String>,
    /// Absent unless the terms are compared with earlier ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compared_terms: Option<ComparedTermsDocument>,
    /// The gain or loss of the exchange as an extinguishment, whichever it is accounted for as; absent without a share price on its
    /// date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub extinguishment_gain_loss: Option<String>,
}

/// The earlier terms that an offer must not fall short of, restated for what the terms adjusted since.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ComparedTermsDocument {
    pub terms_as_of: String,
    pub shares_per_denomination: String,
    pub offered_shares_per_denomination: String,
}

impl InducementBlock {
    /// The block of an outcome.
    pub fn of(outcome: &inducement::Outcome, currency: Currency) -> InducementBlock {
        let assessment = &outcome.assessment;
        InducementBlock {
            unmet_criteria: assessment.unmet.iter().map(|unmet| unmet.name().to_owned()).collect(),
            compared_terms: assessment.compared.map(|compared| ComparedTermsDocument {
                terms_as_of: compared.terms_as_of.to_string(),
                shares_per_denomination: compared.shares_per_denomination.normalize().to_string(),
                offered_shares_per_denomination: compared.offered.normalize().to_string(),
            }),
            extinguishment_gain_loss: outcome.extinguishment_gain_loss.map(|amount| money(amount, currency)),
            expense: money(assessment.expense, currency),
            fair_value_transferred: assessment.fair_value_transferred.map(|value| money(value, currency)),
            fair_value_existing_terms: assessment.fair_value_existing_terms.map(|value| money(value, currency)),
            accounting: match assessment.accounting {
                inducement::Accounting::InducedConversion => "induced_conversion",
                inducement::Accounting::Extinguishment => "extinguishment",
                inducement::Accounting::AmendedTerms => "amended_terms",
            }
            .to_owned(),
        }
    }
}

/// What an accrual of all issues of an entity did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EntityAccrualAnswer {
    pub accrued_through: String,
    /// Without their entries, which may be many.
    pub journal_batches: Vec<super::BatchHeadDocument>,
    /// Issues for which there was nothing to post.
    pub skipped: Vec<SkippedIssue>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// What conversions that were recorded together did: an event each, in the order of the list, and the batches that they share.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ConversionNoticesAnswer {
    pub bond_issue: String,
    pub items: Vec<ConversionNoticeItem>,
    /// One posting date each, in order; an entry names its event.
    pub journal_batches: Vec<BatchDocument>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// What one of them did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ConversionNoticeItem {
    pub event: EventDocument,
    /// At the event's boundary, before it and after those that come before it in the list.
    pub position_before: Option<PositionDocument>,
    pub position_after: Option<PositionDocument>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conversion: Option<ConversionBlock>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub surrender: Option<SurrenderBlock>,
}

/// What a recording request on a series did: an event on each of its issues that take part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SeriesAnswer {
    pub series: String,
    pub items: Vec<SeriesItem>,
    /// Issues of the series that take no part.
    pub skipped: Vec<SkippedIssue>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// What it did to one issue.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SeriesItem {
    pub bond_issue: String,
    #[serde(flatten)]
    pub recording: RecordingAnswer,
}

/// An issue for which there was nothing to post.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SkippedIssue {
    pub bond_issue: String,
    pub reason: String,
}
