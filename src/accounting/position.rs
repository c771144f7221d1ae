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

/// A coupon as it was paid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PaidCoupon {
    pub coupon_date: Date,
    pub paid_on: Date,
    pub amount: Amount,
}

/// What an event does to the payment of a coupon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CouponChange {
    Paid(PaidCoupon),
    /// A payment that is reversed.
    TakenBack(PaidCoupon),
}

impl CouponChange {
    fn coupon_date(self) -> Date {
        match self {
            CouponChange::Paid(coupon) | CouponChange::TakenBack(coupon) => coupon.coupon_date,
        }
    }
}

/// What an event changes in the rows from its date on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RowChange {
    pub principal: Amount,
    /// What becomes due besides the coupon, and is paid with the next one.
    pub with_next_coupon: Amount,
    pub coupon: Option<CouponChange>,
    pub moved: Components,
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
            ..*self
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

/// The newest rows of an issue, by date: from some date on all of them, before it the last one; and how the coupons that fall due
/// after that date were paid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History {
    rows: Vec<PositionRow>,
    paid: Vec<PaidCoupon>,
}

impl History {
    /// From rows in order of date, and payments in any order.
    pub fn new(rows: Vec<PositionRow>, paid: Vec<PaidCoupon>) -> History {
        History { rows, paid }
    }

    /// The row in force at close of business on `date`, rolled to that date.
    pub fn at(&self, date: Date, instrument: &Instrument) -> Result<PositionRow, Refusal> {
        let count = self.rows.partition_point(|row| row.date <= date);
        match count.checked_sub(1) {
            Some(last) => self.rows[last].rolled_to(date, instrument),
            None => Ok(PositionRow::before(date)),
        }
    }

    /// The row in force immediately before `date`, not rolled.
    pub fn before(&self, date: Date) -> Option<&PositionRow> {
        let count = self.rows.partition_point(|row| row.date < date);
        count.checked_sub(1).map(|last| &self.rows[last])
    }

    /// The debt at a moment.
    pub fn position(&self, moment: Moment, instrument: &Instrument) -> Result<Position, Refusal> {
        self.at(moment.date, instrument)?.position(moment, instrument)
    }

    /// The last row.
    pub fn last(&self) -> Option<&PositionRow> {
        self.rows.last()
    }

    /// The rows.
    pub fn rows(&self) -> &[PositionRow] {
        &self.rows
    }

    /// The payments of coupons that fall due after the date of the first row.
    pub fn paid(&self) -> &[PaidCoupon] {
        &self.paid
    }

