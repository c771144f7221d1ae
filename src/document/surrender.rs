//! Bonds that are surrendered for conversion and not settled.

use serde::Serialize;
use utoipa::ToSchema;

use super::{money, unless_zero};
use crate::accounting::Currency;
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::surrender;

/// Balances of surrendered bonds, as they were on their conversion dates: debt until the bonds are settled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SurrenderedDocument {
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    /// Accrued to the conversion date and forfeited: it is credited to capital when the bonds are settled. A part of `interest_accrued`.
    pub interest: String,
    /// Of a convertible issue under IFRS; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<String>,
}

impl SurrenderedDocument {
    /// The document of balances; none if nothing is surrendered.
    pub fn of(kept: &Components, currency: Currency) -> Result<Option<SurrenderedDocument>, Refusal> {
        if *kept == Components::default() {
            return Ok(None);
        }
        Ok(Some(SurrenderedDocument {
            principal: money(kept.principal, currency),
            premium_discount: money(kept.premium_discount, currency),
            issue_costs: money(kept.issue_costs, currency),
            carrying_amount: money(kept.carrying_amount()?, currency),
            interest: money(kept.interest_payable, currency),
            equity_component: unless_zero(kept.equity_component, currency),
        }))
    }
}

/// What was surrendered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SurrenderBlock {
    pub conversion_date: String,
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    /// Accrued on the bonds since the last coupon date, whatever becomes of it.
    pub accrued_interest: String,
    /// By holders who convert after the record date.
    pub coupon_handed_over: String,
}

impl SurrenderBlock {
    /// The block of an outcome.
    pub fn of(outcome: &surrender::Outcome, currency: Currency) -> Result<SurrenderBlock, Refusal> {
        let kept = &outcome.kept;
        Ok(SurrenderBlock {
            conversion_date: outcome.conversion_date.to_string(),
            principal: money(kept.principal, currency),
            premium_discount: money(kept.premium_discount, currency),
            issue_costs: money(kept.issue_costs, currency),
            carrying_amount: money(kept.carrying_amount()?, currency),
            accrued_interest: money(outcome.accrued_interest, currency),
            coupon_handed_over: money(outcome.coupon_handed_over, currency),
        })
    }
}
