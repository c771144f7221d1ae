//! What the debt stands at, and how that ties to what is booked.

use serde::Serialize;
use utoipa::ToSchema;

use super::answer::PositionDocument;
use super::money;
use crate::accounting::Currency;
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;

/// The components of an issue's carrying amount with its interest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ComponentsDocument {
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    pub interest_payable: String,
    pub interest_receivable: String,
    /// Of a convertible issue under IFRS; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<String>,
}

impl ComponentsDocument {
    /// The document of components.
    pub fn of(components: &Components, currency: Currency) -> Result<ComponentsDocument, Refusal> {
        Ok(ComponentsDocument {
            principal: money(components.principal, currency),
            premium_discount: money(components.premium_discount, currency),
            issue_costs: money(components.issue_costs, currency),
            carrying_amount: money(components.carrying_amount()?, currency),
            interest_payable: money(components.interest_payable, currency),
            interest_receivable: money(components.interest_receivable, currency),
            equity_component: super::unless_zero(components.equity_component, currency),
        })
    }
}

/// An event that is effective by the date but posted after it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReconcilingItem {
    pub event: String,
    pub effective_date: String,
    pub posting_date: String,
    pub amounts: ComponentsDocument,
}

/// The carrying value of an issue.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct CarryingValueDocument {
    pub bond_issue: String,
    pub reference: String,
    pub currency: String,
    #[serde(flatten)]
    pub position: PositionDocument,
    /// The recorded time up to which things were known.
    pub known_at: String,
    /// `effective` or `posted`.
    pub basis: String,
    /// The date that postings up to `as_of` accrue the issue through; null before the issue was booked.
    pub accrued_through: Option<String>,
    pub booked: ComponentsDocument,
    pub unaccrued: ComponentsDocument,
    pub reconciling_items: Vec<ReconcilingItem>,
    /// Booked + unaccrued + reconciling items - position on the effective basis: zero in every component, or it is a break.
    pub unexplained: ComponentsDocument,
    /// `tied` or `break`.
    pub status: String,
    /// Present and true when `as_of` lies after `known_at`.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub projected: bool,
    /// Present and true when a coupon, or principal after maturity, is due and not recorded as paid.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub overdue: bool,
}
