//! The forecast: interest, coupons and carrying amounts by month.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::issued::Issued;
use super::{Known, Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::instrument::Instrument;
use crate::accounting::money::Amount;
use crate::accounting::position::History;
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::Books;
use crate::accounting::transaction::assumed::AssumedConversion;
use crate::document::money;
use crate::document::wire::{DateString, DecimalString};
use crate::posting::{self, RecordError};
use crate::reports::forecast::{Month, forecast, months};
use crate::store::{PositionRow, Reader, RecordedRevision};

/// How many issues are read at once.
const PAGE: i64 = 500;

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

/// An issue with what is outstanding of it.
pub(super) struct Outstanding {
    pub id: String,
    pub reference: String,
    pub instrument: Arc<Instrument>,
    pub history: History,
    /// Through when it is accrued by what is posted by the last day that is asked for.
    pub accrued_through: Option<Date>,
}

/// The issues of an entity in one currency, page by page, with what is outstanding of them from a date on.
pub(super) struct OutstandingPages<'a> {
    pub entity: &'a str,
    /// Rows from here on, led by the last before.
    pub from: Date,
    /// Issues that are settled by then.
    pub to: Date,
    pub known: Known,
    pub currency: Currency,
    pub revisions: &'a [RecordedRevision],
    /// The id after which the next page begins.
    pub after: String,
}

impl OutstandingPages<'_> {
    /// The next page, which may have no issue of the currency; none after the last.
    pub async fn next(&mut self, reader: &mut Reader<'_>) -> Result<Option<Vec<Outstanding>>, ReadError> {
        let (to, from, known) = (self.to.to_string(), self.from.to_string(), self.known.sequence);
        let page = reader.carrying_page(self.entity, &to, known, &self.after, PAGE).await?;
        let Some(last) = page.last().map(|row| row.issue.id.clone()) else { return Ok(None) };
        let mut rows: HashMap<String, Vec<PositionRow>> = HashMap::new();
        for row in reader.position_rows_known(self.entity, (&self.after, &last), &from, known).await? {
            rows.entry(row.bond_issue.clone()).or_default().push(row);
        }
        self.after = last;
        let mut issues = Vec::new();
        for carrying in page.iter().filter(|row| row.issue.currency == self.currency.code()) {
            let id = &carrying.issue.id;
            let first = self.revisions.partition_point(|recorded| recorded.revision.bond_issue < *id);
            let count = self.revisions[first..].partition_point(|recorded| recorded.revision.bond_issue == *id);
            let issued = Issued::read(&carrying.issue, &self.revisions[first..first + count])?;
            let instrument = issued.known_at(known).map(Arc::clone);
            let rows = rows.remove(id).unwrap_or_default();
            let rows = rows.iter().map(posting::position_row).collect::<Result<Vec<_>, _>>()?;
            issues.push(Outstanding {
                id: id.clone(),
                reference: issued.reference.clone(),
                instrument: instrument.ok_or_else(|| RecordError::corrupt("bond issue", "it has no terms"))?,
                history: History::new(rows, Vec::new()),
                accrued_through: carrying.booked.as_ref().and_then(|row| row.accrued_through.parse().ok()),
            });
        }
        Ok(Some(issues))
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
        let row = reader.entity(entity).await?.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
        let currency = asked.currency.map_or_else(|| super::currency(&row.functional_currency), Ok)?;
        let calendar = crate::posting::calendar(&row, None)?;
        let (revisions, known) = (reader.revisions_of_entity(entity).await?, asked.known);
        let months = months(asked.from, asked.to);
        let mut total: Vec<Month> = months.iter().copied().map(Month::empty).collect();
        let (mut items, mut last_kept, mut more) = (Vec::new(), None, false);
        let mut unseen: Vec<&Assumed> = asked.assumed.iter().collect();
        let (from, to, revisions) = (asked.from, asked.to, revisions.as_slice());
        let after = String::new();
        let mut pages = OutstandingPages { entity, from, to, known, currency, revisions, after };
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
            let (id, code) = (&assumed.bond_issue, currency.code());
            return Err(RecordError::NotFound(format!("the bond issue {id}, in {code} and settled by {to},")));
        }
        let others = reader.currencies(entity, known.sequence).await?;
        let answer = ForecastDocument {
            entity: entity.to_owned(),
            from: from.to_string(),
            to: to.to_string(),
            currency: currency.code().to_owned(),
            other_currencies: others.into_iter().filter(|other| other != currency.code()).collect(),
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
    let Outstanding { instrument, history, .. } = &issue;
    let mut books = Books { history: history.clone(), ..Books::empty(Arc::clone(instrument), calendar) };
    for assumed in assumed {
        let principal = Amount::from_major(assumed.principal.0, instrument.terms().currency)?;
        let conversion = AssumedConversion { effective_date: assumed.effective_date.0, principal };
        books.history = conversion.applied(&books)?;
    }
    Ok(Outstanding { history: books.history, ..issue })
}
