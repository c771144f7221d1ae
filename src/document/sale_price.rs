//! The sale-price condition as of the end of a calendar quarter: what is asked, and what is answered.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion::DailyPriceDocument;
use super::wire::DateString;
use crate::accounting::money::round_per_share;
use crate::accounting::transaction::DailyPrice;
use crate::accounting::transaction::sale_price::{Convertible, CountedDay, Tested};

/// The prices of a calendar quarter's last trading days.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SalePriceRequest {
    /// The last day of a calendar quarter.
    #[schema(example = "2026-03-31")]
    pub quarter_end: DateString,
    /// The last reported sale price of a share on each trading day up to the last one of the quarter, in order: at least as many days as the
    /// condition looks at, of which the last ones count. Which days are trading days is yours to say.
    pub daily_prices: Vec<DailyPriceDocument>,
}

impl SalePriceRequest {
    /// The prices as the core has them.
    pub fn prices(&self) -> Vec<DailyPrice> {
        self.daily_prices.iter().map(|day| DailyPrice { date: day.date.0, price: day.price.0 }).collect()
    }
}

/// Whether holders may convert during the calendar quarter after one, by the share prices of its last trading days.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SalePriceAnswer {
    pub bond_issue: String,
    pub reference: String,
    pub currency: String,
    pub known_at: String,
    pub quarter_end: String,
    /// Of the conversion price.
    pub percent: String,
    /// Those that the condition looks at, in order.
    pub days: Vec<SalePriceDay>,
    /// On how many of them the price was at least the threshold.
    pub days_met: usize,
    pub days_needed: u16,
    pub of_days: u16,
    pub satisfied: bool,
    pub next_quarter: QuarterDocument,
    /// Null where holders may not convert during the next quarter, as far as this condition goes.
    pub convertible: Option<ConvertibleDocument>,
    pub caution: String,
}

/// A trading day against the conversion price in force on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SalePriceDay {
    pub date: String,
    pub price: String,
    pub shares_per_denomination: String,
    /// Shown to six decimals.
    pub conversion_price: String,
    /// The percentage of the conversion price. Shown to six decimals; the price is compared with what is not rounded.
    pub threshold: String,
    /// Whether the price was at least the threshold.
    pub met: bool,
}

/// A calendar quarter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct QuarterDocument {
    pub from: String,
    pub to: String,
}

/// When holders may convert in a quarter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ConvertibleDocument {
    pub from: String,
    /// The last day of the quarter, or maturity if that comes first; terms that end conversions some days before maturity end them then.
    pub to: String,
    /// `sale_price_condition`, or `convertible_from`: the terms let holders convert from that date on whatever the price is.
    pub because: String,
}

impl SalePriceAnswer {
    /// The answer on an issue of a currency, known at a time.
    pub fn of(
        (bond_issue, reference): (&str, &str),
        (currency, known_at): (&str, String),
        quarter_end: DateString,
        tested: &Tested,
        caution: &str,
    ) -> SalePriceAnswer {
        let Tested { counted, next_quarter: (from, to), convertible } = tested;
        let condition = counted.condition;
        SalePriceAnswer {
            bond_issue: bond_issue.to_owned(),
            reference: reference.to_owned(),
            currency: currency.to_owned(),
            known_at,
            quarter_end: quarter_end.to_string(),
            percent: condition.threshold.saturating_mul(Decimal::ONE_HUNDRED).normalize().to_string(),
            days: counted.days.iter().map(SalePriceDay::from).collect(),
            days_met: counted.days_met,
            days_needed: condition.days,
            of_days: condition.of_days,
            satisfied: counted.is_satisfied(),
            next_quarter: QuarterDocument { from: from.to_string(), to: to.to_string() },
            convertible: convertible.as_ref().map(ConvertibleDocument::from),
            caution: caution.to_owned(),
        }
    }
}

impl From<&CountedDay> for SalePriceDay {
    fn from(day: &CountedDay) -> SalePriceDay {
        SalePriceDay {
            date: day.date.to_string(),
            price: day.price.to_string(),
            shares_per_denomination: day.shares_per_denomination.normalize().to_string(),
            conversion_price: round_per_share(day.conversion_price).to_string(),
            threshold: round_per_share(day.threshold).to_string(),
            met: day.is_met,
        }
    }
}

impl From<&Convertible> for ConvertibleDocument {
    fn from(convertible: &Convertible) -> ConvertibleDocument {
        let because = if convertible.by_price { "sale_price_condition" } else { "convertible_from" };
        ConvertibleDocument {
            from: convertible.from.to_string(),
            to: convertible.to.to_string(),
            because: because.to_owned(),
        }
    }
}
