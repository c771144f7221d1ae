//! What is outstanding: an issue's events folded to one row a date, and the components of its carrying amount at any moment.

mod history;

use jiff::civil::Date;

use super::instrument::{Instrument, Moment};
use super::money::Amount;
use super::refusal::Refusal;

pub use history::{CouponChange, DueWithCoupon, History, PaidCoupon};

/// The components of a liability, credit positive. A premium is positive, a discount and issue costs are negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Components {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub interest_payable: Amount,
    /// Interest overpaid to holders, an asset.
    pub interest_receivable: Amount,
    /// Of a convertible issue under IFRS; it is no part of the carrying amount of the debt.
    pub equity_component: Amount,
}

impl Components {
    /// Principal with premium or discount and issue costs.
    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// Component by component.
    pub fn plus(&self, other: &Components) -> Result<Components, Refusal> {
        self.combined(other, Amount::plus)
    }

    /// Component by component.
    pub fn minus(&self, other: &Components) -> Result<Components, Refusal> {
        self.combined(other, Amount::minus)
    }

    fn combined(
        &self,
        other: &Components,
        with: fn(Amount, Amount) -> Result<Amount, Refusal>,
    ) -> Result<Components, Refusal> {
        Ok(Components {
            principal: with(self.principal, other.principal)?,
            premium_discount: with(self.premium_discount, other.premium_discount)?,
            issue_costs: with(self.issue_costs, other.issue_costs)?,
            interest_payable: with(self.interest_payable, other.interest_payable)?,
            interest_receivable: with(self.interest_receivable, other.interest_receivable)?,
            equity_component: with(self.equity_component, other.equity_component)?,
        })
    }
}

/// The debt at a moment, on the effective basis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    pub moment: Moment,
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// Coupons of completed periods and interest left payable at conversions, not paid yet.
    pub interest_due: Amount,
    /// Interest since the last coupon date.
    pub interest_accrued: Amount,
    pub interest_receivable: Amount,
    pub equity_component: Amount,
    /// The part of all these that belongs to bonds surrendered for conversion and not settled; its interest is in `interest_accrued`.
    pub surrendered: Components,
}

impl Position {
    /// Without the bonds that are surrendered: what still bears interest.
    pub fn outstanding(&self) -> Result<Position, Refusal> {
        let surrendered = &self.surrendered;
        Ok(Position {
            principal: self.principal.minus(surrendered.principal)?,
            premium_discount: self.premium_discount.minus(surrendered.premium_discount)?,
            issue_costs: self.issue_costs.minus(surrendered.issue_costs)?,
            interest_accrued: self.interest_accrued.minus(surrendered.interest_payable)?,
            equity_component: self.equity_component.minus(surrendered.equity_component)?,
            surrendered: Components::default(),
            ..*self
        })
    }

    /// Its components, interest due and accrued together as interest payable.
    pub fn components(&self) -> Result<Components, Refusal> {
        Ok(Components {
            principal: self.principal,
            premium_discount: self.premium_discount,
            issue_costs: self.issue_costs,
            interest_payable: self.interest_due.plus(self.interest_accrued)?,
            interest_receivable: self.interest_receivable,
            equity_component: self.equity_component,
        })
    }
}

/// What events left outstanding at close of business on `date`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PositionRow {
    pub date: Date,
    /// Of the bonds that bear interest: those surrendered for conversion do not.
    pub principal: Amount,
    pub interest_due: Amount,
    /// What is paid with the next coupon besides the coupon: interest left payable, and coupons handed over, at conversions.
    pub with_next_coupon: Amount,
    pub interest_receivable: Amount,
    /// All movements other than accruals up to this date, as posted.
    pub moved: Components,
    /// The balances of bonds that were surrendered for conversion and are not settled, each as of its conversion date.
    pub surrendered: Components,
}

