//! The sale-price condition: whether the share price was high enough, on enough of the last trading days of a calendar quarter, for holders
//! to be allowed to convert during the next one. (So in public indentures.)

use jiff::ToSpan;
use jiff::civil::Date;
use rust_decimal::Decimal;

use super::Books;
use super::observation::{DailyPrice, check_days};
use crate::accounting::instrument::SalePriceCondition;
use crate::accounting::refusal::Refusal;

/// The last trading day of a quarter lies at most so many days before its end.
const LAST_PRICE_WITHIN_DAYS: i64 = 10;

/// The days that a condition looks at, each against the conversion price in force on it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counted {
    pub condition: SalePriceCondition,
    /// As many as the condition looks at, in order.
    pub days: Vec<CountedDay>,
    pub days_met: usize,
}

/// A trading day. Figures are for one share, in major units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CountedDay {
    pub date: Date,
    pub price: Decimal,
    /// In force on the day.
    pub shares_per_denomination: Decimal,
    /// The denomination by the shares.
    pub conversion_price: Decimal,
    /// What the price must be at least.
    pub threshold: Decimal,
    pub is_met: bool,
}

/// When holders may convert in a quarter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Convertible {
    pub from: Date,
    /// Its last day, or that of maturity if that comes first.
    pub to: Date,
    /// Because the condition is met; if not, because the terms let holders convert from a date on whatever the price is.
    pub by_price: bool,
}

/// A condition that was looked at as of the end of a calendar quarter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tested {
    pub counted: Counted,
    /// The first and the last day of the calendar quarter after it.
    pub next_quarter: (Date, Date),
    pub convertible: Option<Convertible>,
}

impl Counted {
    /// Whether the price was high enough on enough of the days.
    pub fn is_satisfied(&self) -> bool {
        self.days_met >= usize::from(self.condition.days)
    }
}

/// Looks at the prices of a calendar quarter: whether holders may convert during the next one. What the trading days are, the caller says.
/// Of more days than the condition looks at, the last ones count.
///
/// # Errors
/// A [`Refusal`] when the issue has no such condition, `quarter_end` is not the last day of a calendar quarter in its life, or the days are not
/// those that the condition looks at.
pub fn test(books: &Books, quarter_end: Date, prices: &[DailyPrice]) -> Result<Tested, Refusal> {
    let (field, date) = ("quarter_end", quarter_end);
    let last = last_quarter_end(quarter_end);
    if last != quarter_end {
        let rule = format!("the condition looks at calendar quarters; the one that ended last ended on {last}");
        return Err(Refusal::invalid(field, date, rule));
    }
    let terms = books.instrument.on(quarter_end).terms();
    let conversion = terms.conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
    let condition = conversion.sale_price_condition.ok_or_else(|| {
        Refusal::contradiction("daily_prices", "the terms of this issue state no sale-price condition to look at")
    })?;
    if quarter_end < terms.settlement_date {
        return Err(Refusal::BeforeSettlement { field, date, settlement_date: terms.settlement_date });
    }
    let next_quarter = quarter_after(quarter_end);
    if terms.maturity_date < next_quarter.0 {
        let rule = format!("the issue matures on {}, before another quarter begins", terms.maturity_date);
        return Err(Refusal::invalid(field, date, rule));
    }
    let counted = count(books, condition, quarter_end, "daily_prices", prices)?;
    let (from, to) = (next_quarter.0, next_quarter.1.min(terms.maturity_date));
    let convertible = match (counted.is_satisfied(), condition.convertible_from) {
        (true, _) => Some(Convertible { from, to, by_price: true }),
        (false, Some(since)) if since <= to => Some(Convertible { from: from.max(since), to, by_price: false }),
        (false, _) => None,
    };
    Ok(Tested { counted, next_quarter, convertible })
}

