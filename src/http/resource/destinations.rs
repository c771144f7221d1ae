//! Destinations: where the releases of an entity are delivered.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::{App, now};
use crate::document::{AttemptDocument, DestinationDocument, DestinationRequest, DestinationState, ReplayRequest};
use crate::http::etag::Answer;
use crate::http::extract::{Body, Caller, NoQuery, Path};
use crate::http::ids::{DestinationName, EntityCode};
use crate::http::openapi::{DestinationPath, EntityPath};
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::posting::{Command, DestinationCommand};

impl App {
    async fn on_destination(
        &self,
        (entity, name): (EntityCode, String),
        command: DestinationCommand,
        caller: Caller,
    ) -> Result<Response, Problem> {
        let command = Command::OnDestination { entity: entity.as_str().to_owned(), name, command };
        self.record_without_key(command, caller).await
    }
}

/// Deliver releases to an address
///
/// Each release is posted there as a CloudEvent that is signed (RFC 9421), in order and one at a time, until it is answered 2xx. The name
/// is given once; there is no idempotency key.
#[utoipa::path(post, operation_id = "create_destination", path = "/v1/entities/{entity}/destinations", tag = "delivery", params(EntityPath),
    request_body = DestinationRequest, responses((status = 201, description = "The destination", body = DestinationDocument)))]
pub async fn create(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    caller: Caller,
    _: Query<NoQuery>,
    body: Body<DestinationRequest>,
) -> Result<Response, Problem> {
    let url = app.admission.admit(&body.value.url)?;
    let command = DestinationCommand::Create { url, after: i64::from(body.value.after) };
    app.on_destination((entity, body.value.name), command, caller).await
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListQuery {
    /// Only those in this state, such as `parked`.
    #[param(inline)]
    state: Option<DestinationState>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

#[derive(Serialize)]
struct Filters {
    state: Option<DestinationState>,
}

/// The destinations of an entity in order of their names
#[utoipa::path(get, operation_id = "list_destinations", path = "/v1/entities/{entity}/destinations", tag = "delivery", params(EntityPath, ListQuery),
    responses((status = 200, description = "A page of destinations", body = Page<DestinationDocument>)))]
pub async fn list(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<ListQuery>,
) -> Result<Page<DestinationDocument>, Problem> {
    let (path, filters) = (format!("/v1/entities/{}/destinations", entity.as_str()), Filters { state: query.state });
    let cursor: Option<Cursor<String>> = Cursor::find(query.cursor.as_deref(), &path, &filters, None)?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let rows = app.library.destinations(entity.as_str(), query.state, &after, query.limit.get()).await?;
    let known_at = now()?;
    Page::cut(rows, query.limit, |last| Cursor { position: last.name.clone(), known_at }.write(&path, &filters))
}

/// A destination and how far its deliveries have come
#[utoipa::path(get, operation_id = "get_destination", path = "/v1/entities/{entity}/destinations/{destination}", tag = "delivery", params(DestinationPath),
    responses((status = 200, description = "The destination", body = DestinationDocument)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    _: Query<NoQuery>,
) -> Result<Answer<DestinationDocument>, Problem> {
    Ok(Answer::ok(app.library.destination(name.entity.as_str(), &name.destination).await?))
}

/// Pause a destination
///
/// An attempt under way is finished; nothing is sent after it until the destination is resumed.
#[utoipa::path(post, operation_id = "pause_destination", path = "/v1/entities/{entity}/destinations/{destination}/pause", tag = "delivery",
    params(DestinationPath), responses((status = 200, description = "The destination", body = DestinationDocument)))]
pub async fn pause(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    caller: Caller,
    _: Query<NoQuery>,
) -> Result<Response, Problem> {
    app.on_destination((name.entity, name.destination), DestinationCommand::Pause, caller).await
}

/// Resume a destination
///
/// One that is paused, parked or gone delivers again from where it stands; one that waits for its next attempt makes it at once.
#[utoipa::path(post, operation_id = "resume_destination", path = "/v1/entities/{entity}/destinations/{destination}/resume", tag = "delivery",
    params(DestinationPath), responses((status = 200, description = "The destination", body = DestinationDocument)))]
pub async fn resume(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    caller: Caller,
    _: Query<NoQuery>,
) -> Result<Response, Problem> {
    app.on_destination((name.entity, name.destination), DestinationCommand::Resume, caller).await
}

/// Deliver again from a release, or pass over some
///
/// What comes after the release is delivered in order, whether it was before or not. One that is paused stays so; one that is parked or
/// gone delivers again. A release that is sent again has the same `Idempotency-Key` and event `id`.
#[utoipa::path(post, operation_id = "replay_destination", path = "/v1/entities/{entity}/destinations/{destination}/replay", tag = "delivery",
    params(DestinationPath), request_body = ReplayRequest, responses((status = 200, description = "The destination", body = DestinationDocument)))]
pub async fn replay(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    caller: Caller,
    _: Query<NoQuery>,
    body: Body<ReplayRequest>,
) -> Result<Response, Problem> {
    let command = DestinationCommand::Replay { after: i64::from(body.value.after) };
    app.on_destination((name.entity, name.destination), command, caller).await
}

/// Close a destination, for good
///
/// Its attempts stay, and its name is not given again.
#[utoipa::path(post, operation_id = "close_destination", path = "/v1/entities/{entity}/destinations/{destination}/close", tag = "delivery",
    params(DestinationPath), responses((status = 200, description = "The destination", body = DestinationDocument)))]
pub async fn close(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    caller: Caller,
    _: Query<NoQuery>,
) -> Result<Response, Problem> {
    app.on_destination((name.entity, name.destination), DestinationCommand::Close, caller).await
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AttemptsQuery {
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

/// The attempts to deliver to a destination, the newest first
#[utoipa::path(get, operation_id = "list_attempts", path = "/v1/entities/{entity}/destinations/{destination}/attempts", tag = "delivery",
    params(DestinationPath, AttemptsQuery), responses((status = 200, description = "A page of attempts", body = Page<AttemptDocument>)))]
pub async fn attempts(
    State(app): State<Arc<App>>,
    Path(name): Path<DestinationName>,
    Query(query): Query<AttemptsQuery>,
) -> Result<Page<AttemptDocument>, Problem> {
    let path = format!("/v1/entities/{}/destinations/{}/attempts", name.entity.as_str(), name.destination);
    let cursor: Option<Cursor<i64>> = Cursor::find(query.cursor.as_deref(), &path, &(), None)?;
    let before = cursor.map_or(i64::MAX, |cursor| cursor.position);
    let rows = app.library.attempts(name.entity.as_str(), &name.destination, before, query.limit.get()).await?;
    let known_at = now()?;
    Page::cut(rows, query.limit, |last| Cursor { position: last.attempt, known_at }.write(&path, &()))
}
