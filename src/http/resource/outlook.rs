//! What lies ahead: the forecast and the calendar.

use std::str::FromStr;
use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::formats::{CalendarFormat, PageFormat, media};
use super::{App, currency, not_future, pages};
use crate::export::icalendar;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::list::{List, parts};
use crate::http::openapi::EntityPath;
use crate::http::page::{Cursor, Limit};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, Timestamp};
use crate::reading::{Assumed, CalendarDocument, ForecastAsked, ForecastDocument};

/// How many years a look ahead spans at most.
const YEARS: i16 = 100;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ForecastQuery {
    /// The first day.
    from: DateString,
    /// The last day, at most a hundred years later. Months are cut to the two.
    to: DateString,
    /// Conversions that are assumed, each as bond issue:date:principal, separated by commas. Without them none is.
    #[param(value_type = Option<String>, example = "")]
    #[serde(default)]
    assumed_conversions: List<Assumed>,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<PageFormat>,
}

impl ForecastQuery {
    /// Without the place in the list: a cursor is added to it, and is of the filters as they were asked.
    fn address(&self, report: &ForecastDocument) -> String {
        let asked = [
            ("from", Some(report.from.clone())),
            ("to", Some(report.to.clone())),
            ("assumed_conversions", self.assumed_conversions.asked()),
            ("known_at", Some(report.known_at.clone())),
            ("currency", self.currency.clone()),
            ("limit", Some(self.limit.get().to_string())),
        ];
        pages::address(&format!("/v1/entities/{}/forecast", report.entity), asked)
    }
}

impl FromStr for Assumed {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let [bond_issue, date, principal] = parts(text, "bond issue:date:principal")?;
        Ok(Assumed {
            bond_issue: bond_issue.to_owned(),
            effective_date: date.parse().map_err(|error| format!("{text:?}: {error}"))?,
            principal: principal.parse().map_err(|error| format!("{text:?}: {error}"))?,
        })
    }
}

#[derive(Serialize)]
struct Filters<'a> {
    from: DateString,
    to: DateString,
    assumed_conversions: &'a str,
    currency: Option<&'a str>,
}

/// Interest, coupons and carrying amounts by month, as far as they can be told
///
/// If nothing happens but what is recorded, what is assumed, and repayment at maturity. Nothing of it is posted.
#[utoipa::path(get, operation_id = "get_forecast", path = "/v1/entities/{entity}/forecast", tag = "reports", params(EntityPath, ForecastQuery),
    responses((status = 200, description = "The forecast", content((ForecastDocument = "application/json"), (String = "text/html")))))]
pub async fn forecast(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<ForecastQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let media = media(query.format, &accept)?;
    check_range(query.from, query.to)?;
    let path = format!("/v1/entities/{}/forecast", entity.as_str());
    let assumed_conversions = query.assumed_conversions.text.as_str();
    let filters = Filters { from: query.from, to: query.to, assumed_conversions, currency: query.currency.as_deref() };
    let asked = not_future(query.known_at)?;
    let cursor: Option<Cursor<String>> = Cursor::find(query.cursor.as_deref(), &path, &filters, asked)?;
    let known = app.library.known(entity.as_str(), cursor.as_ref().map(|cursor| cursor.known_at).or(asked)).await?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let asked = ForecastAsked {
        from: query.from.0,
        to: query.to.0,
        known,
        currency: currency(query.currency.as_ref())?,
        assumed: &query.assumed_conversions.items,
        after: &after,
        limit: query.limit.get(),
    };
    let (mut forecast, next) = app.library.forecast(entity.as_str(), asked).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    forecast.next_cursor = next.map(|position| Cursor { position, known_at }.write(&path, &filters)).transpose()?;
    let next = forecast.next_cursor.clone();
    let answer = match media {
        Media::Html => {
            let address = query.address(&forecast);
            pages::forecast(&app, forecast, address).await?
        }
        _ => by_accept(Answer::ok(forecast).into_response()),
    };
    Ok(crate::http::page::linked(answer, next))
}

pub(super) fn check_range(from: DateString, to: DateString) -> Result<(), Problem> {
    if to.0 < from.0 {
        return Err(super::malformed("to", format!("{to} is before from {from}")));
    }
    if to.0.year() - from.0.year() > YEARS {
        return Err(super::malformed("to", format!("{to} is more than {YEARS} years after from {from}")));
    }
    Ok(())
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct CalendarQuery {
    /// The first day.
    from: DateString,
    /// The last day, at most a hundred years later.
    to: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<CalendarFormat>,
}

/// Coupons, record dates, puts and maturities, with amounts
#[utoipa::path(get, operation_id = "get_calendar", path = "/v1/entities/{entity}/calendar", tag = "reports", params(EntityPath, CalendarQuery),
    responses((status = 200, description = "The calendar", content((CalendarDocument = "application/json"), (String = "text/calendar"), (String = "text/html")))))]
pub async fn calendar(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<CalendarQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    check_range(query.from, query.to)?;
    let known = app.library.known(entity.as_str(), not_future(query.known_at)?).await?;
    let currency = currency(query.currency.as_ref())?;
    let found = app.library.calendar(entity.as_str(), (query.from.0, query.to.0), known, currency).await?;
    match media(query.format, &accept)? {
        Media::Calendar => Ok(Media::Calendar.answer(icalendar::calendar(&found).map_err(Problem::internal)?)),
        Media::Html => {
            let asked = [
                ("from", Some(found.from.clone())),
                ("to", Some(found.to.clone())),
                ("known_at", Some(found.known_at.clone())),
                ("currency", Some(found.currency.clone())),
            ];
            let address = pages::address(&format!("/v1/entities/{}/calendar", found.entity), asked);
            pages::calendar(&app, found, address).await
        }
        _ => Ok(by_accept(Answer::ok(found).into_response())),
    }
}
