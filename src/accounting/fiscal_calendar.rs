//! Fiscal years and periods, and where a posting goes when its period is closed.

mod comparative;
mod weeks;
mod year;

use std::fmt;

use jiff::civil::{Date, date};

use super::refusal::Refusal;

pub use comparative::Comparative;
pub use weeks::{Quarter, WeekYears, YearEnd};
pub use year::FiscalYear;

/// An entity's fiscal calendar: twelve periods a year, months or weeks; and how far it is closed.
///
/// A fiscal year is named by the calendar year of the month's end that it ends on, before or next to. For years of months that is
/// the calendar year in which they end. A year of weeks that ends nearest to a month's end may end a few days into the next month:
/// named by the year it ends in, those nearest to 31 December would give two years one name and leave out another.
///
/// ```
/// use jiff::civil::date;
/// use parwright::accounting::fiscal_calendar::FiscalCalendar;
///
/// let june = FiscalCalendar::new("06-30", None).expect("a month's last day");
/// let period = june.period_of(date(2025, 7, 15));
/// assert_eq!(period.to_string(), "2026-01");
/// assert_eq!(june.first_day(period), date(2025, 7, 1));
/// assert_eq!(june.last_day(period), date(2025, 7, 31));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FiscalCalendar {
    year_end_month: i8,
    weeks: Option<WeekYears>,
    closed_through: Option<Date>,
}

/// A fiscal period, written as its fiscal year and its number in it from 01 to 12: `2026-01`.
///
/// ```
/// use parwright::accounting::fiscal_calendar::Period;
///
/// let period = Period::named("2026-12").expect("a period");
/// assert_eq!((period.year(), period.number()), (2026, 12));
/// assert_eq!(period.next().to_string(), "2027-01");
/// assert!(Period::named("2026-13").is_err());
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Period {
    year: i16,
    number: i8,
}

/// The periods of a year.
const PERIODS: i8 = 12;

impl Period {
    /// The period of this name.
    ///
    /// # Errors
    /// A [`Refusal`] that says how periods are named.
    pub fn named(name: &str) -> Result<Period, Refusal> {
        let rule = "a period is a fiscal year of four digits, \"-\" and a number from 01 to 12, such as \"2026-01\"";
        let invalid = || Refusal::invalid("period", name, rule);
        let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
        let (year, number) = name
            .split_once('-')
            .filter(|(year, number)| (year.len(), number.len()) == (4, 2) && digits(year) && digits(number))
            .ok_or_else(invalid)?;
        let (year, number) = (year.parse().map_err(|_| invalid())?, number.parse().map_err(|_| invalid())?);
        // Year 1 begins in a year that no date of the interface is in.
        if year < 2 || !(1..=PERIODS).contains(&number) {
            return Err(invalid());
        }
        Ok(Period { year, number })
    }

    /// Its fiscal year.
    pub fn year(self) -> i16 {
        self.year
    }

    /// Its number in the year, from 1.
    pub fn number(self) -> i8 {
        self.number
    }

    /// Whether it is the last one of its year.
    pub fn ends_year(self) -> bool {
        self.number == PERIODS
    }

    /// The period after it.
    #[must_use]
    pub fn next(self) -> Period {
        if self.ends_year() {
            Period { year: self.year.saturating_add(1), number: 1 }
        } else {
            Period { number: self.number + 1, ..self }
        }
    }

    fn previous(self) -> Period {
        if self.number == 1 {
            Period { year: self.year.saturating_sub(1), number: PERIODS }
        } else {
            Period { number: self.number - 1, ..self }
        }
    }
}

impl fmt::Display for Period {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.year, self.number)
    }
}

impl FiscalCalendar {
    /// The calendar of months in years that end on `fiscal_year_end`, `MM-DD`, a month's last day (02-28 and 02-29 are both February's).
    ///
    /// # Errors
    /// A [`Refusal`] that says what is expected.
    pub fn new(fiscal_year_end: &str, closed_through: Option<Date>) -> Result<FiscalCalendar, Refusal> {
        let rule = "it must be a month's last day as MM-DD, such as \"12-31\"";
        let invalid = || Refusal::invalid("fiscal_year_end", fiscal_year_end, rule);
        let (month, day) = fiscal_year_end.split_once('-').ok_or_else(invalid)?;
        if month.len() != 2 || day.len() != 2 {
            return Err(invalid());
        }
        let (month, day) = (month.parse::<i8>().map_err(|_| invalid())?, day.parse::<i8>().map_err(|_| invalid())?);
        if !(1..=12).contains(&month) {
            return Err(invalid());
        }
        let last = [2023, 2024].map(|year| date(year, month, 1).days_in_month());
        if !last.contains(&day) {
            return Err(invalid());
        }
        Ok(FiscalCalendar { year_end_month: month, weeks: None, closed_through })
    }

