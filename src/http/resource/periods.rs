//! Fiscal periods: what stands in the way of closing them, closing them, and opening them again.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;

use super::App;
use crate::document::{CloseRequest, PeriodClosed, PeriodDocument, PeriodReopened, PeriodsDocument, ReopenRequest};
use crate::http::etag::Answer;
use crate::http::extract::{Body, NoQuery, Path, Recording};
use crate::http::ids::{EntityCode, Scoped};
use crate::http::openapi::{EntityPath, PeriodPath};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::posting::Command;

/// A period of an entity, as it stands in a path.
#[derive(Clone, Debug, Deserialize)]
pub struct PeriodName {
    entity: EntityCode,
    period: String,
}

impl Scoped for PeriodName {
    fn entity(&self) -> &str {
        self.entity.as_str()
    }
}

/// Fiscal periods, and what stands in the way of closing the first open one
///
/// From the first period in which anything is posted to the one after the last. What stands in the way is what a close without waivers
/// would be refused for.
#[utoipa::path(get, operation_id = "list_periods", path = "/v1/entities/{entity}/periods", tag = "periods", params(EntityPath),
    responses((status = 200, description = "The periods", body = PeriodsDocument)))]
pub async fn list(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    _: Query<NoQuery>,
) -> Result<Answer<PeriodsDocument>, Problem> {
    Ok(Answer::ok(app.library.periods(entity.as_str()).await?))
}

/// A fiscal period, and what stands in the way of closing it
///
/// It is named by its fiscal year and its number in it, such as `2026-01`.
#[utoipa::path(get, operation_id = "get_period", path = "/v1/entities/{entity}/periods/{period}", tag = "periods", params(PeriodPath),
    responses((status = 200, description = "The period", body = PeriodDocument)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(PeriodName { entity, period }): Path<PeriodName>,
    _: Query<NoQuery>,
) -> Result<Answer<PeriodDocument>, Problem> {
    Ok(Answer::ok(app.library.period(entity.as_str(), &period).await?))
}

/// Close a fiscal period
///
/// Accrues every issue through its last day, proves that the books tie, and locks: what is recorded later is posted on the first open day,
/// whatever its effective date. Refused with 409 `period_not_ready` and a list (`errors`, and `in_the_way` among the figures) when a role is
/// unmapped, something does not tie, or something is expected by the last day and not recorded: a coupon, a maturity, the settlement of an
/// accepted offer, a put on a date of the terms. Each of those needs its event or a waiver. An entity's first close may be of any period and
/// closes all before it; after that they are closed in order. A period that is closed with the same waivers is answered as it was. With
/// `closing_entries` the fiscal years that end in it are closed to retained earnings.
#[utoipa::path(post, operation_id = "close_period", path = "/v1/entities/{entity}/periods/{period}/close", tag = "periods",
    params(PeriodPath, Recording), request_body = CloseRequest,
    responses((status = 200, description = "The period as it was closed", body = PeriodClosed)))]
pub async fn close(
    State(app): State<Arc<App>>,
    Path(PeriodName { entity, period }): Path<PeriodName>,
    recording: Recording,
    body: Body<CloseRequest>,
) -> Result<Response, Problem> {
    let command = Command::ClosePeriod { entity: entity.as_str().to_owned(), period, request: body.value };
    app.record(command, recording, body.fingerprint).await
}

/// Open the last closed fiscal period again
///
/// What was posted since it was closed stays where it is, and the periods before it stay closed. Closing entries of a year that ends in it are
/// taken back, on the same day.
#[utoipa::path(post, operation_id = "reopen_period", path = "/v1/entities/{entity}/periods/{period}/reopen", tag = "periods",
    params(PeriodPath, Recording), request_body = ReopenRequest,
    responses((status = 200, description = "The period is open", body = PeriodReopened)))]
pub async fn reopen(
    State(app): State<Arc<App>>,
    Path(PeriodName { entity, period }): Path<PeriodName>,
    recording: Recording,
    body: Body<ReopenRequest>,
) -> Result<Response, Problem> {
    let command = Command::ReopenPeriod { entity: entity.as_str().to_owned(), period, request: body.value };
    app.record(command, recording, body.fingerprint).await
}
