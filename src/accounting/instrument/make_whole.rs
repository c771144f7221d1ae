//! Additional shares for holders who convert in connection with a make-whole event: a table of the indenture by effective date and
//! share price. They are part of the original terms, and no inducement.

use jiff::civil::Date;
use rust_decimal::Decimal;

use crate::accounting::money::round_shares;
use crate::accounting::refusal::Refusal;

/// The additional shares for one denomination on an effective date, a figure a share price of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MakeWholeRow {
    pub effective_date: Date,
    pub additional_shares: Vec<Decimal>,
}

/// The table, at the conversion rate of the terms.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MakeWhole {
    /// From low to high.
    pub share_prices: Vec<Decimal>,
    /// By date.
    pub rows: Vec<MakeWholeRow>,
    /// The greatest number of shares for one denomination with the additional ones, if the terms have one.
    pub most_shares: Option<Decimal>,
}

/// What a table may hold at most.
const MOST_FIGURES: usize = 400;

impl MakeWhole {
    /// Proves a table right: prices and dates rise, every row has a figure a price, and none is negative.
    ///
    /// # Errors
    /// A [`Refusal`] that names the field.
    pub fn check(&self) -> Result<(), Refusal> {
        let invalid = |field, value: &dyn ToString, rule: &str| Err(Refusal::invalid(field, value.to_string(), rule));
        let prices = &self.share_prices;
        if prices.is_empty() || self.rows.is_empty() || prices.len() * self.rows.len() > MOST_FIGURES {
            let rule = "a table has at least one share price and one row, and at most 400 figures";
            return invalid("conversion/make_whole/rows", &self.rows.len(), rule);
        }
        if prices[0] <= Decimal::ZERO || !prices.is_sorted_by(|low, high| low < high) {
            return invalid("conversion/make_whole/share_prices", &prices[0], "share prices are above zero and rise");
        }
        if !self.rows.is_sorted_by(|earlier, later| earlier.effective_date < later.effective_date) {
            let first = self.rows[0].effective_date;
            return invalid("conversion/make_whole/rows", &first, "effective dates rise");
        }
        let figures = prices.iter().chain(self.rows.iter().flat_map(|row| &row.additional_shares));
        if let Some(figure) = figures.chain(&self.most_shares).find(|figure| figure.normalize().scale() > 10) {
            return invalid("conversion/make_whole/rows", figure, "figures may have at most 10 decimals");
        }
        for row in &self.rows {
            if row.additional_shares.len() != prices.len() {
                let rule =
                    format!("the row of {} needs {} figures, one a share price", row.effective_date, prices.len());
                return invalid("conversion/make_whole/rows", &row.additional_shares.len(), &rule);
            }
            if let Some(shares) = row.additional_shares.iter().find(|shares| shares.is_sign_negative()) {
                return invalid("conversion/make_whole/rows", shares, "additional shares cannot be negative");
            }
        }
        Ok(())
    }

    /// The additional shares for one denomination on an effective date at a share price, to four decimals: figures between those of
    /// the table by the straight line, over the days between two dates; none at a price below the lowest or above the highest, and
    /// none after the last date (public indentures; recalled, not quoted). `adjusted` is the rate in force over that of the terms:
    /// prices move against it and shares with it, and so do those of the table.
    ///
    /// ```
    /// use jiff::civil::date;
    /// use parwright::accounting::instrument::{MakeWhole, MakeWholeRow};
    /// use rust_decimal::Decimal;
    /// let figures = |figures: [i64; 2]| figures.map(Decimal::from).to_vec();
    /// let row = |effective_date, shares| MakeWholeRow { effective_date, additional_shares: figures(shares) };
    /// let rows = vec![row(date(2026, 1, 1), [8, 4]), row(date(2027, 1, 1), [4, 2])];
    /// let table = MakeWhole { share_prices: figures([20, 30]), rows, most_shares: None };
    /// let half_way = table.additional(date(2026, 7, 2), Decimal::from(25), Decimal::ONE);
    /// assert_eq!(half_way, Ok("4.5041".parse().unwrap())); // 6 on the first date, 3 on the second, 182 of 365 days
    /// ```
    ///
    /// # Errors
    /// An effective date before the first of the table, or [`Refusal::Overflow`].
    pub fn additional(
        &self,
        effective_date: Date,
        share_price: Decimal,
        adjusted: Decimal,
    ) -> Result<Decimal, Refusal> {
        let first = self.rows.first().map_or(effective_date, |row| row.effective_date);
        if effective_date < first {
            return Err(Refusal::invalid(
                "make_whole/effective_date",
                effective_date,
                format!("the table of additional shares begins on {first}"),
            ));
        }
        let price = share_price.checked_mul(adjusted).ok_or(Refusal::Overflow)?;
        let after = self.rows.partition_point(|row| row.effective_date < effective_date);
        let Some(later) = self.rows.get(after) else { return Ok(Decimal::ZERO) };
        let at_later = self.at_price(later, price)?;
        let exact = match after.checked_sub(1).map(|before| &self.rows[before]) {
            Some(earlier) if effective_date < later.effective_date => {
                let days = |from: Date, to: Date| Decimal::from(from.duration_until(to).as_hours() / 24);
                let elapsed = days(earlier.effective_date, effective_date);
                let whole = days(earlier.effective_date, later.effective_date);
                between(self.at_price(earlier, price)?, at_later, elapsed, whole)?
            }
            _ => at_later,
        };
        Ok(round_shares(exact.checked_mul(adjusted).ok_or(Refusal::Overflow)?))
    }

    fn at_price(&self, row: &MakeWholeRow, price: Decimal) -> Result<Decimal, Refusal> {
        let (prices, shares) = (&self.share_prices, &row.additional_shares);
        let above = prices.partition_point(|known| *known < price);
        match above.checked_sub(1) {
            _ if above == prices.len() => Ok(Decimal::ZERO),
            _ if prices[above] == price => Ok(shares[above]),
            None => Ok(Decimal::ZERO),
            Some(below) => between(shares[below], shares[above], price - prices[below], prices[above] - prices[below]),
        }
    }
}

fn between(from: Decimal, to: Decimal, elapsed: Decimal, whole: Decimal) -> Result<Decimal, Refusal> {
    let moved = to.checked_sub(from).and_then(|all| all.checked_mul(elapsed)).and_then(|all| all.checked_div(whole));
    moved.and_then(|moved| from.checked_add(moved)).ok_or(Refusal::Overflow)
}