    /// The same calendar of weeks, whose years end on, before or next to the end of the same month; of months without them.
    ///
    /// ```
    /// use jiff::civil::{Weekday, date};
    /// use parwright::accounting::fiscal_calendar::{FiscalCalendar, Period, Quarter, WeekYears, YearEnd};
    ///
    /// let weeks = WeekYears { quarter: Quarter::FourFourFive, weekday: Weekday::Saturday, ends: YearEnd::LastInMonth };
    /// let calendar = FiscalCalendar::new("01-31", None).expect("a month's last day").of_weeks(Some(weeks));
    /// let last = Period::named("2026-12").expect("a period");
    /// // 2026 has 53 weeks, from 26 January 2025 on; the last of them makes six in its last period.
    /// assert_eq!(calendar.first_day(last), date(2025, 12, 21));
    /// assert_eq!(calendar.last_day(last), date(2026, 1, 31));
    /// ```
    #[must_use]
    pub fn of_weeks(self, weeks: Option<WeekYears>) -> FiscalCalendar {
        FiscalCalendar { weeks, ..self }
    }

    /// The same calendar, closed through this day.
    #[must_use]
    pub fn closed(self, closed_through: Option<Date>) -> FiscalCalendar {
        FiscalCalendar { closed_through, ..self }
    }

    /// The fiscal year of a date.
    pub fn year_of(&self, date: Date) -> i16 {
        let year = if date.month() <= self.year_end_month { date.year() } else { date.year() + 1 };
        // A year of weeks ends up to six days before its month's end, or three after it.
        match self.weeks {
            Some(_) if date > self.year_end(year) => year + 1,
            Some(_) if date <= self.year_end(year - 1) => year - 1,
            _ => year,
        }
    }

    /// The period in which a date lies.
    pub fn period_of(&self, date: Date) -> Period {
        let year = self.year_of(date);
        let number = match self.weeks {
            None => (date.month() - self.year_end_month - 1).rem_euclid(PERIODS) + 1,
            Some(weeks) => weeks.number_of(date, self.days_of(year).0),
        };
        Period { year, number }
    }

    /// The first day of a period.
    pub fn first_day(&self, period: Period) -> Date {
        let before = self.last_day(period.previous());
        before.tomorrow().unwrap_or(before)
    }

    /// The last day of a period.
    pub fn last_day(&self, period: Period) -> Date {
        match self.weeks {
            None => {
                let month = (self.year_end_month + period.number - 1).rem_euclid(12) + 1;
                month_end(if month > self.year_end_month { period.year - 1 } else { period.year }, month)
            }
            Some(weeks) => weeks.period_end(period.number, self.days_of(period.year)),
        }
    }

    /// The first and last day of a year.
    fn days_of(&self, year: i16) -> (Date, Date) {
        let before = self.year_end(year.saturating_sub(1));
        (before.tomorrow().unwrap_or(before), self.year_end(year))
    }

    fn year_end(&self, year: i16) -> Date {
        let month_end = month_end(year, self.year_end_month);
        self.weeks.map_or(month_end, |weeks| weeks.year_end(month_end))
    }

    /// The last days of the fiscal periods from the one in which `from` lies, without end.
    pub fn period_ends_from(&self, from: Date) -> impl Iterator<Item = Date> + use<> {
        let calendar = *self;
        std::iter::successors(Some(calendar.period_of(from)), |period| Some(period.next()))
            .map(move |period| calendar.last_day(period))
    }

    /// The same calendar, in which nothing is posted before `date` either.
    #[must_use]
    pub fn open_from(self, date: Date) -> FiscalCalendar {
        FiscalCalendar { closed_through: self.closed_through.max(date.yesterday().ok()), ..self }
    }

    /// The last day of the last closed period.
    pub fn closed_through(&self) -> Option<Date> {
        self.closed_through
    }