    /// The history with an event's change at `date`. Each later row keeps its own events: what happened between two rows is
    /// their difference, and is applied again to the changed row before.
    ///
    /// # Errors
    /// [`Refusal::LaterEventInTheWay`] when a later event would leave less than nothing outstanding.
    pub fn with(&self, date: Date, change: &RowChange, instrument: &Instrument) -> Result<History, Refusal> {
        let mut rows: Vec<PositionRow> = self.rows.iter().copied().take_while(|row| row.date < date).collect();
        let first_changed = rows.len();
        let mut old = self.at(date, instrument)?;
        rows.push(old.changed(change)?);
        let mut new = old.changed(change)?;
        for later in self.rows.iter().filter(|row| row.date > date) {
            let (old_rolled, new_rolled) =
                (old.rolled_to(later.date, instrument)?, new.rolled_to(later.date, instrument)?);
            let between = RowChange::between(&old_rolled, later, None)?;
            let interest = PositionRow {
                interest_due: later.interest_due,
                interest_receivable: later.interest_receivable,
                ..new_rolled
            };
            new = interest.changed(&between)?;
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
        let mut changed = History { rows, paid: self.paid_after(change.coupon) };
        changed.settle_interest(first_changed, self, change.coupon, instrument)?;
        Ok(changed)
    }

    /// The payments after an event.
    pub fn paid_after(&self, change: Option<CouponChange>) -> Vec<PaidCoupon> {
        let mut paid = self.paid.clone();
        match change {
            Some(CouponChange::Paid(coupon)) => paid.push(coupon),
            Some(CouponChange::TakenBack(coupon)) => paid.retain(|known| *known != coupon),
            None => {}
        }
        paid
    }

    /// The first coupon that was paid with less than its holders turn out to be entitled to, and with what they were before.
    pub fn underpaid_since(&self, before: &History, instrument: &Instrument) -> Result<Option<Date>, Refusal> {
        for paid in &self.paid {
            let entitled = self.due_with(paid.coupon_date, instrument)?.total()?;
            let was = before.due_with(paid.coupon_date, instrument)?.total()?;
            if entitled > paid.amount && entitled > was {
                return Ok(Some(paid.coupon_date));
            }
        }
        Ok(None)
    }

    /// Brings interest due and receivable of the rows from `first` on, which still hold those of the history `before` a change, to
    /// this one.
    ///
    /// Both are kept by coupon. One that is not paid is due; of one that is paid nothing is due any more, and what was paid above
    /// what its holders turn out to be entitled to is receivable. What is receivable from some is never set off against what is
    /// due to others.
    fn settle_interest(
        &mut self,
        first: usize,
        before: &History,
        change: Option<CouponChange>,
        instrument: &Instrument,
    ) -> Result<(), Refusal> {
        let (Some(start), Some(end)) = (self.rows.get(first).map(|row| row.date), self.last().map(|row| row.date))
        else {
            return Ok(());
        };
        // A payment may be made long after its coupon date, and concerns no other coupon.
        let own = change.map(CouponChange::coupon_date).filter(|date| *date <= start);
        let dates: Vec<Date> =
            own.into_iter().chain(instrument.dates().coupon_dates_between(start, end).iter().copied()).collect();
        let entitlements: Vec<(Entitlement, Entitlement)> = dates
            .into_iter()
            .map(|date| Ok((before.entitlement(date, instrument)?, self.entitlement(date, instrument)?)))
            .collect::<Result<_, Refusal>>()?;
        for at in first..self.rows.len() {
            let row = self.rows[at];
            let mut due = row
                .interest_due
                .plus(row.with_next_coupon)?
                .minus(before.at(row.date, instrument)?.with_next_coupon)?;
            let mut receivable = row.interest_receivable;
            for (was, is) in entitlements.iter().filter(|(was, _)| was.coupon_date <= row.date) {
                due = due.plus(is.due(row.date))?.minus(was.due(row.date))?;
                receivable = receivable.plus(is.receivable(row.date)?)?.minus(was.receivable(row.date)?)?;
            }
            self.rows[at] = PositionRow { interest_due: due, interest_receivable: receivable, ..row };
        }
        Ok(())
    }

    /// What holders are entitled to with a coupon, and what they got.
    fn entitlement(&self, coupon_date: Date, instrument: &Instrument) -> Result<Entitlement, Refusal> {
        Ok(Entitlement {
            coupon_date,
            amount: self.due_with(coupon_date, instrument)?.total()?,
            paid: self.paid.iter().copied().find(|paid| paid.coupon_date == coupon_date),
        })
    }

    /// What falls due on a coupon date: the coupon on the principal outstanding immediately before it, and what was left to be paid
    /// with it at conversions in its period.
    pub fn due_with(&self, coupon_date: Date, instrument: &Instrument) -> Result<DueWithCoupon, Refusal> {
        let previous = self.before(coupon_date);
        let principal = previous.map_or(Amount::ZERO, |row| row.principal);
        let in_period = previous.filter(|row| instrument.dates().next_coupon_date(row.date) == Some(coupon_date));
        Ok(DueWithCoupon {
            principal,
            coupon: instrument.coupon(principal, coupon_date)?,
            left_payable: in_period.map_or(Amount::ZERO, |row| row.with_next_coupon),
        })
    }
}

/// What falls due on a coupon date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueWithCoupon {
    /// Outstanding immediately before the coupon date.
    pub principal: Amount,
    pub coupon: Amount,
    /// Interest left payable, and coupons handed over, at conversions in the coupon's period.
    pub left_payable: Amount,
}

impl DueWithCoupon {
    /// Both parts together.
    pub fn total(&self) -> Result<Amount, Refusal> {
        self.coupon.plus(self.left_payable)
    }
}

#[derive(Clone, Copy, Debug)]
struct Entitlement {
    coupon_date: Date,
    amount: Amount,
    paid: Option<PaidCoupon>,
}

impl Entitlement {
    fn paid_by(&self, date: Date) -> Option<Amount> {
        self.paid.filter(|paid| paid.paid_on <= date).map(|paid| paid.amount)
    }

    fn due(&self, date: Date) -> Amount {
        if self.paid_by(date).is_some() { Amount::ZERO } else { self.amount }
    }

    fn receivable(&self, date: Date) -> Result<Amount, Refusal> {
        self.paid_by(date).map_or(Ok(Amount::ZERO), |paid| Ok(paid.minus(self.amount)?.positive_part()))
    }
}
