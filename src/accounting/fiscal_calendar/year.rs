//! Fiscal years as a whole.

use jiff::civil::Date;

use super::FiscalCalendar;

/// A fiscal year with its first and last day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FiscalYear {
    pub year: i16,
    pub first_day: Date,
    pub last_day: Date,
}

impl FiscalYear {
    /// Whether a date lies in it.
    pub fn contains(&self, date: Date) -> bool {
        (self.first_day..=self.last_day).contains(&date)
    }
}

impl FiscalCalendar {
    /// The fiscal year in which a date lies.
    pub fn year_with(&self, date: Date) -> FiscalYear {
        self.whole_year(self.year_of(date))
    }

    fn whole_year(&self, year: i16) -> FiscalYear {
        let (first_day, last_day) = self.days_of(year);
        FiscalYear { year, first_day, last_day }
    }

    /// The fiscal years that end on a day from `from` through `through`, in order.
    ///
    /// ```
    /// use jiff::civil::date;
    /// use parwright::accounting::fiscal_calendar::FiscalCalendar;
    ///
    /// let june = FiscalCalendar::new("06-30", None).expect("a month's last day");
    /// let years: Vec<_> = june.years_ending(date(2025, 6, 30), date(2026, 6, 30)).collect();
    /// assert_eq!(years.len(), 2);
    /// assert_eq!((years[0].first_day, years[0].last_day), (date(2024, 7, 1), date(2025, 6, 30)));
    /// assert_eq!(years[1].year, 2026);
    /// assert_eq!(june.years_ending(date(2025, 7, 1), date(2026, 6, 29)).count(), 0);
    /// ```
    pub fn years_ending(&self, from: Date, through: Date) -> impl Iterator<Item = FiscalYear> + use<> {
        let calendar = *self;
        let years = self.year_of(from)..=self.year_of(through);
        years.map(move |year| calendar.whole_year(year)).filter(move |year| year.last_day <= through)
    }
}
