//! What is outstanding: an issue's events folded to one row a date, and the components of its carrying amount at any moment.

use jiff::civil::Date;

use super::instrument::{Instrument, Moment};
use super::money::Amount;
use super::refusal::Refusal;

/// The components of a liability, credit positive. A premium is positive, a discount and issue costs are negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Components {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub interest_payable: Amount,
    /// Interest overpaid to holders, an asset.
    pub interest_receivable: Amount,
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
}

impl Position {
    /// Its components, interest due and accrued together as interest payable.
    pub fn components(&self) -> Result<Components, Refusal> {
        Ok(Components {
            principal: self.principal,
            premium_discount: self.premium_discount,
            issue_costs: self.issue_costs,
            interest_payable: self.interest_due.plus(self.interest_accrued)?,
            interest_receivable: self.interest_receivable,
        })
    }
}

/// What events left outstanding at close of business on `date`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PositionRow {
    pub date: Date,
    pub principal: Amount,
    pub interest_due: Amount,
    /// What is paid with the next coupon besides the coupon: interest left payable, and coupons handed over, at conversions.
    pub with_next_coupon: Amount,
    pub interest_receivable: Amount,
    /// All movements other than accruals up to this date, as posted.
    pub moved: Components,
}

/// What an event changes in the rows from its date on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RowChange {
    pub principal: Amount,
    pub interest_due: Amount,
    pub with_next_coupon: Amount,
    pub moved: Components,
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

    /// The row with an event's change. Interest due never falls below nothing: what holders received beyond it is receivable.
    fn changed(&self, change: &RowChange, receivable: Amount) -> Result<PositionRow, Refusal> {
        let due = self.interest_due.plus(change.interest_due)?;
        let overpaid = due.negative_part().negated()?;
        Ok(PositionRow {
            date: self.date,
            principal: self.principal.plus(change.principal)?,
            interest_due: due.positive_part(),
            with_next_coupon: self.with_next_coupon.plus(change.with_next_coupon)?.positive_part(),
            interest_receivable: Amount::total([self.interest_receivable, receivable, overpaid])?,
            moved: self.moved.plus(&change.moved)?,
        })
    }

    /// The debt at a moment at or after this row's date, with no later row in between.
    pub fn position(&self, moment: Moment, instrument: &Instrument) -> Result<Position, Refusal> {
        let row = self.rolled_to(moment.date, instrument)?;
        let (premium_discount, issue_costs) = match row.principal.is_zero() {
            true => (Amount::ZERO, Amount::ZERO),
            false => (
                instrument.premium_discount(row.principal, moment.boundary)?,
                instrument.issue_costs(row.principal, moment.boundary)?,
            ),
        };
        Ok(Position {
            moment,
            principal: row.principal,
            premium_discount,
            issue_costs,
            interest_due: row.interest_due,
            interest_accrued: instrument.accrued(row.principal, moment)?,
            interest_receivable: row.interest_receivable,
        })
    }
}

/// The newest rows of an issue, by date: from some date on all of them, before it the last one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History(Vec<PositionRow>);

impl History {
    /// From rows in order of date.
    pub fn new(rows: Vec<PositionRow>) -> History {
        History(rows)
    }

    /// The row in force at close of business on `date`, rolled to that date.
    pub fn at(&self, date: Date, instrument: &Instrument) -> Result<PositionRow, Refusal> {
        let count = self.0.partition_point(|row| row.date <= date);
        match count.checked_sub(1) {
            Some(last) => self.0[last].rolled_to(date, instrument),
            None => Ok(PositionRow::before(date)),
        }
    }

    /// The row in force immediately before `date`, not rolled.
    pub fn before(&self, date: Date) -> Option<&PositionRow> {
        let count = self.0.partition_point(|row| row.date < date);
        count.checked_sub(1).map(|last| &self.0[last])
    }

    /// The debt at a moment.
    pub fn position(&self, moment: Moment, instrument: &Instrument) -> Result<Position, Refusal> {
        self.at(moment.date, instrument)?.position(moment, instrument)
    }

    /// The last row.
    pub fn last(&self) -> Option<&PositionRow> {
        self.0.last()
    }

    /// The rows.
    pub fn rows(&self) -> &[PositionRow] {
        &self.0
    }

    /// The history with an event's change at `date`. Each later row keeps its own events: what happened between two rows is
    /// their difference, and is applied again to the changed row before.
    ///
    /// # Errors
    /// [`Refusal::LaterEventInTheWay`] when a later event would leave less than nothing outstanding.
    pub fn with(&self, date: Date, change: &RowChange, instrument: &Instrument) -> Result<History, Refusal> {
        let mut rows: Vec<PositionRow> = self.0.iter().copied().take_while(|row| row.date < date).collect();
        let mut old = self.at(date, instrument)?;
        let mut new = old.changed(change, Amount::ZERO)?;
        rows.push(new);
        for later in self.0.iter().filter(|row| row.date > date) {
            let (old_rolled, new_rolled) =
                (old.rolled_to(later.date, instrument)?, new.rolled_to(later.date, instrument)?);
            let between = RowChange {
                principal: later.principal.minus(old_rolled.principal)?,
                interest_due: later.interest_due.minus(old_rolled.interest_due)?,
                with_next_coupon: later.with_next_coupon.minus(old_rolled.with_next_coupon)?,
                moved: later.moved.minus(&old_rolled.moved)?,
            };
            new = new_rolled.changed(&between, later.interest_receivable.minus(old_rolled.interest_receivable)?)?;
            if new.principal.is_negative() {
                let currency = instrument.terms().currency;
                return Err(Refusal::LaterEventInTheWay {
                    principal: change.principal.negated()?.to_major(currency),
                    outstanding: later.principal.to_major(currency),
                    date: later.date,
                });
            }
            rows.push(new);
            old = *later;
        }
        Ok(History(rows))
    }
}
