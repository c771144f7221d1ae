//! The effective rate: the growth g = 1 + y per period at which the flows are worth their price.

use super::number::{FRACTION_BITS, Num, div, exp, ln, mul, to_fixed};
use num_bigint::BigInt;
use num_integer::Integer;
use num_rational::BigRational;
use num_traits::{One, Signed, ToPrimitive, Zero};

/// `flows[j]` falls at `first + j` periods. Solves price = sum of flows[j] / g^(first + j).
///
/// In u = -ln g the logarithm of the present value, first x u + ln(sum of flows[j] e^(ju)), is convex and rising, so
/// that Newton's method finds the one root from anywhere.
pub fn growth(price: &BigRational, first: &BigRational, flows: &[BigRational]) -> Result<Num, String> {
    let positive = flows.iter().filter(|flow| flow.is_positive()).count();
    if !price.is_positive() || positive == 0 || flows.iter().any(Signed::is_negative) {
        return Err("a rate needs a positive price and no negative flow".into());
    }
    if first.is_zero() && flows[1..].iter().all(Zero::is_zero) {
        return Err("a rate needs time".into());
    }
    let bits: Vec<BigInt> = flows.iter().map(to_fixed).collect();
    let target = ln(&to_fixed(price));
    let mut u = BigInt::from((first_guess(price, first, flows) * 2f64.powi(60)) as i128) << (FRACTION_BITS - 60);
    let first_bits = to_fixed(first);
    let limit = BigInt::one() << FRACTION_BITS;
    for _ in 0..200 {
        let v = exp(&u);
        let (mut sum, mut slope) = (BigInt::zero(), BigInt::zero());
        for (j, flow) in bits.iter().enumerate().rev() {
            sum = mul(&sum, &v) + flow;
            slope = mul(&slope, &v) + flow * BigInt::from(j);
        }
        let value = mul(&first_bits, &u) + ln(&sum) - &target;
        let step = div(&value, &(&first_bits + div(&slope, &sum)));
        let step = step.clamp(-limit.clone(), limit.clone());
        u -= &step;
        if step.magnitude().bits() <= 40 {
            let g = exp(&-u);
            return Ok(rational_growth(&g, price, first, flows).map_or(Num::Fixed(g), Num::Exact));
        }
    }
    Err("the effective rate was not found".into())
}

/// The same iteration in floating point; it only saves steps.
fn first_guess(price: &BigRational, first: &BigRational, flows: &[BigRational]) -> f64 {
    let float = |value: &BigRational| value.to_f64().unwrap_or(f64::NAN);
    let (target, first) = (float(price).ln(), float(first));
    let flows: Vec<f64> = flows.iter().map(float).collect();
    let mut u = 0.0f64;
    for _ in 0..60 {
        let v = u.exp();
        let (mut sum, mut slope) = (0.0, 0.0);
        for (j, flow) in flows.iter().enumerate().rev() {
            sum = sum * v + flow;
            slope = slope * v + flow * j as f64;
        }
        let step = (first * u + sum.ln() - target) / (first + slope / sum);
        u -= step.clamp(-1.0, 1.0);
        if step.abs() < 1e-15 {
            break;
        }
    }
    if u.is_finite() && u.abs() < 50.0 { u } else { 0.0 }
}

/// The growth as a rational number, if a simple one solves the equation exactly: at par it is one plus the coupon.
fn rational_growth(g: &BigInt, price: &BigRational, first: &BigRational, flows: &[BigRational]) -> Option<BigRational> {
    let candidate = simple_fraction(g).filter(|growth| !growth.is_zero())?;
    let back = BigRational::one() / &candidate;
    let Num::Exact(stub) = Num::Exact(back.clone()).pow(first) else {
        return None;
    };
    let worth = flows.iter().rev().fold(BigRational::zero(), |sum, flow| sum * &back + flow);
    (worth * stub == *price).then_some(candidate)
}

/// The fraction of a small denominator that equals `x` but for its last bits, by continued fractions.
fn simple_fraction(x: &BigInt) -> Option<BigRational> {
    let (mut a, mut b) = (x.clone(), BigInt::one() << FRACTION_BITS);
    let (mut p, mut q) = ((BigInt::zero(), BigInt::one()), (BigInt::one(), BigInt::zero()));
    while !b.is_zero() {
        let (whole, rest) = a.div_mod_floor(&b);
        p = (p.1.clone(), &whole * &p.1 + &p.0);
        q = (q.1.clone(), &whole * &q.1 + &q.0);
        if q.1.bits() > 110 {
            return None;
        }
        let error = (x * &q.1 - (&p.1 << FRACTION_BITS)).abs();
        if error.bits() <= 60 + q.1.bits() {
            return Some(BigRational::new(p.1, q.1));
        }
        (a, b) = (b, rest);
    }
    None
}
