//! Series: the same bonds issued at different times, each issue with premium or discount of its own. What holders do with bonds of the
//! series is split over its issues by principal, as nobody can tell from which issue a bond is. (Common practice, no source.)

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::leaving::check_bonds;
use crate::accounting::instrument::Terms;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// Where one issue's part of a conversion stands among those of its series: a fraction of a share is of all parts together, so each
/// part passes its own on to the next.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Part {
    /// The fraction of a share that the parts before leave.
    pub carried_in: Decimal,
    /// Whether another part follows, to which what is left of a share goes.
    pub passes_on: bool,
}

/// Splits a principal over issues in proportion to what each has outstanding on a date.
///
/// # Errors
/// More than is outstanding, or a principal that is no number of bonds.
pub fn divide(principal: Amount, outstanding: &[Amount], terms: &Terms, date: Date) -> Result<Vec<Amount>, Refusal> {
    check_bonds(principal, terms)?;
    let total = outstanding.iter().try_fold(Amount::ZERO, |sum, held| sum.plus(*held))?;
    if principal > total {
        let major = |amount: Amount| amount.to_major(terms.currency);
        return Err(Refusal::ExceedsOutstanding {
            principal: major(principal),
            outstanding: major(total),
            surrendered: Decimal::ZERO,
            date,
        });
    }
    let denomination = terms.denomination.minor();
    let held: Vec<i64> = outstanding.iter().map(|amount| amount.minor() / denomination).collect();
    let parts = split(principal.minor() / denomination, &held).into_iter();
    parts.map(|bonds| bonds.checked_mul(denomination).map(Amount::from_minor).ok_or(Refusal::Overflow)).collect()
}

/// Splits a number of bonds over issues in proportion to what each has outstanding, in whole bonds: each gets the whole part of its share,
/// and the rest goes to the largest remainders, the first of equal ones first.
///
/// ```
/// use parwright::accounting::transaction::series::split;
/// // A third of 40, 20 and 3 bonds is 13 1/3, 6 2/3 and 1.
/// assert_eq!(split(21, &[40, 20, 3]), [13, 7, 1]);
/// assert_eq!(split(63, &[40, 20, 3]), [40, 20, 3]);
/// assert_eq!(split(1, &[5, 5]), [1, 0]);
/// ```
///
/// More bonds than there are, or none outstanding, gives what is outstanding.
pub fn split(bonds: i64, outstanding: &[i64]) -> Vec<i64> {
    let total: i128 = outstanding.iter().map(|held| i128::from(*held)).sum();
    if i128::from(bonds) >= total {
        return outstanding.to_vec();
    }
    let share = |held: i64| i128::from(bonds) * i128::from(held);
    let mut parts: Vec<i64> =
        outstanding.iter().map(|held| i64::try_from(share(*held) / total).unwrap_or_default()).collect();
    let mut by_remainder: Vec<usize> = (0..parts.len()).collect();
    by_remainder.sort_by_key(|at| std::cmp::Reverse(share(outstanding[*at]) % total));
    let left = usize::try_from(bonds - parts.iter().sum::<i64>()).unwrap_or_default();
    for at in by_remainder.into_iter().take(left) {
        parts[at] += 1;
    }
    parts
}

/// Whether an issue can be of the series of another: bonds of one series are alike but for when and for what they were issued.
///
/// # Errors
/// [`Refusal::Contradiction`] that names what differs.
pub fn check_alike(terms: &Terms, member: &Terms, reference: &str) -> Result<(), Refusal> {
    let differs = [
        ("currency", terms.currency != member.currency),
        ("denomination", terms.denomination != member.denomination),
        ("coupon_rate", terms.coupon_rate != member.coupon_rate),
        ("coupon_frequency", terms.coupon_frequency != member.coupon_frequency),
        ("day_count", terms.day_count != member.day_count),
        ("maturity_date", terms.maturity_date != member.maturity_date),
        ("redemption_price", terms.redemption_price != member.redemption_price),
        ("record_days", terms.record_days != member.record_days),
        ("conversion", terms.conversion != member.conversion),
    ];
    match differs.into_iter().find(|(_, differs)| *differs) {
        Some((field, _)) => Err(Refusal::contradiction(
            "series",
            format!("{field} is not that of {reference}, which is of this series: bonds of one series are alike"),
        )),
        None => Ok(()),
    }
}
