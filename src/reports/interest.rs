//! What interest of a period is made of, by what was posted in it.

use crate::accounting::journal::{MovementKind, REVERSAL_OF};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reports::rollforward::Sums;

/// Interest expense of a period in its parts (ASC 835-30-45-3, 470-20-50-1D), and what offers to convert cost; expense positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Interest {
    /// At the coupon rate.
    pub contractual: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// What is interest expense without being accrued: differences and costs of a modification, payments estimated anew.
    pub other: Amount,
    /// Debt conversion expense; under IFRS the loss on amended conversion terms. No interest.
    pub inducement_expense: Amount,
}

impl Interest {
    /// Of an issue's movements. What was taken back of one counts against it.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn of(movements: &[(String, Sums)]) -> Result<Interest, Refusal> {
        let mut interest = Interest::default();
        for (name, sums) in movements {
            let kind = MovementKind::from_name(name.strip_prefix(REVERSAL_OF).unwrap_or(name));
            if kind == Some(MovementKind::InducedConversion) {
                interest.inducement_expense = interest.inducement_expense.plus(sums.expense)?;
                continue;
            }
            let mut rest = sums.expense.minus(sums.coupon_interest)?;
            interest.contractual = interest.contractual.plus(sums.coupon_interest)?;
            if matches!(kind, Some(MovementKind::Accrual | MovementKind::PriorPeriodCatchUp)) {
                interest.premium_discount = interest.premium_discount.plus(sums.premium_discount)?;
                interest.issue_costs = interest.issue_costs.plus(sums.issue_costs)?;
                rest = rest.minus(sums.premium_discount)?.minus(sums.issue_costs)?;
            }
            interest.other = interest.other.plus(rest)?;
        }
        Ok(interest)
    }

    /// All interest expense.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn expense(&self) -> Result<Amount, Refusal> {
        Amount::total([self.contractual, self.premium_discount, self.issue_costs, self.other])
    }

    /// The same of two issues.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn plus(&self, other: &Interest) -> Result<Interest, Refusal> {
        Ok(Interest {
            contractual: self.contractual.plus(other.contractual)?,
            premium_discount: self.premium_discount.plus(other.premium_discount)?,
            issue_costs: self.issue_costs.plus(other.issue_costs)?,
            other: self.other.plus(other.other)?,
            inducement_expense: self.inducement_expense.plus(other.inducement_expense)?,
        })
    }
}
