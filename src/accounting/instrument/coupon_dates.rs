//! Coupon dates, quasi-coupon periods and the interest of a period.
//!
//! Dates run back from maturity in steps of the coupon frequency, keeping month-end if maturity is one. A zero-coupon issue has
//! the same grid at its compounding frequency; its dates are compounding dates, on which nothing is paid.

use jiff::{ToSpan, civil::Date};
use rust_decimal::Decimal;

use super::day_count::{DayCount, is_month_end};
use crate::accounting::Refusal;

/// The grid of coupon dates of an issue and the interest that accrues on one unit of principal.
#[derive(Clone, Debug)]
pub struct CouponDates {
    maturity: Date,
    months: i32,
    month_end: bool,
    day_count: DayCount,
    /// Interest a year on one unit of principal; zero for a zero-coupon issue.
    annual_rate: Decimal,
    /// The regular coupon, annual rate / frequency.
    regular_coupon: Decimal,
    /// Period starts and ends: `dates[0]` is where interest begins, `dates[i]` ends period i.
    dates: Vec<Date>,
    /// The number of the first period of these terms, if it is shorter or longer than a regular one.
    stub: Option<usize>,
    pays_coupons: bool,
}

impl CouponDates {
    /// The grid from `begin` (the dated date) to `maturity` with `per_year` periods a year; `first` is the first coupon date if it
    /// is not the first date of the grid after `begin`.
    ///
    /// # Errors
    /// [`Refusal`] when `first` is no date of the grid or a date leaves the calendar.
    pub(crate) fn new(
        begin: Date,
        first: Option<Date>,
        maturity: Date,
        per_year: u8,
        annual_rate: Decimal,
        day_count: DayCount,
        pays_coupons: bool,
    ) -> Result<CouponDates, Refusal> {
        let months = 12 / i32::from(per_year);
        let month_end = is_month_end(maturity);
        let mut dates: Vec<Date> =
            (0..).map(|k| grid_date(maturity, k * months, month_end)).take_while(|date| *date > begin).collect();
        dates.reverse();
        if let Some(first) = first {
            let Some(at) = dates.iter().position(|date| *date == first) else {
                let nearest = nearest(&dates, first);
                return Err(Refusal::NotACouponDate { field: "first_coupon_date", date: first, nearest });
            };
            dates.drain(..at);
        }
        let mut grid = CouponDates {
            maturity,
            months,
            month_end,
            day_count,
            annual_rate,
            regular_coupon: annual_rate / Decimal::from(per_year),
            dates: Vec::new(),
            stub: None,
            pays_coupons,
        };
        grid.stub = dates.first().is_none_or(|first| grid.previous(*first) != begin).then_some(1);
        grid.dates = std::iter::once(begin).chain(dates).collect();
        Ok(grid)
    }

    /// This grid with the dates of an earlier one before it. Periods before this grid's own are there to be found and not to be
    /// computed: their coupons are those of the earlier terms.
    #[must_use]
    pub(super) fn continuing(mut self, earlier: &CouponDates) -> CouponDates {
        let begin = self.dates[0];
        let kept = earlier.dates.iter().copied().filter(|date| *date < begin);
        let mut dates: Vec<Date> = kept.collect();
        self.stub = self.stub.map(|number| number + dates.len());
        dates.append(&mut self.dates);
        CouponDates { dates, ..self }
    }

    /// Whether this grid and another have the same regular period before `end`, a date of both, and count its days alike.
    pub(super) fn counts_alike(&self, other: &CouponDates, end: Date) -> bool {
        self.month_end == other.month_end && self.previous(end) == other.previous(end)
    }

    /// Whether the issue matures on a month's last day.
    pub fn is_month_end(&self) -> bool {
        self.month_end
    }

    /// Number of periods.
    pub fn periods(&self) -> usize {
        self.dates.len() - 1
    }

    /// The first and last day boundary of a period, counted from 1.
    pub fn period(&self, number: usize) -> (Date, Date) {
        (self.dates[number - 1], self.dates[number])
    }

    /// The number of the period in which `boundary` lies: after its start, up to and including its end. A boundary at or before
    /// the beginning lies in the first, one after maturity in the last.
    pub fn period_of(&self, boundary: Date) -> usize {
        self.dates[1..].partition_point(|end| *end < boundary).min(self.periods() - 1) + 1
    }

    /// The dates of the grid after the beginning: coupon dates, or compounding dates of a zero-coupon issue.
    pub fn grid(&self) -> &[Date] {
        &self.dates[1..]
    }

    /// The coupon dates; none for a zero-coupon issue.
    pub fn coupon_dates(&self) -> &[Date] {
        if self.pays_coupons { self.grid() } else { &[] }
    }

    /// Whether a coupon falls due on `date`.
    pub fn is_coupon_date(&self, date: Date) -> bool {
        self.coupon_dates().binary_search(&date).is_ok()
    }

