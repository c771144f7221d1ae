//! Whether a period's interest is reasonable: the average carrying amount at the effective rate against what is booked.

use std::iter::once;

use jiff::civil::Date;
use rust_decimal::Decimal;

use crate::accounting::instrument::Instrument;
use crate::accounting::money::{Amount, round_to_minor_unit};
use crate::accounting::refusal::Refusal;

/// How far expected and booked interest may lie apart, in parts of what is expected: a twentieth (common practice, no source). Interest
/// inside a coupon period is spread evenly, and straight-line amortization is, so that the two are seldom the same.
const REASONABLE: Decimal = Decimal::from_parts(5, 0, 0, false, 2);

/// The expectation of an analytical procedure, beside what is booked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reasonableness {
    /// The carrying amount on the average day of the period, or of the part of it in which there is an issue.
    pub average: Amount,
    /// Its interest at the effective rate.
    pub expected: Amount,
    /// Interest expense that the period's accruals booked.
    pub booked: Amount,
}

impl Reasonableness {
    /// Of one issue from the close of the day before `from` to the close of `to`. `opening` is its carrying amount before the first;
    /// `changes` are what the carrying amount changed by on days, in their order. Time is counted in coupon periods, as the rate is.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn of(
        instrument: &Instrument,
        (from, to): (Date, Date),
        opening: Amount,
        changes: impl IntoIterator<Item = (Date, Amount)>,
        booked: Amount,
    ) -> Result<Reasonableness, Refusal> {
        let start = instrument.start().moment;
        let eve = from.yesterday().unwrap_or(from);
        let mut at = if start.date >= from { start.boundary } else { instrument.close_of(eve).boundary };
        let end = instrument.close_of(to).boundary;
        let (mut carried, mut average, mut expected, mut time) = (opening, Decimal::ZERO, Decimal::ZERO, Decimal::ZERO);
        for (date, change) in changes.into_iter().chain(once((end, Amount::ZERO))) {
            let until = date.clamp(at, end.max(at));
            let (length, interest) = span(instrument, at, until)?;
            let amount = Decimal::from(carried.minor());
            average = sum(average, amount, length)?;
            expected = sum(expected, amount, interest)?;
            time += length;
            (carried, at) = (carried.plus(change)?, until);
        }
        let average = if time.is_zero() { Decimal::from(carried.minor()) } else { average / time };
        Ok(Reasonableness { average: round_to_minor_unit(average)?, expected: round_to_minor_unit(expected)?, booked })
    }

    /// Booked less expected.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn difference(&self) -> Result<Amount, Refusal> {
        self.booked.minus(self.expected)
    }

    /// Whether the difference is at most a twentieth of what is expected, or of the minor units that rounding may leave.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn is_reasonable(&self) -> Result<bool, Refusal> {
        let difference = Decimal::from(self.difference()?.minor()).abs();
        let bound = Decimal::from(self.expected.minor()).abs() * REASONABLE;
        Ok(difference <= bound.max(Decimal::ONE))
    }

    /// The same of two issues together.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn plus(&self, other: &Reasonableness) -> Result<Reasonableness, Refusal> {
        Ok(Reasonableness {
            average: self.average.plus(other.average)?,
            expected: self.expected.plus(other.expected)?,
            booked: self.booked.plus(other.booked)?,
        })
    }
}

/// The length of a span of days in coupon periods, and the same times the rate a coupon period on each day.
fn span(instrument: &Instrument, from: Date, to: Date) -> Result<(Decimal, Decimal), Refusal> {
    let (mut at, mut length, mut interest) = (from, Decimal::ZERO, Decimal::ZERO);
    while at < to {
        let on = instrument.on(at);
        let dates = on.dates();
        // The period of the days after a boundary, which may itself be the end of one.
        let number =
            (dates.period_of(at) + usize::from(dates.period(dates.period_of(at)).1 <= at)).min(dates.periods());
        let until = dates.period(number).1.min(to);
        // A revision begins inside a period.
        let revised = instrument.revised_on().filter(|date| *date > at && *date < until);
        let until = revised.unwrap_or(until).max(at);
        if until == at {
            break;
        }
        // From the period's start, because the days of parts that a 30-day count has do not add up to those of the whole.
        let begin = dates.period(number).0;
        let part = dates.length(number, begin, until) - dates.length(number, begin, at);
        length = length.checked_add(part).ok_or(Refusal::Overflow)?;
        interest = sum(interest, part, on.rates().net)?;
        at = until;
    }
    Ok((length, interest))
}

fn sum(total: Decimal, left: Decimal, right: Decimal) -> Result<Decimal, Refusal> {
    left.checked_mul(right).and_then(|product| total.checked_add(product)).ok_or(Refusal::Overflow)
}
