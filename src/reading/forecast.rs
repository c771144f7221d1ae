//! The forecast: interest, coupons and carrying amounts by month.

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::outstanding::{Outstanding, OutstandingPages};
use super::{Known, Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::assumed::AssumedConversion;
use crate::document::money;
use crate::document::wire::{DateString, DecimalString};
use crate::posting::{self, RecordError};
use crate::reports::forecast::{Month, forecast, months};

/// A conversion that is assumed, as it is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assumed {
    pub bond_issue: String,
    pub effective_date: DateString,
    pub principal: DecimalString,
}

/// What is asked for of a forecast.
#[derive(Clone, Debug)]
pub struct ForecastAsked<'a> {
    pub from: Date,
    pub to: Date,
    pub known: Known,
    pub currency: Option<Currency>,
    pub assumed: &'a [Assumed],
    /// After this id.
    pub after: &'a str,
    pub limit: usize,
}

/// What the debt will cost and stand at, month by month, if nothing happens but what is recorded, what is assumed and repayment at maturity.
/// Nothing of it is posted.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ForecastDocument {
    pub entity: String,
    pub from: String,
    pub to: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    pub assumed_conversions: Vec<AssumedConversionDocument>,
    pub items: Vec<IssueForecast>,
    /// Of all items, not of the page.
    pub total: Vec<ForecastMonth>,
    pub next_cursor: Option<String>,
    pub caution: String,
}

/// A conversion that was assumed.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct AssumedConversionDocument {
    pub bond_issue: String,
    pub effective_date: String,
    pub principal: String,
}

/// The months of one issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IssueForecast {
    pub bond_issue: String,
    pub reference: String,
    pub months: Vec<ForecastMonth>,
}

/// A calendar month, or the part of it that was asked for. Opening + amortization + other movements = carrying amount.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ForecastMonth {
    pub from: String,
    pub to: String,
    pub opening_carrying_amount: String,
    pub amortization: String,
    /// Issuance, conversions and repayment, recorded or assumed.
    pub other_movements: String,
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    /// Coupon interest by day.
    pub coupon_interest: String,
    /// Coupon interest + amortization.
    pub interest_expense: String,
    /// Coupons that fall due, whether they were paid or not.
    pub coupons_due: String,
    /// At maturity, at the redemption price, of what is outstanding then.
    pub repayment: String,
}

impl ForecastMonth {
    fn of(month: &Month, currency: Currency) -> Result<ForecastMonth, Refusal> {
        let figure = |amount| money(amount, currency);
        Ok(ForecastMonth {
            from: month.first.to_string(),
            to: month.last.to_string(),
            opening_carrying_amount: figure(month.opening),
            amortization: figure(month.amortization),
            other_movements: figure(month.movements),
            principal: figure(month.principal),
            premium_discount: figure(month.premium_discount),
            issue_costs: figure(month.issue_costs),
            carrying_amount: figure(month.carrying_amount()?),
            coupon_interest: figure(month.coupon_interest),
            interest_expense: figure(month.interest_expense()?),
            coupons_due: figure(month.coupons_due),
            repayment: figure(month.repayment),
        })
    }
}

impl Library {
    /// The forecast of an entity's issues in a currency (the functional one if none is named), after an id; and the id after which the
    /// next page begins, if there is more.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the entity was not known, or an assumed conversion names no issue of it; a [`Refusal`] when that
    /// could not be recorded.
    pub async fn forecast(
        &self,
        entity: &str,
        asked: ForecastAsked<'_>,
    ) -> Result<(ForecastDocument, Option<String>), ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (row, currency) = super::entity_in(&mut reader, entity, asked.currency).await?;
        let calendar = posting::calendar(&row, None)?;
        let (known, days) = (asked.known, (asked.from, asked.to));
        let months = months(asked.from, asked.to);
        let mut total: Vec<Month> = months.iter().copied().map(Month::empty).collect();
        let (mut items, mut last_kept, mut more) = (Vec::new(), None, false);
        let mut unseen: Vec<&Assumed> = asked.assumed.iter().collect();
        let mut pages = OutstandingPages::begin(entity, days, known, currency, &mut reader).await?;
        while let Some(page) = pages.next(&mut reader).await? {
            for issue in page {
                let assumed = unseen.extract_if(.., |assumed| assumed.bond_issue == issue.id).collect::<Vec<_>>();
                let Outstanding { id, reference, instrument, history, .. } = with_assumed(issue, &assumed, calendar)?;
                let found = forecast(&instrument, &history, &months)?;
                if found.iter().all(|month| *month == Month::empty((month.first, month.last))) {
                    continue;
                }
                for (total, month) in total.iter_mut().zip(&found) {
                    *total = total.plus(month)?;
                }
                if id.as_str() > asked.after && items.len() < asked.limit {
                    let months = found.iter().map(|month| ForecastMonth::of(month, currency));
                    last_kept = Some(id.clone());
                    items.push(IssueForecast { bond_issue: id, reference, months: months.collect::<Result<_, _>>()? });
                } else if id.as_str() > asked.after {
                    more = true;
                }
            }
        }
        if let Some(assumed) = unseen.first() {
            let (id, code, to) = (&assumed.bond_issue, currency.code(), asked.to);
            return Err(RecordError::NotFound(format!("the bond issue {id}, in {code} and settled by {to},")));
        }
        let answer = ForecastDocument {
            entity: entity.to_owned(),
            from: asked.from.to_string(),
            to: asked.to.to_string(),
            currency: currency.code().to_owned(),
            other_currencies: super::other_currencies(&mut reader, entity, known, currency).await?,
            known_at: known.text(),
            assumed_conversions: asked.assumed.iter().map(AssumedConversionDocument::of).collect(),
            items,
            total: total.iter().map(|month| ForecastMonth::of(month, currency)).collect::<Result<_, _>>()?,
            next_cursor: None,
            caution: super::CAUTION.to_owned(),
        };
        Ok((answer, last_kept.filter(|_| more)))
    }
}

impl AssumedConversionDocument {
    fn of(assumed: &Assumed) -> AssumedConversionDocument {
        AssumedConversionDocument {
            bond_issue: assumed.bond_issue.clone(),
            effective_date: assumed.effective_date.to_string(),
            principal: assumed.principal.to_string(),
        }
    }
}

/// The issue as it would be with conversions, one after the other.
fn with_assumed(issue: Outstanding, assumed: &[&Assumed], calendar: FiscalCalendar) -> Result<Outstanding, ReadError> {
    if assumed.is_empty() {
        return Ok(issue);
    }
    let mut books = issue.books(calendar);
    for assumed in assumed {
        let principal = Amount::from_major(assumed.principal.0, books.instrument.terms().currency)?;
        let conversion = AssumedConversion { effective_date: assumed.effective_date.0, principal };
        books.history = conversion.applied(&books)?;
    }
    Ok(Outstanding { history: books.history, ..issue })
}