    /// The date on which something effective on `date` is posted: itself, or the first day of the first open period after it.
    pub fn posting_date(&self, date: Date) -> Date {
        match self.closed_through {
            Some(closed) if date <= closed => closed.tomorrow().unwrap_or(closed),
            _ => date,
        }
    }
}

/// The last day of a month. Months beyond the calendar end with it.
fn month_end(year: i16, month: i8) -> Date {
    Date::new(year, month, 1).map_or(if year < 0 { Date::MIN } else { Date::MAX }, Date::last_of_month)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::Weekday;

    fn weeks(month_end: &str, quarter: Quarter, weekday: Weekday, ends: YearEnd) -> FiscalCalendar {
        let calendar = FiscalCalendar::new(month_end, None).expect("valid");
        calendar.of_weeks(Some(WeekYears { quarter, weekday, ends }))
    }

    fn named(name: &str) -> Period {
        Period::named(name).expect("a period")
    }

    #[test]
    fn a_fiscal_year_is_named_by_the_calendar_year_in_which_it_ends() {
        let june = FiscalCalendar::new("06-30", None).expect("valid");
        assert_eq!((june.year_of(date(2026, 6, 30)), june.year_of(date(2026, 7, 1))), (2026, 2027));
        for wrong in ["6-30", "06-29", "13-31", "0630", "02-30", ""] {
            assert!(FiscalCalendar::new(wrong, None).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_posting_for_a_closed_period_moves_to_the_first_open_day() {
        let calendar = FiscalCalendar::new("12-31", Some(date(2026, 3, 31))).expect("valid");
        assert_eq!(calendar.posting_date(date(2026, 2, 10)), date(2026, 4, 1));
        assert_eq!(calendar.posting_date(date(2026, 4, 2)), date(2026, 4, 2));
    }

    #[test]
    fn a_period_is_named_by_year_and_number() {
        for wrong in ["2026-1", "2026-00", "2026-13", "2026-123", "26-01", "2026", "2026-ab", "+026-01", "0001-01", ""]
        {
            assert_eq!(Period::named(wrong).expect_err(wrong).code(), "invalid_field");
        }
        assert_eq!(named("2026-07").to_string(), "2026-07");
    }

    #[test]
    fn months_are_counted_from_the_year_end() {
        for (year_end, day, period, first, last) in [
            ("12-31", date(2026, 1, 31), "2026-01", date(2026, 1, 1), date(2026, 1, 31)),
            ("12-31", date(2026, 12, 1), "2026-12", date(2026, 12, 1), date(2026, 12, 31)),
            ("06-30", date(2025, 12, 31), "2026-06", date(2025, 12, 1), date(2025, 12, 31)),
            ("06-30", date(2026, 1, 1), "2026-07", date(2026, 1, 1), date(2026, 1, 31)),
            ("02-28", date(2024, 2, 29), "2024-12", date(2024, 2, 1), date(2024, 2, 29)),
            ("01-31", date(2026, 2, 1), "2027-01", date(2026, 2, 1), date(2026, 2, 28)),
        ] {
            let calendar = FiscalCalendar::new(year_end, None).expect("valid");
            let found = calendar.period_of(day);
            assert_eq!(
                (found, calendar.first_day(found), calendar.last_day(found)),
                (named(period), first, last),
                "{day}"
            );
        }
    }

    /// Read off a calendar: Saturdays, Fridays and Sundays.
    #[test]
    fn years_of_weeks_end_on_their_weekday() {
        use Weekday::{Friday, Saturday, Sunday};
        use YearEnd::{LastInMonth, NearestMonthEnd};
        for (month_end, weekday, ends, year, first, last, length) in [
            // The last Saturday of January.
            ("01-31", Saturday, LastInMonth, "2025", date(2024, 1, 28), date(2025, 1, 25), 52),
            ("01-31", Saturday, LastInMonth, "2026", date(2025, 1, 26), date(2026, 1, 31), 53),
            ("01-31", Saturday, LastInMonth, "2027", date(2026, 2, 1), date(2027, 1, 30), 52),
            // The Saturday nearest to 31 January, as retailers close.
            ("01-31", Saturday, NearestMonthEnd, "2023", date(2022, 1, 30), date(2023, 1, 28), 52),
            ("01-31", Saturday, NearestMonthEnd, "2024", date(2023, 1, 29), date(2024, 2, 3), 53),
            ("01-31", Saturday, NearestMonthEnd, "2025", date(2024, 2, 4), date(2025, 2, 1), 52),
            // The Saturday nearest to 31 December: both these years end in the calendar year 2022.
            ("12-31", Saturday, NearestMonthEnd, "2021", date(2021, 1, 3), date(2022, 1, 1), 52),
            ("12-31", Saturday, NearestMonthEnd, "2022", date(2022, 1, 2), date(2022, 12, 31), 52),
            // The last Friday of June, and the Sunday nearest to its end.
            ("06-30", Friday, LastInMonth, "2023", date(2022, 6, 25), date(2023, 6, 30), 53),
            ("06-30", Sunday, NearestMonthEnd, "2026", date(2025, 6, 30), date(2026, 6, 28), 52),
        ] {
            let calendar = weeks(month_end, Quarter::FourFourFive, weekday, ends);
            let found =
                calendar.first_day(named(&format!("{year}-01"))).until(calendar.last_day(named(&format!("{year}-12"))));
            assert_eq!(calendar.first_day(named(&format!("{year}-01"))), first, "{year} {month_end}");
            assert_eq!(calendar.last_day(named(&format!("{year}-12"))), last, "{year} {month_end}");
            assert_eq!(found.map(|span| span.get_days() + 1).ok(), Some(length * 7), "{year} {month_end}");
            assert_eq!([first, last].map(|day| calendar.year_of(day).to_string()), [year, year]);
        }
    }

    /// From 29 January 2023 on, with a week more at the end.
    #[test]
    fn the_weeks_of_a_quarter_make_its_periods() {
        for (quarter, lengths) in [
            (Quarter::FourFourFive, [4, 4, 5, 4, 4, 5, 4, 4, 5, 4, 4, 6]),
            (Quarter::FourFiveFour, [4, 5, 4, 4, 5, 4, 4, 5, 4, 4, 5, 5]),
            (Quarter::FiveFourFour, [5, 4, 4, 5, 4, 4, 5, 4, 4, 5, 4, 5]),
        ] {
            let calendar = weeks("01-31", quarter, Weekday::Saturday, YearEnd::NearestMonthEnd);
            let found = (1..=12).map(|number| {
                let period = Period { year: 2024, number };
                let span = calendar.first_day(period).until(calendar.last_day(period)).expect("days");
                (span.get_days() + 1) / 7
            });
            assert_eq!(found.collect::<Vec<_>>(), lengths, "{quarter}");
        }
    }

    #[test]
    fn periods_tile_a_hundred_years() {
        let year_ends = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
        for (month, day) in (1..).zip(year_ends) {
            let months = FiscalCalendar::new(&format!("{month:02}-{day}"), None).expect("valid");
            check_tiles(months);
            for quarter in Quarter::ALL {
                for weekday in Weekday::Monday.cycle_forward().take(7) {
                    for ends in [YearEnd::LastInMonth, YearEnd::NearestMonthEnd] {
                        check_tiles(months.of_weeks(Some(WeekYears { quarter, weekday, ends })));
                    }
                }
            }
        }
    }

    fn check_tiles(calendar: FiscalCalendar) {
        let (mut first, end) = (date(1980, 1, 1), date(2080, 1, 1));
        let mut period = calendar.period_of(first);
        assert!(calendar.first_day(period) <= first, "{calendar:?}");
        for last in calendar.period_ends_from(first).take_while(|last| *last < end) {
            assert_eq!([first, last].map(|day| calendar.period_of(day)), [period; 2], "{calendar:?} {first}");
            first = last.tomorrow().expect("a day");
            period = period.next();
        }
    }

    #[test]
    fn the_end_of_the_calendar_is_no_trouble() {
        for ends in [YearEnd::LastInMonth, YearEnd::NearestMonthEnd] {
            let calendar = weeks("12-31", Quarter::FourFourFive, Weekday::Monday, ends);
            for calendar in [calendar, FiscalCalendar::new("06-30", None).expect("valid")] {
                let last = calendar.period_ends_from(Date::MAX).take(30).last();
                assert!(last.is_some_and(|last| last >= date(9999, 12, 27)), "{last:?}");
                assert!(calendar.period_of(date(1, 1, 1)) <= named("0002-12"));
                assert!(Period::named("9999-12").is_ok_and(|period| calendar.last_day(period) > date(9999, 1, 1)));
            }
        }
    }
}
