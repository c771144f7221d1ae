//! How days between two dates are counted for interest.

use jiff::civil::Date;
use rust_decimal::Decimal;

/// A day count convention.
///
/// - `Thirty360`: 30/360 Bond Basis, 2006 ISDA Definitions 4.16(f).
/// - `Thirty360Us`: 30U/360, the same with the end-of-February rule.
/// - `ThirtyE360`: 30E/360, 2006 ISDA Definitions 4.16(g).
/// - `ActActIcma`: actual days over the actual days of the (quasi-)coupon period, ICMA Rule 251.
/// - `Act365Fixed`, `Act360`: actual days over 365 and 360.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DayCount {
    Thirty360,
    Thirty360Us,
    ThirtyE360,
    ActActIcma,
    Act365Fixed,
    Act360,
}

impl DayCount {
    /// The days from `start` to `end`, which is not before it.
    ///
    /// For a month-end issue (one that matures on a month's last day) a 30-day count takes every month's last day as the 30th, at
    /// either end: "a 360-day year of twelve 30-day months".
    ///
    /// ```
    /// use jiff::civil::date;
    /// use parwright::accounting::instrument::DayCount;
    /// let (february, august) = (date(2006, 2, 28), date(2006, 8, 31));
    /// assert_eq!(DayCount::Thirty360.days(february, august, false), 183);
    /// assert_eq!(DayCount::Thirty360Us.days(february, august, false), 180);
    /// assert_eq!(DayCount::ThirtyE360.days(february, august, false), 182);
    /// assert_eq!(DayCount::Thirty360.days(february, august, true), 180);
    /// ```
    pub fn days(self, start: Date, end: Date, month_end_issue: bool) -> i64 {
        let (mut d1, mut d2) = (i64::from(start.day()), i64::from(end.day()));
        match self {
            DayCount::ActActIcma | DayCount::Act365Fixed | DayCount::Act360 => return actual_days(start, end),
            _ if month_end_issue => {
                d1 = if is_month_end(start) { 30 } else { d1 };
                d2 = if is_month_end(end) { 30 } else { d2 };
            }
            DayCount::Thirty360 => {
                d1 = d1.min(30);
                d2 = if d1 == 30 { d2.min(30) } else { d2 };
            }
            DayCount::Thirty360Us => {
                if is_february_end(start) {
                    d2 = if is_february_end(end) { 30 } else { d2 };
                    d1 = 30;
                }
                d1 = d1.min(30);
                d2 = if d1 == 30 { d2.min(30) } else { d2 };
            }
            DayCount::ThirtyE360 => {
                d1 = d1.min(30);
                d2 = d2.min(30);
            }
        }
        360 * (i64::from(end.year()) - i64::from(start.year()))
            + 30 * (i64::from(end.month()) - i64::from(start.month()))
            + d2
            - d1
    }

    /// The fixed number of days of a year by which interest is reckoned whatever the coupon period, for the counts that have one.
    pub(crate) fn fixed_year(self) -> Option<Decimal> {
        match self {
            DayCount::Act365Fixed => Some(Decimal::from(365)),
            DayCount::Act360 => Some(Decimal::from(360)),
            DayCount::Thirty360 | DayCount::Thirty360Us | DayCount::ThirtyE360 | DayCount::ActActIcma => None,
        }
    }
}

/// Calendar days from `start` to `end`.
pub(crate) fn actual_days(start: Date, end: Date) -> i64 {
    start.duration_until(end).as_hours() / 24
}

/// Whether a date is the last of its month.
pub(crate) fn is_month_end(date: Date) -> bool {
    date.day() == date.days_in_month()
}

fn is_february_end(date: Date) -> bool {
    date.month() == 2 && is_month_end(date)
}
