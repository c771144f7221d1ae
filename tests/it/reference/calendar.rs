//! Civil dates as day numbers and month numbers: arithmetic of our own, `jiff` only holds the date.

use jiff::civil::Date;

/// Days since 0000-03-01 in the proleptic Gregorian calendar.
pub fn day_number(date: Date) -> i64 {
    let (mut year, mut month) = (i64::from(date.year()), i64::from(date.month()));
    if month < 3 {
        year -= 1;
        month += 12;
    }
    // Years begin in March, so the leap day is a year's last day.
    let days_before_month = (153 * (month - 3) + 2) / 5;
    365 * year + year.div_euclid(4) - year.div_euclid(100)
        + year.div_euclid(400)
        + days_before_month
        + i64::from(date.day())
        - 1
}

pub fn days_between(from: Date, to: Date) -> i64 {
    day_number(to) - day_number(from)
}

pub fn days_in_month(year: i64, month: i64) -> i64 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        _ => 31,
    }
}

pub fn is_month_end(date: Date) -> bool {
    i64::from(date.day()) == days_in_month(i64::from(date.year()), i64::from(date.month()))
}

fn civil(year: i64, month: i64, day: i64) -> Date {
    let parts = (i16::try_from(year), i8::try_from(month), i8::try_from(day));
    let (Ok(year), Ok(month), Ok(day)) = parts else { panic!("no date {year}-{month}-{day}") };
    Date::new(year, month, day).expect("a date within the calendar")
}

/// `date` moved back by `months`; `to_month_end` keeps to the last day of the month.
pub fn months_before(date: Date, months: i64, to_month_end: bool) -> Date {
    let index = i64::from(date.year()) * 12 + i64::from(date.month()) - 1 - months;
    let (year, month) = (index.div_euclid(12), index.rem_euclid(12) + 1);
    let last = days_in_month(year, month);
    let day = if to_month_end { last } else { last.min(i64::from(date.day())) };
    civil(year, month, day)
}

pub fn next_day(date: Date) -> Date {
    let (year, month) = (i64::from(date.year()), i64::from(date.month()));
    if !is_month_end(date) {
        civil(year, month, i64::from(date.day()) + 1)
    } else if month == 12 {
        civil(year + 1, 1, 1)
    } else {
        civil(year, month + 1, 1)
    }
}
