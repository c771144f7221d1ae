//! A number that is an exact rational as long as it can be, and 640-bit binary fixed point after that.

use num_bigint::BigInt;
use num_integer::Integer;
use num_rational::BigRational;
use num_traits::{One, Signed, ToPrimitive, Zero};
use std::sync::OnceLock;

/// A rate of several hundred percent a period over a hundred years loses half of them.
pub const FRACTION_BITS: u32 = 640;

#[derive(Clone, Debug)]
pub enum Num {
    Exact(BigRational),
    /// Times 2^-640.
    Fixed(BigInt),
}

impl Num {
    pub fn fixed(&self) -> BigInt {
        match self {
            Num::Exact(value) => to_fixed(value),
            Num::Fixed(bits) => bits.clone(),
        }
    }

    pub fn rational(&self) -> BigRational {
        match self {
            Num::Exact(value) => value.clone(),
            Num::Fixed(bits) => BigRational::new(bits.clone(), BigInt::one() << FRACTION_BITS),
        }
    }

    pub fn add(&self, other: &Num) -> Num {
        match (self, other) {
            (Num::Exact(a), Num::Exact(b)) => Num::Exact(a + b),
            _ => Num::Fixed(self.fixed() + other.fixed()),
        }
    }

    pub fn sub(&self, other: &Num) -> Num {
        match (self, other) {
            (Num::Exact(a), Num::Exact(b)) => Num::Exact(a - b),
            _ => Num::Fixed(self.fixed() - other.fixed()),
        }
    }

    pub fn mul(&self, other: &Num) -> Num {
        match (self, other) {
            (Num::Exact(a), Num::Exact(b)) => Num::Exact(a * b),
            _ => Num::Fixed(mul(&self.fixed(), &other.fixed())),
        }
    }

    pub fn div(&self, other: &Num) -> Num {
        match (self, other) {
            (Num::Exact(a), Num::Exact(b)) => Num::Exact(a / b),
            _ => Num::Fixed(div(&self.fixed(), &other.fixed())),
        }
    }

    pub fn is_positive(&self) -> bool {
        match self {
            Num::Exact(value) => value.is_positive(),
            Num::Fixed(bits) => bits.is_positive(),
        }
    }

    /// A positive number raised to a rational power: exactly, where the root is rational.
    pub fn pow(&self, exponent: &BigRational) -> Num {
        if exponent.is_zero() {
            return Num::Exact(BigRational::one());
        }
        if let Num::Exact(base) = self
            && let Some(power) = rational_power(base, exponent)
        {
            return Num::Exact(power);
        }
        let bits = exp(&(ln(&self.fixed()) * exponent.numer() / exponent.denom()));
        Num::Fixed(bits)
    }

    /// `principal` times a present value, rounded half away from zero. It may be a rational number that does not show it: at the rate that
    /// a price was solved for it is that price. So what is within 1e-30 of a tie is one.
    pub fn worth_times(&self, principal: i128) -> i128 {
        let Num::Fixed(bits) = self else { return self.round_times(principal) };
        let doubled: BigInt = (bits * BigInt::from(principal)) << 1;
        let one = BigInt::one() << FRACTION_BITS;
        // Ties are the odd numbers of halves.
        let half: BigInt = &one >> 1;
        let nearest = (&doubled + half).div_floor(&one);
        let distance: BigInt = doubled - (&nearest << FRACTION_BITS);
        if nearest.is_odd() && distance.magnitude().bits() <= u64::from(FRACTION_BITS - 99) {
            return round(&BigRational::new(nearest, BigInt::from(2)))
                .to_i128()
                .expect("an amount of at most 128 bits");
        }
        self.round_times(principal)
    }

