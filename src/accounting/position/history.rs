//! An issue's rows by date, how an event changes the later ones, and what is due with each coupon.

use jiff::civil::Date;

use super::{Position, PositionRow, RowChange};
use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

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
    /// their difference, and is applied again to the changed row before. `instrument` is the issue before the event and `revised` after
    /// it, which is another where the event revises it: then coupons of later rows are others too.
    ///
    /// # Errors
    /// [`Refusal::LaterEventInTheWay`] when a later event would leave less than nothing outstanding.
    pub fn with(
        &self,
        date: Date,
        change: &RowChange,
        instrument: &Instrument,
        revised: &Instrument,
    ) -> Result<History, Refusal> {
        let mut rows: Vec<PositionRow> = self.rows.iter().copied().take_while(|row| row.date < date).collect();
        let first_changed = rows.len();
        let mut old = self.at(date, instrument)?;
        rows.push(old.changed(change)?);
        let mut new = old.changed(change)?;
        for later in self.rows.iter().filter(|row| row.date > date) {
            let (old_rolled, new_rolled) =
                (old.rolled_to(later.date, instrument)?, new.rolled_to(later.date, revised)?);
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
        changed.settle_interest(first_changed, self, change.coupon, (instrument, revised))?;
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

    /// The coupons that fall due by `through` and for which no payment is recorded, whenever that is made; with what is due. Of a whole
    /// history.
    pub fn unpaid_coupons(&self, through: Date, instrument: &Instrument) -> Result<Vec<(Date, Amount)>, Refusal> {
        let taken_over = instrument.opening_coupon().map(|(date, _)| date);
        let since = instrument.dates().coupon_dates_between(instrument.start().moment.date, through);
        let mut unpaid = Vec::new();
        for date in taken_over.into_iter().chain(since.iter().copied()) {
            if self.paid.iter().all(|paid| paid.coupon_date != date) {
                let amount = self.due_with(date, instrument)?.total()?;
                unpaid.extend(amount.is_positive().then_some((date, amount)));
            }
        }
        Ok(unpaid)
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
        (instrument, revised): (&Instrument, &Instrument),
    ) -> Result<(), Refusal> {
        let (Some(start), Some(end)) = (self.rows.get(first).map(|row| row.date), self.last().map(|row| row.date))
        else {
            return Ok(());
        };
        // A payment may be made long after its coupon date, and concerns no other coupon.
        let own = change.map(CouponChange::coupon_date).filter(|date| *date <= start);
        let taken_over = instrument.opening_coupon().filter(|_| start == instrument.start().moment.date);
        let own = own.or(taken_over.map(|(date, _)| date));
        let between = |issue: &Instrument| issue.dates().coupon_dates_between(start, end).to_vec();
        let mut dates: Vec<Date> = own.into_iter().chain(between(instrument)).chain(between(revised)).collect();
        dates.sort_unstable();
        dates.dedup();
        let entitlements: Vec<(Entitlement, Entitlement)> = dates
            .into_iter()
            .map(|date| Ok((before.entitlement(date, instrument)?, self.entitlement(date, revised)?)))
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
        // By other terms nothing may fall due on that date.
        let falls_due = instrument.dates().is_coupon_date(coupon_date);
        Ok(Entitlement {
            coupon_date,
            amount: if falls_due { self.due_with(coupon_date, instrument)?.total()? } else { Amount::ZERO },
            paid: self.paid.iter().copied().find(|paid| paid.coupon_date == coupon_date),
        })
    }

    /// What falls due on a coupon date: the coupon on the principal outstanding immediately before it, and what was left to be paid
    /// with it at conversions in its period.
    pub fn due_with(&self, coupon_date: Date, instrument: &Instrument) -> Result<DueWithCoupon, Refusal> {
        if let Some((date, coupon)) = instrument.opening_coupon().filter(|(date, _)| *date == coupon_date) {
            // It was taken over as an amount; nothing of it is due if the opening balance is reversed.
            let taken_over = self.at(instrument.start().moment.date.max(date), instrument)?.principal;
            let coupon = if taken_over.is_zero() { Amount::ZERO } else { coupon };
            return Ok(DueWithCoupon { principal: taken_over, coupon, left_payable: Amount::ZERO });
        }
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
