//! The curve: the amortised cost of one unit of principal at any day boundary.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::coupon_dates::CouponDates;
use super::effective_rate::{CashFlows, power};
use super::terms::{AmortizationMethod, WithinPeriod};

/// The spans of an issue from settlement to a horizon: the first from settlement to the coupon date after it, then one a period.
#[derive(Clone, Debug)]
pub struct Spans {
    settlement: Date,
    first_period: usize,
    first_length: Decimal,
    accrued_at_settlement: Decimal,
    coupons: Vec<Decimal>,
}

impl Spans {
    pub(crate) fn new(dates: &CouponDates, settlement: Date, horizon: Date) -> Spans {
        // The span after settlement; settlement itself may be the end of a period of a zero-coupon grid.
        let mut first_period = dates.period_of(settlement);
        if dates.period(first_period).1 <= settlement {
            first_period += 1;
        }
        let last_period = dates.period_of(horizon);
        let (start, end) = dates.period(first_period);
        Spans {
            settlement,
            first_period,
            first_length: dates.length(first_period, settlement, end),
            accrued_at_settlement: dates.accrued(first_period, start, settlement),
            coupons: (first_period..=last_period).map(|number| dates.coupon(number)).collect(),
        }
    }

    /// The payments that a holder at settlement receives up to the horizon.
    pub(crate) fn cash_flows(&self, redemption: Decimal) -> CashFlows {
        let mut payments = self.coupons.clone();
        if let Some(last) = payments.last_mut() {
            *last += redemption;
        }
        CashFlows { first_length: self.first_length, payments }
    }

    pub(crate) fn accrued_at_settlement(&self) -> Decimal {
        self.accrued_at_settlement
    }

    fn length(&self, index: usize) -> Decimal {
        if index == 0 { self.first_length } else { Decimal::ONE }
    }

    fn accrued_at_start(&self, index: usize) -> Decimal {
        if index == 0 { self.accrued_at_settlement } else { Decimal::ZERO }
    }
}

/// More than the errors of decimals come to in a balance, and less than the rounding of any price.
const LAST_DIGITS: Decimal = Decimal::from_parts(1, 0, 0, false, 20);

/// The amortised cost of one unit of principal from settlement to the horizon, where it is the redemption price exactly; after
/// the horizon it stays there.
#[derive(Clone, Debug)]
pub struct UnitCurve {
    spans: Spans,
    /// The cost at settlement, then at the end of each span.
    balances: Vec<Decimal>,
    horizon: Date,
    redemption: Decimal,
    method: AmortizationMethod,
    within: WithinPeriod,
}

impl UnitCurve {
    /// The curve of a solved rate. Balances run back from the redemption price, C(i-1) = (C(i) + coupon) / (1+y)^length, so the
    /// end is exact and the start is the price. Where the first span has no days, as from a 30th to a 31st in a 30-day count, so is
    /// the price less the coupon at its end.
    pub(crate) fn solved(
        spans: Spans,
        price: Decimal,
        rate: Decimal,
        redemption: Decimal,
        horizon: Date,
        method: AmortizationMethod,
        within: WithinPeriod,
    ) -> Option<UnitCurve> {
        let growth = Decimal::ONE.checked_add(rate)?;
        let discount = Decimal::ONE.checked_div(growth)?;
        let mut balances = vec![redemption; spans.coupons.len() + 1];
        for index in (1..spans.coupons.len()).rev() {
            balances[index] = balances[index + 1].checked_add(spans.coupons[index])?.checked_mul(discount)?;
        }
        balances[0] = price;
        if spans.first_length.is_zero() && spans.coupons.len() > 1 {
            let exact = price.checked_add(spans.accrued_at_settlement)?.checked_sub(spans.coupons[0])?;
            // A rate that a revision keeps was not solved from the price, whose rounding the first span takes up.
            if exact.checked_sub(balances[1])?.abs() < LAST_DIGITS {
                balances[1] = exact;
            }
        }
        Some(UnitCurve { spans, balances, horizon, redemption, method, within })
    }

    /// The curve of a stated rate: balances run forward from the price, C(i) = (C(i-1) + accrued) x (1+y)^length - coupon, and
    /// the last period takes the difference to the redemption price, which is returned beside the curve.
    pub(crate) fn stated(
        spans: Spans,
        price: Decimal,
        rate: Decimal,
        redemption: Decimal,
        horizon: Date,
        method: AmortizationMethod,
        within: WithinPeriod,
    ) -> Option<(UnitCurve, Decimal)> {
        let growth = Decimal::ONE.checked_add(rate)?;
        let mut balances = vec![price];
        for (index, coupon) in spans.coupons.iter().enumerate() {
            let start = balances[index].checked_add(spans.accrued_at_start(index))?;
            balances.push(start.checked_mul(power(growth, spans.length(index))?)?.checked_sub(*coupon)?);
        }
        let difference = redemption.checked_sub(balances[spans.coupons.len()])?;
        balances[spans.coupons.len()] = redemption;
        Some((UnitCurve { spans, balances, horizon, redemption, method, within }, difference))
    }

    /// Whether something is left at the end of every span.
    pub(crate) fn is_above_zero(&self) -> bool {
        self.balances.iter().all(|balance| *balance > Decimal::ZERO)
    }

    /// The amortised cost of one unit at a boundary, which is not before settlement; `None` when it cannot be computed exactly
    /// enough.
    pub(crate) fn at(&self, boundary: Date, dates: &CouponDates) -> Option<Decimal> {
        if boundary >= self.horizon {
            return Some(self.redemption);
        }
        if self.method == AmortizationMethod::StraightLine {
            let elapsed = dates.days(self.spans.settlement, boundary);
            let whole = dates.days(self.spans.settlement, self.horizon);
            return interpolated(self.balances[0], self.redemption, elapsed, whole);
        }
        let number = dates.period_of(boundary).max(self.spans.first_period);
        let index = number - self.spans.first_period;
        let (start, end) = dates.period(number);
        let start = start.max(self.spans.settlement);
        if boundary == end {
            return Some(self.balances[index + 1]);
        }
        let (elapsed, whole) = (dates.days(start, boundary), dates.days(start, end));
        match self.within {
            WithinPeriod::Ratable => interpolated(self.balances[index], self.balances[index + 1], elapsed, whole),
            WithinPeriod::Compound => self.compounded(index, elapsed, whole),
        }
    }

    /// The accreted value less accrued coupon: the span's growth raised to the elapsed fraction, less the coupon times it.
    fn compounded(&self, index: usize, elapsed: Decimal, whole: Decimal) -> Option<Decimal> {
        if elapsed.is_zero() {
            return Some(self.balances[index]);
        }
        let accrued = self.spans.accrued_at_start(index);
        let start = self.balances[index].checked_add(accrued)?;
        let end = self.balances[index + 1].checked_add(self.spans.coupons[index])?;
        let fraction = elapsed.checked_div(whole)?;
        let accreted = start.checked_mul(power(end.checked_div(start)?, fraction)?)?;
        let coupon = (self.spans.coupons[index] - accrued).checked_mul(elapsed)?.checked_div(whole)?;
        accreted.checked_sub(accrued)?.checked_sub(coupon)
    }
}

/// `from` moved towards `to` by elapsed / whole. A whole of no days (a 30-day count sees none between a 30th and a 31st) is a
/// span that has not begun.
fn interpolated(from: Decimal, to: Decimal, elapsed: Decimal, whole: Decimal) -> Option<Decimal> {
    if whole.is_zero() {
        return Some(from);
    }
    from.checked_add(to.checked_sub(from)?.checked_mul(elapsed)?.checked_div(whole)?)
}
