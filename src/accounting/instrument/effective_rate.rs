//! The effective rate: the one rate a coupon period at which what was received equals what will be paid (ASC 835-30-35-2,
//! IFRS 9 appendix A).

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, MathematicalOps, ToPrimitive};

/// Payments at the ends of spans, seen from settlement. The first span may be of any length, the others are one period each.
#[derive(Clone, Debug)]
pub struct CashFlows {
    /// The length of the first span in coupon periods.
    pub first_length: Decimal,
    /// What is paid at the end of each span, on one unit of principal, the redemption price included in the last.
    pub payments: Vec<Decimal>,
}

/// The lowest and highest nominal annual rate that is taken for an explanation of proceeds rather than for a slip in them.
pub const RATE_BOUNDS: (Decimal, Decimal) =
    (Decimal::from_parts(30, 0, 0, true, 2), Decimal::from_parts(3, 0, 0, false, 0));

/// The rate a period at which `flows` are worth `price` (both on one unit of principal), between the bounds for a nominal
/// annual rate with `per_year` periods; `None` when there is none.
///
/// A guess in binary floating point is brought to 27 digits by Newton's rule in decimals.
///
/// ```
/// use parwright::accounting::instrument::effective_rate::{CashFlows, solve};
/// use rust_decimal::Decimal;
/// // 5% annual coupons for two years, bought at par, yield 5%.
/// let flows = CashFlows { first_length: Decimal::ONE, payments: vec![Decimal::new(5, 2), Decimal::new(105, 2)] };
/// assert_eq!(solve(&flows, Decimal::ONE, 1).map(|rate| rate.round_dp(25)), Some(Decimal::new(5, 2)));
/// ```
pub fn solve(flows: &CashFlows, price: Decimal, per_year: u8) -> Option<Decimal> {
    let periods = Decimal::from(per_year);
    let (lowest, highest) = (RATE_BOUNDS.0 / periods, RATE_BOUNDS.1 / periods);
    let mut rate = first_guess(flows, price, lowest, highest)?;
    let (flows, price) = &scaled(flows, price)?;
    let lifetime = Decimal::from(flows.payments.len()).checked_add(flows.first_length)?;
    // The guess is good to about 15 digits and Newton's rule doubles them: mostly the first step already ends at the last digit. The
    // stub's fractional power is computed once; afterwards it moves by a series that is exact for so small a change.
    let mut stub = StubPower::new(rate, flows.first_length)?;
    for _ in 0..6 {
        let (value, slope) = value_and_slope(flows, rate, &stub)?;
        let step = (value.checked_sub(*price)?).checked_div(slope)?;
        rate = rate.checked_sub(step)?;
        // What a step leaves is about half its square times (last payment's time + 1) / (1 + rate); the lifetime is more than that half,
        // as no rate is near minus a hundred percent.
        let left = step.checked_mul(step)?.checked_mul(lifetime)?;
        if left <= LAST_DIGIT {
            return (lowest <= rate && rate <= highest).then_some(rate);
        }
        stub = stub.moved(rate)?;
    }
    None
}

/// What flows are worth at a rate a period, on one unit of principal; `None` when it cannot be computed exactly enough.
pub fn present_value(flows: &CashFlows, rate: Decimal) -> Option<Decimal> {
    let stub = StubPower::new(rate, flows.first_length)?;
    value_and_slope(flows, rate, &stub).map(|(value, _)| value)
}

/// The last digit of a rate that is kept.
const LAST_DIGIT: Decimal = Decimal::from_parts(1, 0, 0, false, 28);

/// The same flows and price times a power of ten, which changes no rate. There are 28 decimals however small a figure is: a price far
/// below one, as of a long zero-coupon issue, would have few digits left to solve from.
fn scaled(flows: &CashFlows, price: Decimal) -> Option<(CashFlows, Decimal)> {
    let mut scale = Decimal::ONE;
    while price.checked_mul(scale)? < Decimal::new(1, 1) {
        scale = scale.checked_mul(Decimal::TEN)?;
    }
    let payments = flows.payments.iter().map(|payment| payment.checked_mul(scale)).collect::<Option<_>>()?;
    Some((CashFlows { first_length: flows.first_length, payments }, price.checked_mul(scale)?))
}

