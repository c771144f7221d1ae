//! The days that a report of a period is compared with.

use jiff::ToSpan;
use jiff::civil::Date;

use super::{FiscalCalendar, PERIODS, Period};

/// Which days stand beside those of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparative {
    /// The same days of the fiscal year before, as interim reports compare (17 CFR 210.10-01(c), IAS 34.20).
    PriorYear,
    /// As many days, or fiscal periods, just before.
    PriorPeriod,
}

impl Period {
    /// The period so many periods before; `None` before the first year that has a name.
    fn before(self, periods: i32) -> Option<Period> {
        let of_year = i32::from(PERIODS);
        let count = i32::from(self.year) * of_year + i32::from(self.number) - 1 - periods;
        let (year, number) = (count.div_euclid(of_year), count.rem_euclid(of_year) + 1);
        (year >= 2).then_some(Period { year: i16::try_from(year).ok()?, number: i8::try_from(number).ok()? })
    }

    fn periods_since(self, earlier: Period) -> i32 {
        let of = |period: Period| i32::from(period.year) * i32::from(PERIODS) + i32::from(period.number);
        of(self) - of(earlier)
    }
}

impl FiscalCalendar {
    /// The days that stand beside `from..=to`: whole fiscal periods beside whole fiscal periods, else days beside days. `None` where the
    /// calendar has no such days.
    ///
    /// ```
    /// use jiff::civil::date;
    /// use parwright::accounting::fiscal_calendar::{Comparative, FiscalCalendar};
    ///
    /// let months = FiscalCalendar::new("12-31", None).expect("a month's last day");
    /// let quarter = (date(2026, 1, 1), date(2026, 3, 31));
    /// assert_eq!(months.compared(quarter, Comparative::PriorPeriod), Some((date(2025, 10, 1), date(2025, 12, 31))));
    /// // February ends where February ends.
    /// let february = (date(2025, 2, 1), date(2025, 2, 28));
    /// assert_eq!(months.compared(february, Comparative::PriorYear), Some((date(2024, 2, 1), date(2024, 2, 29))));
    /// let ten_days = (date(2026, 1, 5), date(2026, 1, 14));
    /// assert_eq!(months.compared(ten_days, Comparative::PriorPeriod), Some((date(2025, 12, 26), date(2026, 1, 4))));
    /// ```
    pub fn compared(&self, (from, to): (Date, Date), with: Comparative) -> Option<(Date, Date)> {
        let (first, last) = (self.period_of(from), self.period_of(to));
        if self.first_day(first) == from && self.last_day(last) == to {
            let back = match with {
                Comparative::PriorYear => i32::from(PERIODS),
                Comparative::PriorPeriod => last.periods_since(first) + 1,
            };
            return Some((self.first_day(first.before(back)?), self.last_day(last.before(back)?)));
        }
        match with {
            Comparative::PriorYear => Some((from.checked_sub(1.year()).ok()?, to.checked_sub(1.year()).ok()?)),
            Comparative::PriorPeriod => {
                let days = (to - from).get_days() + 1;
                Some((from.checked_sub(days.days()).ok()?, from.yesterday().ok()?))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::{Weekday, date};

    use super::super::{Quarter, WeekYears, YearEnd};
    use super::*;

    #[test]
    fn years_of_weeks_stand_beside_years_of_weeks() {
        let weeks =
            WeekYears { quarter: Quarter::FourFourFive, weekday: Weekday::Saturday, ends: YearEnd::LastInMonth };
        let calendar = FiscalCalendar::new("01-31", None).unwrap().of_weeks(Some(weeks));
        // 2026 has 53 weeks and 2027 has 52: whole years beside each other all the same.
        let year = (date(2026, 2, 1), date(2027, 1, 30));
        assert_eq!(calendar.compared(year, Comparative::PriorYear), Some((date(2025, 1, 26), date(2026, 1, 31))));
        assert_eq!(calendar.compared(year, Comparative::PriorPeriod), Some((date(2025, 1, 26), date(2026, 1, 31))));
    }

    #[test]
    fn there_is_nothing_before_the_calendar() {
        let months = FiscalCalendar::new("12-31", None).unwrap();
        assert_eq!(months.compared((date(2, 1, 1), date(2, 1, 31)), Comparative::PriorYear), None);
        assert_eq!(months.compared((Date::MIN, date(1, 1, 5)), Comparative::PriorYear), None);
    }
}
