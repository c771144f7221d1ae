//! Fiscal years of 52 or 53 weeks.

use std::fmt;
use std::str::FromStr;

use jiff::Span;
use jiff::civil::{Date, Weekday};

/// The weeks of the three periods of a quarter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Quarter {
    #[default]
    FourFourFive,
    FourFiveFour,
    FiveFourFour,
}

impl Quarter {
    /// All of them, the first being the default.
    pub const ALL: [Quarter; 3] = [Quarter::FourFourFive, Quarter::FourFiveFour, Quarter::FiveFourFour];

    fn weeks(self) -> [i64; 3] {
        match self {
            Quarter::FourFourFive => [4, 4, 5],
            Quarter::FourFiveFour => [4, 5, 4],
            Quarter::FiveFourFour => [5, 4, 4],
        }
    }
}

impl fmt::Display for Quarter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [first, second, third] = self.weeks();
        write!(f, "{first}-{second}-{third}")
    }
}

impl FromStr for Quarter {
    type Err = ();

    fn from_str(text: &str) -> Result<Quarter, ()> {
        Quarter::ALL.into_iter().find(|quarter| quarter.to_string() == text).ok_or(())
    }
}

/// On which of its weekdays a year ends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum YearEnd {
    /// The last one in the month.
    #[default]
    LastInMonth,
    /// The one nearest to the month's last day, before or after it.
    NearestMonthEnd,
}

/// Years that end always on the same day of the week, and so have 52 or 53 weeks: 26 CFR 1.441-2(a).
///
/// The fifty-third week belongs to the last period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WeekYears {
    pub quarter: Quarter,
    pub weekday: Weekday,
    pub ends: YearEnd,
}

impl WeekYears {
    /// The last day of the year whose month ends on `month_end`.
    pub(super) fn year_end(self, month_end: Date) -> Date {
        let back = i64::from(month_end.weekday().since(self.weekday));
        // A week has no middle day: three days back is nearer than four days on.
        match self.ends {
            YearEnd::NearestMonthEnd if back > 3 => days_after(month_end, 7 - back),
            _ => days_after(month_end, -back),
        }
    }

    /// The number of the period in which a day of the year that begins on `first` lies.
    pub(super) fn number_of(self, date: Date, first: Date) -> i8 {
        // Both are days of one year.
        let mut left = first.until(date).map_or(0, |span| i64::from(span.get_days())) / 7;
        let mut number = 1;
        for weeks in self.quarter.weeks().iter().cycle().take(11) {
            left -= weeks;
            if left < 0 {
                break;
            }
            number += 1;
        }
        number
    }

    /// The last day of period `number` in the year of these first and last days.
    pub(super) fn period_end(self, number: i8, (first, last): (Date, Date)) -> Date {
        if number >= 12 {
            return last;
        }
        let number = usize::try_from(number).unwrap_or_default();
        let weeks: i64 = self.quarter.weeks().iter().cycle().take(number).sum();
        days_after(first, weeks * 7 - 1)
    }
}

/// Days beyond the last of the calendar are its last: nothing is posted there.
fn days_after(date: Date, days: i64) -> Date {
    date.saturating_add(Span::new().days(days))
}
