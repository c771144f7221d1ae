//! Carrying values: what the debt stands at.

use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::formats::{ReportFormat, media};
use super::{App, currency, not_future, pages};
use crate::document::CarryingValueDocument;
use crate::export::csv;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::{EntityPath, IdPath};
use crate::http::page::{Cursor, Limit};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, Timestamp};
use crate::reading::{Basis, CarryingValues};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct OneQuery {
    /// At close of business on this date; it may lie in the future.
    as_of: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    #[serde(default)]
    #[param(inline)]
    basis: Basis,
}

/// The carrying value of an issue at close of business on a date, and how it ties to what is booked
#[utoipa::path(get, operation_id = "get_carrying_value", path = "/v1/bond-issues/{id}/carrying-value", tag = "carrying values", params(IdPath, OneQuery),
    responses((status = 200, description = "The carrying value", body = CarryingValueDocument)))]
pub async fn one(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<OneQuery>,
) -> Result<Answer<CarryingValueDocument>, Problem> {
    let at = not_future(query.known_at)?;
    let value = app.library.carrying_value(id.entity(), &id.to_string(), query.as_of.0, at, query.basis).await?;
    Ok(Answer::ok(value))
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AllQuery {
    /// At close of business on this date; it may lie in the future.
    as_of: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    #[serde(default)]
    #[param(inline)]
    basis: Basis,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<ReportFormat>,
}

#[derive(Serialize)]
struct Filters<'a> {
    as_of: DateString,
    basis: Basis,
    currency: Option<&'a str>,
}

/// The carrying values of an entity's issues in one currency, with their total
#[utoipa::path(get, operation_id = "list_carrying_values", path = "/v1/entities/{entity}/carrying-values", tag = "carrying values", params(EntityPath, AllQuery),
    responses((status = 200, description = "The carrying values", content((CarryingValues = "application/json"), (String = "text/csv"), (String = "text/html")))))]
pub async fn all(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<AllQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let path = format!("/v1/entities/{}/carrying-values", entity.as_str());
    let filters = Filters { as_of: query.as_of, basis: query.basis, currency: query.currency.as_deref() };
    let asked = not_future(query.known_at)?;
    let cursor: Option<Cursor<String>> = Cursor::find(query.cursor.as_deref(), &path, &filters, asked)?;
    let known = app.library.known(entity.as_str(), cursor.as_ref().map(|cursor| cursor.known_at).or(asked)).await?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let currency = currency(query.currency.as_ref())?;
    let page = (after.as_str(), query.limit.get());
    let (mut values, next) =
        app.library.carrying_values(entity.as_str(), query.as_of.0, known, query.basis, currency, page).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    values.next_cursor = next.map(|position| Cursor { position, known_at }.write(&path, &filters)).transpose()?;
    match media(query.format, &accept)? {
        Media::Html => pages::carrying_values(&app, values, filters.currency, query.limit.get()).await,
        Media::Csv => Ok(Media::Csv.answer(csv::carrying_values(&values).map_err(Problem::internal)?)),
        _ => {
            let next = values.next_cursor.clone();
            Ok(by_accept(crate::http::page::linked(Answer::ok(values).into_response(), next)))
        }
    }
}
