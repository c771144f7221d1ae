//! What an issue is carried at over its whole life: as it was as far as is known, and as it will be if nothing more happens.

use jiff::civil::Date;

use super::forecast::carried;
use crate::accounting::instrument::Instrument;
use crate::accounting::money::Amount;
use crate::accounting::position::History;
use crate::accounting::refusal::Refusal;

/// About how many dates are looked at besides those of events: enough for a curve to be drawn, few enough to be read as a table.
const DATES: usize = 12;

/// The debt at the close of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Carried {
    pub date: Date,
    pub principal: Amount,
    pub carrying_amount: Amount,
}

/// The dates on which it is looked at: the start, ends of months at an even distance, the day of each event and the day before it, `as_of`,
/// and the maturity with the day before it; in order.
///
/// ```
/// use jiff::civil::date;
/// let dates = parwright::reports::life::dates((date(2026, 1, 15), date(2027, 1, 15)), date(2026, 8, 31), &[date(2026, 8, 20)]);
/// assert_eq!((dates.first(), dates.last()), (Some(&date(2026, 1, 15)), Some(&date(2027, 1, 15))));
/// assert!(dates.is_sorted() && dates.contains(&date(2026, 8, 19)) && dates.contains(&date(2026, 8, 20)));
/// ```
pub fn dates((start, maturity): (Date, Date), as_of: Date, events: &[Date]) -> Vec<Date> {
    let ends: Vec<Date> = std::iter::successors(Some(start.last_of_month()), |end| {
        end.tomorrow().ok().map(Date::last_of_month).filter(|end| *end < maturity)
    })
    .collect();
    let step = ends.len().div_ceil(DATES).max(1);
    let eves = events.iter().chain([&maturity]).filter_map(|date| date.yesterday().ok());
    let mut dates: Vec<Date> = ends.iter().copied().step_by(step).chain(eves).collect();
    dates.extend(events.iter().copied().chain([start, as_of, maturity]));
    dates.retain(|date| (start..=maturity).contains(date));
    dates.sort_unstable();
    dates.dedup();
    dates
}

/// The debt on some dates. What is outstanding on the maturity date is taken to be repaid on it.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn life(instrument: &Instrument, history: &History, dates: &[Date]) -> Result<Vec<Carried>, Refusal> {
    let on = |date: &Date| {
        let carried = carried(instrument, history, *date)?;
        Ok(Carried { date: *date, principal: carried.principal, carrying_amount: carried.total()? })
    };
    dates.iter().map(on).collect()
}
