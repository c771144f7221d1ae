//! Reports of an entity: rollforward and trial balance.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::IntoParams;

use super::{App, Format, currency, not_future};
use crate::export::csv;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, Timestamp};
use crate::reading::{RollforwardDocument, TrialBalanceDocument};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct RollforwardQuery {
    /// The first day of the period; the opening balance is that of the close of the day before.
    from: DateString,
    /// Its last day.
    to: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<Format>,
}

/// The rollforward of the debt over a period, by issue and in total, with what ties
#[utoipa::path(get, operation_id = "get_rollforward", path = "/v1/entities/{entity}/rollforward", tag = "reports", params(EntityPath, RollforwardQuery),
    responses((status = 200, description = "The rollforward", content((RollforwardDocument = "application/json"), (String = "text/csv")))))]
pub async fn rollforward(
    State(app): State<App>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<RollforwardQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let (at, currency) = (not_future(query.known_at)?, currency(query.currency.as_ref())?);
    if query.to.0 < query.from.0 {
        return Err(super::malformed("to", format!("{} is before from {}", query.to, query.from)));
    }
    let report = app.library.rollforward(entity.as_str(), (query.from.0, query.to.0), at, currency).await?;
    match super::media(query.format, &accept)? {
        Media::Csv => Ok(Media::Csv.answer(csv::rollforward(&report).map_err(Problem::internal)?)),
        _ => Ok(by_accept(Answer::ok(report).into_response())),
    }
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct TrialBalanceQuery {
    /// Everything posted up to this date.
    as_of: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
}

/// The trial balance of what was posted, by account role
#[utoipa::path(get, operation_id = "get_trial_balance", path = "/v1/entities/{entity}/trial-balance", tag = "reports", params(EntityPath, TrialBalanceQuery),
    responses((status = 200, description = "The trial balance", body = TrialBalanceDocument)))]
pub async fn trial_balance(
    State(app): State<App>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<TrialBalanceQuery>,
) -> Result<Answer<TrialBalanceDocument>, Problem> {
    let (at, currency) = (not_future(query.known_at)?, currency(query.currency.as_ref())?);
    Ok(Answer::ok(app.library.trial_balance(entity.as_str(), query.as_of.0, at, currency).await?))
}
