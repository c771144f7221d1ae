//! Days between two dates as each day count sees them.

use super::DayCount;
use super::calendar::{days_between, is_month_end};
use jiff::civil::Date;

/// `month_end_issue`: in the 30-day counts every month's last day is the 30th, at either end.
pub fn days(day_count: DayCount, month_end_issue: bool, from: Date, to: Date) -> i64 {
    let february_end = |date: Date| date.month() == 2 && is_month_end(date);
    let (mut first, mut last) = (i64::from(from.day()), i64::from(to.day()));
    match day_count {
        DayCount::ActActIcma | DayCount::Act365F | DayCount::Act360 => {
            return days_between(from, to);
        }
        _ if month_end_issue => {
            first = if is_month_end(from) { 30 } else { first };
            last = if is_month_end(to) { 30 } else { last };
        }
        DayCount::Thirty360 => {
            first = first.min(30);
            if last == 31 && first == 30 {
                last = 30;
            }
        }
        DayCount::Thirty360U => {
            if february_end(from) && february_end(to) {
                last = 30;
            }
            if february_end(from) {
                first = 30;
            }
            if last == 31 && first >= 30 {
                last = 30;
            }
            first = first.min(30);
        }
        DayCount::ThirtyE360 => {
            first = first.min(30);
            last = last.min(30);
        }
    }
    let years = i64::from(to.year()) - i64::from(from.year());
    let months = i64::from(to.month()) - i64::from(from.month());
    360 * years + 30 * months + last - first
}