    /// `principal` times this number, rounded half away from zero.
    ///
    /// An irrational number lies nowhere near a tie unless the precision is too low: that is asserted, not assumed.
    pub fn round_times(&self, principal: i128) -> i128 {
        let rounded = match self {
            Num::Exact(value) => round(&(value * BigInt::from(principal))),
            Num::Fixed(bits) => {
                let amount = bits * BigInt::from(principal);
                let one = BigInt::one() << FRACTION_BITS;
                let half = &one >> 1;
                let floor = amount.div_floor(&one);
                let rest: BigInt = amount - (&floor << FRACTION_BITS);
                let from_tie: BigInt = &rest - &half;
                // 2^-99 is about 1.6e-30.
                assert!(
                    from_tie.magnitude().bits() > u64::from(FRACTION_BITS - 99),
                    "{principal} times an irrational number lies at a tie"
                );
                if rest < half { floor } else { floor + 1 }
            }
        };
        rounded.to_i128().expect("an amount of at most 128 bits")
    }
}

pub fn round(value: &BigRational) -> BigInt {
    let doubled: BigInt = value.numer().abs() * 2 + value.denom();
    let magnitude = doubled.div_floor(&(value.denom() * 2));
    if value.is_negative() { -magnitude } else { magnitude }
}

pub fn to_fixed(value: &BigRational) -> BigInt {
    (value.numer() << FRACTION_BITS).div_floor(value.denom())
}

pub fn mul(a: &BigInt, b: &BigInt) -> BigInt {
    (a * b) >> FRACTION_BITS
}

pub fn div(a: &BigInt, b: &BigInt) -> BigInt {
    (a << FRACTION_BITS).div_floor(b)
}

fn one() -> BigInt {
    BigInt::one() << FRACTION_BITS
}

/// 2 atanh(z) = ln((1+z)/(1-z)), by its series.
fn two_atanh(z: &BigInt) -> BigInt {
    let square = mul(z, z);
    let (mut power, mut sum, mut odd) = (z.clone(), BigInt::zero(), 1u32);
    while power.magnitude().bits() > 1 {
        sum += &power / odd;
        power = mul(&power, &square);
        // A negative product is floored at -1 and would stay there.
        if power == -BigInt::one() {
            break;
        }
        odd += 2;
    }
    sum * 2
}

fn ln_2() -> &'static BigInt {
    static LN_2: OnceLock<BigInt> = OnceLock::new();
    LN_2.get_or_init(|| two_atanh(&(one() / 3)))
}

pub fn ln(x: &BigInt) -> BigInt {
    assert!(x.is_positive(), "the logarithm of a number that is not positive");
    // x = m 2^k with m in [3/4, 3/2).
    let bits = i64::try_from(x.bits()).expect("a number of few bits");
    let mut k = bits - i64::from(FRACTION_BITS);
    let scaled = |k: i64| if k >= 0 { x >> k } else { x << -k };
    let mut m = scaled(k);
    if m < (one() * 3) >> 2 {
        k -= 1;
        m = scaled(k);
    }
    two_atanh(&div(&(&m - one()), &(&m + one()))) + ln_2() * k
}

pub fn exp(x: &BigInt) -> BigInt {
    const HALVINGS: u32 = 16;
    let k = x.div_floor(ln_2());
    let rest = (x - &k * ln_2()) >> HALVINGS;
    let (mut term, mut sum, mut n) = (one(), one(), 1u32);
    loop {
        term = mul(&term, &rest) / n;
        if term.is_zero() {
            break;
        }
        sum += &term;
        n += 1;
    }
    for _ in 0..HALVINGS {
        sum = mul(&sum, &sum);
    }
    let k = k.to_i64().expect("an exponent of few bits");
    if k >= 0 { sum << k } else { sum >> -k }
}

/// base^exponent where that is a rational number.
fn rational_power(base: &BigRational, exponent: &BigRational) -> Option<BigRational> {
    if exponent.is_zero() || base.is_one() {
        return Some(BigRational::one());
    }
    let degree = exponent.denom().to_u32()?;
    let times = exponent.numer().to_i32()?;
    let root = |value: &BigInt| {
        let root = value.nth_root(degree);
        (root.pow(degree) == *value).then_some(root)
    };
    let rooted = if degree == 1 { base.clone() } else { BigRational::new(root(base.numer())?, root(base.denom())?) };
    Some(num_traits::Pow::pow(rooted, times))
}
