//! Fiscal years and periods, and where a posting goes when its period is closed.

use jiff::civil::{Date, date};

use super::refusal::Refusal;

/// An entity's fiscal calendar: months, in years that end on a given month's last day; and how far it is closed.
///
/// A fiscal year is named by the calendar year in which it ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FiscalCalendar {
    year_end_month: i8,
    closed_through: Option<Date>,
}

impl FiscalCalendar {
    /// The calendar of years that end on `fiscal_year_end`, `MM-DD`, a month's last day (02-28 and 02-29 are both February's).
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
        if last.contains(&day) { Ok(FiscalCalendar { year_end_month: month, closed_through }) } else { Err(invalid()) }
    }

    /// The fiscal year of a date.
    pub fn year_of(&self, date: Date) -> i16 {
        if date.month() <= self.year_end_month { date.year() } else { date.year() + 1 }
    }

    /// The last days of the fiscal periods from the one in which `from` lies, without end.
    pub fn period_ends_from(&self, from: Date) -> impl Iterator<Item = Date> + use<> {
        std::iter::successors(Some(from.last_of_month()), |end| end.tomorrow().ok().map(Date::last_of_month))
    }

    /// The same calendar, in which nothing is posted before `date` either.
    #[must_use]
    pub fn open_from(self, date: Date) -> FiscalCalendar {
        FiscalCalendar { closed_through: self.closed_through.max(date.yesterday().ok()), ..self }
    }

    /// The date on which something effective on `date` is posted: itself, or the first day of the first open period after it.
    pub fn posting_date(&self, date: Date) -> Date {
        match self.closed_through {
            Some(closed) if date <= closed => closed.tomorrow().unwrap_or(closed),
            _ => date,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
