//! The periods of an issue: coupon dates counted back from maturity, quasi-coupon periods, coupons and accrued interest.

use super::calendar::{days_between, is_month_end, months_before};
use super::day_count::days;
use super::{DayCount, Terms};
use jiff::civil::Date;
use num_rational::BigRational;
use num_traits::Zero;

/// A coupon period, or a compounding period of a zero-coupon issue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    pub start: Date,
    pub end: Date,
}

#[derive(Clone, Debug)]
pub struct Schedule {
    periods: Vec<Period>,
    maturity: Date,
    months: i64,
    periods_a_year: i64,
    month_end: bool,
    day_count: DayCount,
    /// Zero for a zero-coupon issue.
    rate: BigRational,
}

impl Schedule {
    pub fn new(terms: &Terms) -> Result<Schedule, String> {
        if terms.settlement < terms.dated || terms.maturity <= terms.settlement {
            return Err("the dated date, settlement and maturity must follow one another".into());
        }
        let zero_coupon = terms.frequency == 0;
        let frequency = if zero_coupon { terms.compounding_frequency } else { terms.frequency };
        if !matches!(frequency, 1 | 2 | 4 | 12) {
            return Err(format!("{frequency} periods a year"));
        }
        let mut schedule = Schedule {
            periods: Vec::new(),
            maturity: terms.maturity,
            months: 12 / i64::from(frequency),
            periods_a_year: i64::from(frequency),
            month_end: is_month_end(terms.maturity),
            day_count: terms.day_count,
            rate: if zero_coupon { BigRational::zero() } else { terms.coupon_rate.clone() },
        };
        let mut ends: Vec<Date> =
            (0..).map(|back| schedule.grid(back)).take_while(|date| *date > terms.dated).collect();
        ends.reverse();
        if let Some(first) = terms.first_coupon.filter(|_| !zero_coupon) {
            if !ends.contains(&first) {
                return Err(format!("no regular date, counted back from maturity: {first}"));
            }
            ends.retain(|date| *date >= first);
        }
        let starts = std::iter::once(terms.dated).chain(ends.iter().copied());
        schedule.periods = starts.zip(&ends).map(|(start, end)| Period { start, end: *end }).collect();
        Ok(schedule)
    }

    /// The regular date `back` periods before maturity.
    fn grid(&self, back: i64) -> Date {
        months_before(self.maturity, back * self.months, self.month_end)
    }

    /// Whether the regular period that ends at `end` has the same days, and they are counted alike.
    pub fn has_the_days_of(&self, other: &Schedule, end: Date) -> bool {
        let begin = |schedule: &Schedule| {
            let back = (0..).find(|back| schedule.grid(*back) <= end)?;
            (schedule.grid(back) == end).then(|| schedule.grid(back + 1))
        };
        self.month_end == other.month_end && begin(self).is_some() && begin(self) == begin(other)
    }

    pub fn month_end(&self) -> bool {
        self.month_end
    }

    pub fn periods_a_year(&self) -> i64 {
        self.periods_a_year
    }

    pub fn ends(&self) -> impl Iterator<Item = Date> + '_ {
        self.periods.iter().map(|period| period.end)
    }

    /// The period that ends at `end`.
    pub fn ending(&self, end: Date) -> Option<Period> {
        self.periods.iter().copied().find(|period| period.end == end)
    }

    /// The period with start <= `boundary` < end.
    pub fn holding(&self, boundary: Date) -> Option<Period> {
        let found = self.periods.iter().find(|period| boundary < period.end).copied();
        found.filter(|period| period.start <= boundary)
    }

    pub fn days(&self, from: Date, to: Date) -> i64 {
        days(self.day_count, self.month_end, from, to)
    }

    /// Days from `from` to `to` over the days of the quasi-coupon period they lie in, summed over those periods.
    /// Both dates lie in one coupon period.
    pub fn quasi_periods(&self, from: Date, to: Date) -> BigRational {
        let mut sum = BigRational::zero();
        let mut back = 0;
        loop {
            let (start, end) = (self.grid(back + 1), self.grid(back));
            if end <= from {
                return sum;
            }
            if start < to {
                let part = self.days(start.max(from), end.min(to));
                sum += ratio(part, self.days(start, end));
            }
            back += 1;
        }
    }

    /// Interest on one unit of principal from the start of a period to `to` in it.
    pub fn interest(&self, period: Period, to: Date) -> BigRational {
        let year = match self.day_count {
            DayCount::Act365F => 365,
            DayCount::Act360 => 360,
            _ => {
                let regular = &self.rate / ratio(self.periods_a_year, 1);
                return regular * self.quasi_periods(period.start, to);
            }
        };
        &self.rate * ratio(days_between(period.start, to), year)
    }

    /// Interest accrued at a boundary; zero at a coupon date, whose coupon is due.
    pub fn accrued(&self, boundary: Date) -> BigRational {
        match self.holding(boundary) {
            Some(period) => self.interest(period, boundary),
            None => BigRational::zero(),
        }
    }
}

pub fn ratio(numerator: i64, denominator: i64) -> BigRational {
    BigRational::new(numerator.into(), denominator.into())
}