/// Counts the days on which the price was at least so much of the conversion price in force on the day; `list` is where the prices stand.
pub(super) fn count(
    books: &Books,
    condition: SalePriceCondition,
    quarter_end: Date,
    list: &'static str,
    prices: &[DailyPrice],
) -> Result<Counted, Refusal> {
    check_days(list, prices)?;
    let row = |at, detail| Refusal::InvalidRow { list, at, field: "date", detail };
    let of_days = usize::from(condition.of_days);
    let Some(skipped) = prices.len().checked_sub(of_days) else {
        let detail = format!(
            "the condition looks at the last {of_days} trading days of the quarter that ended on {quarter_end}; these are {} prices",
            prices.len()
        );
        return Err(Refusal::contradiction(list, detail));
    };
    if let Some((at, late)) = prices.iter().enumerate().find(|(_, day)| day.date > quarter_end) {
        let detail = format!("{} is after the end of the quarter on {quarter_end}", late.date);
        return Err(row(at, detail));
    }
    let earliest_last = quarter_end.saturating_sub(LAST_PRICE_WITHIN_DAYS.days());
    if let Some((at, last)) = prices.iter().enumerate().next_back().filter(|(_, day)| day.date < earliest_last) {
        let detail = format!(
            "the days end with the last trading day of the quarter that ended on {quarter_end}; {} is too early to be it",
            last.date
        );
        return Err(row(at, detail));
    }
    let mut days = Vec::with_capacity(of_days);
    for (at, day) in prices.iter().enumerate().skip(skipped) {
        let settlement_date = books.instrument.on(day.date).terms().settlement_date;
        if day.date < settlement_date {
            let detail =
                format!("on {} there was no conversion price: the issue settled on {settlement_date}", day.date);
            return Err(row(at, detail));
        }
        days.push(counted(books, condition, *day)?);
    }
    let days_met = days.iter().filter(|day| day.is_met).count();
    Ok(Counted { condition, days, days_met })
}

fn counted(books: &Books, condition: SalePriceCondition, day: DailyPrice) -> Result<CountedDay, Refusal> {
    let DailyPrice { date, price } = day;
    let terms = books.instrument.on(date).terms();
    let shares = books.conversion_at(date)?.shares_per_denomination;
    let denomination = terms.denomination.to_major(terms.currency);
    let asked = denomination.checked_mul(condition.threshold).ok_or(Refusal::Overflow)?;
    // Price >= threshold x denomination / shares, without the division, so that nothing is rounded before it is compared.
    let worth = price.checked_mul(shares).ok_or(Refusal::Overflow)?;
    let a_share = |figure: Decimal| figure.checked_div(shares).ok_or(Refusal::Overflow);
    Ok(CountedDay {
        date,
        price,
        shares_per_denomination: shares,
        conversion_price: a_share(denomination)?,
        threshold: a_share(asked)?,
        is_met: worth >= asked,
    })
}

/// The last day of the calendar quarter that ended last, the date itself included.
pub(super) fn last_quarter_end(date: Date) -> Date {
    if date == date.last_of_month() && date.month() % 3 == 0 {
        return date;
    }
    let in_quarter = i32::from((date.month() - 1) % 3);
    date.first_of_month().saturating_sub(in_quarter.months()).yesterday().unwrap_or(date)
}

/// The first and the last day of the quarter after one that ends on a date.
fn quarter_after(quarter_end: Date) -> (Date, Date) {
    let first = quarter_end.saturating_add(1.days());
    (first, first.saturating_add(2.months()).last_of_month())
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn the_quarter_that_ended_last_is_a_calendar_quarter() {
        for (on, end) in [
            (date(2026, 3, 31), date(2026, 3, 31)),
            (date(2026, 4, 30), date(2026, 3, 31)),
            (date(2026, 6, 29), date(2026, 3, 31)),
            (date(2026, 1, 31), date(2025, 12, 31)),
        ] {
            assert_eq!(last_quarter_end(on), end);
        }
    }

    #[test]
    fn the_quarter_after_ends_with_its_third_month() {
        for (end, first, last) in [
            (date(2025, 12, 31), date(2026, 1, 1), date(2026, 3, 31)),
            (date(2026, 3, 31), date(2026, 4, 1), date(2026, 6, 30)),
            (date(2026, 6, 30), date(2026, 7, 1), date(2026, 9, 30)),
            (date(2026, 9, 30), date(2026, 10, 1), date(2026, 12, 31)),
        ] {
            assert_eq!(quarter_after(end), (first, last));
        }
    }
}