/// What an event changes in the rows from its date on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RowChange {
    pub principal: Amount,
    /// What becomes due besides the coupon, and is paid with the next one.
    pub with_next_coupon: Amount,
    pub coupon: Option<CouponChange>,
    pub moved: Components,
    pub surrendered: Components,
}

impl RowChange {
    /// What an event changed in the row of its date, with what it did to a coupon.
    pub fn between(
        before: &PositionRow,
        after: &PositionRow,
        coupon: Option<CouponChange>,
    ) -> Result<RowChange, Refusal> {
        Ok(RowChange {
            principal: after.principal.minus(before.principal)?,
            with_next_coupon: after.with_next_coupon.minus(before.with_next_coupon)?,
            coupon,
            moved: after.moved.minus(&before.moved)?,
            surrendered: after.surrendered.minus(&before.surrendered)?,
        })
    }

    /// The change that takes this one back.
    pub fn inverse(&self) -> Result<RowChange, Refusal> {
        Ok(RowChange {
            principal: self.principal.negated()?,
            with_next_coupon: self.with_next_coupon.negated()?,
            coupon: self.coupon.map(|change| match change {
                CouponChange::Paid(coupon) => CouponChange::TakenBack(coupon),
                CouponChange::TakenBack(coupon) => CouponChange::Paid(coupon),
            }),
            moved: Components::default().minus(&self.moved)?,
            surrendered: Components::default().minus(&self.surrendered)?,
        })
    }
}

impl PositionRow {
    /// Nothing outstanding, before settlement.
    pub fn before(date: Date) -> PositionRow {
        PositionRow {
            date,
            principal: Amount::ZERO,
            interest_due: Amount::ZERO,
            with_next_coupon: Amount::ZERO,
            interest_receivable: Amount::ZERO,
            moved: Components::default(),
            surrendered: Components::default(),
        }
    }

    /// The row at a later date without events between: coupons that fall due until then become due on the principal outstanding
    /// before them, and what was to be paid with the next coupon is no longer waiting.
    pub fn rolled_to(&self, date: Date, instrument: &Instrument) -> Result<PositionRow, Refusal> {
        let mut row = PositionRow { date, ..*self };
        for coupon_date in instrument.dates().coupon_dates_between(self.date, date) {
            row.interest_due = row.interest_due.plus(instrument.coupon(self.principal, *coupon_date)?)?;
            row.with_next_coupon = Amount::ZERO;
        }
        Ok(row)
    }

    /// The row with an event's change in all but interest due and receivable, which are kept by coupon.
    fn changed(&self, change: &RowChange) -> Result<PositionRow, Refusal> {
        Ok(PositionRow {
            principal: self.principal.plus(change.principal)?,
            with_next_coupon: self.with_next_coupon.plus(change.with_next_coupon)?,
            moved: self.moved.plus(&change.moved)?,
            surrendered: self.surrendered.plus(&change.surrendered)?,
            ..*self
        })
    }

    /// The debt at a moment at or after this row's date, with no later row in between: balances of what bears interest, and those of
    /// surrendered bonds as they were.
    pub fn position(&self, moment: Moment, instrument: &Instrument) -> Result<Position, Refusal> {
        let row = self.rolled_to(moment.date, instrument)?;
        let premium_discount = instrument.premium_discount(row.principal, moment)?;
        let issue_costs = instrument.issue_costs(row.principal, moment)?;
        let surrendered = row.surrendered;
        Ok(Position {
            moment,
            principal: row.principal.plus(surrendered.principal)?,
            premium_discount: premium_discount.plus(surrendered.premium_discount)?,
            issue_costs: issue_costs.plus(surrendered.issue_costs)?,
            interest_due: row.interest_due,
            interest_accrued: instrument.accrued(row.principal, moment)?.plus(surrendered.interest_payable)?,
            interest_receivable: row.interest_receivable,
            equity_component: instrument.equity_component(row.principal)?.plus(surrendered.equity_component)?,
            surrendered,
        })
    }
}
