//! The calendar of an entity's issues.

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::outstanding::OutstandingPages;
use super::{Known, Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::refusal::Refusal;
use crate::document::money;
use crate::reports::calendar::{Entry, Occasion, calendar};

/// The dates of issues that ask something of the issuer, in order, with amounts by what is outstanding as far as it is recorded.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CalendarDocument {
    pub entity: String,
    pub from: String,
    pub to: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    pub items: Vec<CalendarEntry>,
    pub caution: String,
}

/// One date of one issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CalendarEntry {
    pub date: String,
    /// `record_date`, `coupon_date`, `put_date` or `maturity_date`.
    #[schema(example = "coupon_date")]
    pub occasion: String,
    pub bond_issue: String,
    pub reference: String,
    /// Of a record date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coupon_date: Option<String>,
    /// Outstanding immediately before the date.
    pub principal: String,
    /// The coupon with what is paid besides it; at a put and at maturity the redemption price of all that is outstanding.
    pub amount: String,
}

impl CalendarEntry {
    fn of(entry: &Entry, (id, reference): (&str, &str), currency: Currency) -> CalendarEntry {
        let coupon_date = match entry.occasion {
            Occasion::RecordDate { coupon_date } => Some(coupon_date.to_string()),
            Occasion::CouponDate | Occasion::PutDate | Occasion::MaturityDate => None,
        };
        CalendarEntry {
            date: entry.date.to_string(),
            occasion: entry.occasion.name().to_owned(),
            bond_issue: id.to_owned(),
            reference: reference.to_owned(),
            coupon_date,
            principal: money(entry.principal, currency),
            amount: money(entry.amount, currency),
        }
    }
}

/// How many entries an answer has at most.
const MOST: usize = 50_000;

impl Library {
    /// The calendar of an entity's issues in a currency, the functional one if none is named.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound) when the entity was not known; a [`Refusal`] when there are too many dates.
    pub async fn calendar(
        &self,
        entity: &str,
        days: (Date, Date),
        known: Known,
        currency: Option<Currency>,
    ) -> Result<CalendarDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (_, currency) = super::entity_in(&mut reader, entity, currency).await?;
        let mut pages = OutstandingPages::begin(entity, days, known, currency, &mut reader).await?;
        let (from, to) = days;
        let mut items = Vec::new();
        while let Some(page) = pages.next(&mut reader).await? {
            for issue in page {
                let names = (issue.id.as_str(), issue.reference.as_str());
                let entries = calendar(&issue.instrument, &issue.history, from, to)?;
                items.extend(entries.iter().map(|entry| CalendarEntry::of(entry, names, currency)));
            }
            if items.len() > MOST {
                let rule = format!("there are more than {MOST} dates in it; ask for a shorter range");
                return Err(Refusal::invalid("to", to, rule).into());
            }
        }
        items.sort_by(|one, other| (&one.date, &one.reference).cmp(&(&other.date, &other.reference)));
        Ok(CalendarDocument {
            entity: entity.to_owned(),
            from: from.to_string(),
            to: to.to_string(),
            currency: currency.code().to_owned(),
            other_currencies: super::other_currencies(&mut reader, entity, known, currency).await?,
            known_at: known.text(),
            items,
            caution: super::CAUTION.to_owned(),
        })
    }
}