    /// The coupon dates after `after` up to and including `through`.
    pub fn coupon_dates_between(&self, after: Date, through: Date) -> &[Date] {
        let dates = self.coupon_dates();
        let from = dates.partition_point(|date| *date <= after);
        let to = dates.partition_point(|date| *date <= through);
        &dates[from..to.max(from)]
    }

    /// The first coupon date after `date`.
    pub fn next_coupon_date(&self, date: Date) -> Option<Date> {
        let dates = self.coupon_dates();
        dates.get(dates.partition_point(|coupon| *coupon <= date)).copied()
    }

    /// The coupon date nearest to `date`.
    pub fn nearest_coupon_date(&self, date: Date) -> Option<Date> {
        nearest(self.coupon_dates(), date)
    }

    /// The days between two boundaries by the day count.
    pub(crate) fn days(&self, start: Date, end: Date) -> Decimal {
        Decimal::from(self.day_count.days(start, end, self.month_end))
    }

    /// The coupon of a period on one unit of principal.
    pub(crate) fn coupon(&self, number: usize) -> Decimal {
        let (start, end) = self.period(number);
        self.accrued(number, start, end)
    }

    /// Interest accrued on one unit of principal from `from` to `to`, both within period `number`.
    ///
    /// In a regular period: the regular coupon x days elapsed / days in the period. In a stub: the same by quasi-coupon periods.
    /// Under ACT/365F and ACT/360: rate x days / 365 or 360.
    pub(crate) fn accrued(&self, number: usize, from: Date, to: Date) -> Decimal {
        match self.day_count.fixed_year() {
            Some(year) => self.annual_rate * self.days(from, to) / year,
            None => {
                let (days, whole) = self.fraction(number, from, to);
                match whole {
                    Some(whole) if days == whole => self.regular_coupon,
                    Some(whole) => self.regular_coupon * days / whole,
                    None => self.regular_coupon * days,
                }
            }
        }
    }

    /// What the annual rate is multiplied by, and then divided by, for the interest of [`accrued`](Self::accrued).
    pub(crate) fn part_of_year(&self, number: usize, from: Date, to: Date) -> (Decimal, Decimal) {
        let per_year = Decimal::from(12 / self.months);
        match self.day_count.fixed_year() {
            Some(year) => (self.days(from, to), year),
            None => match self.fraction(number, from, to) {
                (days, Some(whole)) if days == whole => (Decimal::ONE, per_year),
                (days, Some(whole)) => (days, whole * per_year),
                (periods, None) => (periods, per_year),
            },
        }
    }

    /// The length of `from..to` in coupon periods: 1 for a regular period, for a stub the sum over its quasi-coupon periods of
    /// days / days in that quasi-coupon period.
    pub(crate) fn length(&self, number: usize, from: Date, to: Date) -> Decimal {
        let (days, whole) = self.fraction(number, from, to);
        whole.map_or(days, |whole| days / whole)
    }

    /// A length as days over the days of one quasi-coupon period, or, where it spans several, as a sum already divided. Kept
    /// apart so that a product is divided last and exact halves stay exact.
    fn fraction(&self, number: usize, from: Date, to: Date) -> (Decimal, Option<Decimal>) {
        let (start, end) = self.period(number);
        if self.stub != Some(number) {
            return (self.days(from, to), Some(self.days(start, end)));
        }
        let mut pieces = Vec::new();
        let mut quasi_end = end;
        while quasi_end > from {
            let quasi_start = self.previous(quasi_end);
            let (piece_start, piece_end) = (quasi_start.max(from), quasi_end.min(to));
            if piece_start < piece_end {
                pieces.push((self.days(piece_start, piece_end), self.days(quasi_start, quasi_end)));
            }
            quasi_end = quasi_start;
        }
        match pieces.as_slice() {
            [] => (Decimal::ZERO, None),
            [(days, whole)] => (*days, Some(*whole)),
            several => (several.iter().map(|(days, whole)| days / whole).sum(), None),
        }
    }

    /// The grid date before `date`, itself a date of the grid.
    fn previous(&self, date: Date) -> Date {
        let months = (i32::from(self.maturity.year()) - i32::from(date.year())) * 12 + i32::from(self.maturity.month())
            - i32::from(date.month());
        grid_date(self.maturity, months + self.months, self.month_end)
    }
}

/// The date so many months before maturity, on maturity's day or the month's last one. A date that would leave the calendar is
/// its first day; terms are limited to a hundred years long before that.
fn grid_date(maturity: Date, months_back: i32, month_end: bool) -> Date {
    let date = maturity.checked_sub(months_back.months()).unwrap_or(Date::MIN);
    if month_end { date.last_of_month() } else { date }
}

fn nearest(dates: &[Date], date: Date) -> Option<Date> {
    let after = dates.partition_point(|candidate| *candidate < date);
    let candidates = [after.checked_sub(1), Some(after)].into_iter().flatten().filter_map(|at| dates.get(at).copied());
    candidates.min_by_key(|candidate| candidate.duration_until(date).abs())
}
