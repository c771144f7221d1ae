//! Opening balances: what they carry and what they are answered with.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::wire::{DateString, DecimalString};
use super::{amount, money};
use crate::accounting::instrument::Opening;
use crate::accounting::money::Amount;
use crate::accounting::transaction::opening_balance::Outcome;
use crate::accounting::{Currency, Refusal};

/// An issue as it stood at the close of a day, when its books are taken over in mid-life. Signed as in a position: a premium is
/// positive, a discount and issue costs are negative.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OpeningBalanceDocument {
    pub date: DateString,
    /// Outstanding.
    #[schema(example = "38000000.00")]
    pub principal: DecimalString,
    #[schema(example = "-412500.00")]
    pub premium_discount: DecimalString,
    #[schema(example = "-90000.00")]
    pub issue_costs: DecimalString,
    /// Interest due and accrued.
    #[schema(example = "269166.67")]
    pub interest_payable: DecimalString,
    /// Coupons of completed periods that are not paid yet; "0" if absent. They are paid as the last coupon that was due.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interest_due: Option<DecimalString>,
    /// Of a convertible issue under IFRS, net of its issue costs; "0" if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<DecimalString>,
}

impl OpeningBalanceDocument {
    /// The opening of an issue in a currency.
    ///
    /// # Errors
    /// A [`Refusal`] for an amount that cannot be.
    pub fn opening(&self, currency: Currency) -> Result<Opening, Refusal> {
        let amount = |field, figure| amount(field, figure, currency);
        Ok(Opening {
            date: self.date.0,
            principal: amount("opening_balance/principal", self.principal)?,
            premium_discount: amount("opening_balance/premium_discount", self.premium_discount)?,
            issue_costs: amount("opening_balance/issue_costs", self.issue_costs)?,
            interest_payable: amount("opening_balance/interest_payable", self.interest_payable)?,
            interest_due: self
                .interest_due
                .map_or(Ok(Amount::ZERO), |due| amount("opening_balance/interest_due", due))?,
            equity_component: self
                .equity_component
                .map_or(Ok(Amount::ZERO), |equity| amount("opening_balance/equity_component", equity))?,
        })
    }
}

/// Interest since the last coupon date when the books were taken over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OpeningInterestBlock {
    pub computed: String,
    /// Interest payable less interest due.
    pub taken_over: String,
    /// Computed less taken over; the first accrual posts it.
    pub difference: String,
}

impl OpeningInterestBlock {
    /// The block of an outcome.
    pub fn of(outcome: &Outcome, currency: Currency) -> Result<OpeningInterestBlock, Refusal> {
        Ok(OpeningInterestBlock {
            computed: money(outcome.interest_computed, currency),
            taken_over: money(outcome.interest_taken_over, currency),
            difference: money(outcome.interest_computed.minus(outcome.interest_taken_over)?, currency),
        })
    }
}