/// `(1 + rate)^-length`, by which a price at the end of the first span is brought to settlement.
struct StubPower {
    growth: Decimal,
    length: Decimal,
    discount: Decimal,
}

impl StubPower {
    fn new(rate: Decimal, length: Decimal) -> Option<StubPower> {
        let growth = Decimal::ONE.checked_add(rate)?;
        Some(StubPower { growth, length, discount: Decimal::ONE.checked_div(power(growth, length)?)? })
    }

    /// The same at another rate. For a small change e of growth, (1 + e)^-T = 1 - T e + T(T+1)/2 e^2 to more than 40 digits;
    /// after a large one it is computed anew.
    fn moved(&self, rate: Decimal) -> Option<StubPower> {
        let growth = Decimal::ONE.checked_add(rate)?;
        let change = growth.checked_div(self.growth)?.checked_sub(Decimal::ONE)?;
        if change.abs() > Decimal::new(1, 12) {
            return StubPower::new(rate, self.length);
        }
        let first = self.length.checked_mul(change)?;
        let second = first.checked_mul(change)?.checked_mul(self.length + Decimal::ONE)? / Decimal::TWO;
        let factor = Decimal::ONE.checked_sub(first)?.checked_add(second)?;
        Some(StubPower { growth, length: self.length, discount: self.discount.checked_mul(factor)? })
    }
}

/// `base^exponent` for a base above zero; exact for an exponent of 1.
pub(crate) fn power(base: Decimal, exponent: Decimal) -> Option<Decimal> {
    if base <= Decimal::ZERO {
        return None;
    }
    if exponent == Decimal::ONE { Some(base) } else { base.checked_powd(exponent) }
}

/// What the flows are worth at a rate, and how that changes with the rate.
fn value_and_slope(flows: &CashFlows, rate: Decimal, stub: &StubPower) -> Option<(Decimal, Decimal)> {
    let discount = Decimal::ONE.checked_div(Decimal::ONE.checked_add(rate)?)?;
    let (mut worth, mut derivative) = (Decimal::ZERO, Decimal::ZERO);
    for payment in flows.payments.iter().rev() {
        derivative = derivative.checked_mul(discount)?.checked_add(worth)?;
        worth = worth.checked_mul(discount)?.checked_add(*payment)?;
    }
    // worth is at the end of the first span; d(discount)/d(rate) = -discount^2 and d(stub)/d(rate) = -T x stub x discount.
    let value = worth.checked_mul(stub.discount)?;
    let through_worth = derivative.checked_mul(discount)?.checked_mul(discount)?.checked_mul(stub.discount)?;
    let through_stub = value.checked_mul(stub.length)?.checked_mul(discount)?;
    Some((value, -(through_worth.checked_add(through_stub)?)))
}

/// A rate good to about 15 digits, by Newton's rule kept inside a bracket.
fn first_guess(flows: &CashFlows, price: Decimal, lowest: Decimal, highest: Decimal) -> Option<Decimal> {
    let payments: Vec<f64> = flows.payments.iter().filter_map(ToPrimitive::to_f64).collect();
    let (length, price) = (flows.first_length.to_f64()?, price.to_f64()?);
    let (mut low, mut high) = (lowest.to_f64()?, highest.to_f64()?);
    let excess = |rate: f64| {
        let discount = 1.0 / (1.0 + rate);
        let (mut worth, mut derivative) = (0.0, 0.0);
        for payment in payments.iter().rev() {
            derivative = derivative * discount + worth;
            worth = worth * discount + payment;
        }
        let stub = discount.powf(length);
        (worth * stub - price, -(derivative * discount * discount + worth * length * discount) * stub)
    };
    if excess(low).0 < 0.0 || excess(high).0 > 0.0 {
        return None;
    }
    let mut rate = 0.05_f64.clamp(low, high) / 2.0;
    for _ in 0..200 {
        let (above, slope) = excess(rate);
        if above > 0.0 {
            low = rate
        } else {
            high = rate
        }
        let newton = rate - above / slope;
        let next = if newton > low && newton < high { newton } else { f64::midpoint(low, high) };
        let settled = (next - rate).abs() <= 1e-15 * (1.0 + rate.abs());
        rate = next;
        if settled {
            break;
        }
    }
    Decimal::from_f64(rate)
}
