//! Entities.

use axum::extract::State;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::App;
use crate::auth::Principal;
use crate::document::EntityDocument;
use crate::http::etag::{self, Answer};
use crate::http::extract::{Body, NoQuery, Path, require_visible};
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::request_id::RequestId;
use crate::http::wire::Timestamp;
use crate::posting::{Command, Context};

/// Create an entity
#[utoipa::path(post, operation_id = "create_entity", path = "/v1/entities", tag = "entities", request_body = EntityDocument,
    responses((status = 201, description = "The entity", body = EntityDocument)))]
pub async fn create(
    State(app): State<App>,
    principal: Principal,
    request_id: RequestId,
    _: Query<NoQuery>,
    body: Body<EntityDocument>,
) -> Result<Response, Problem> {
    require_visible(&principal, &body.value.code)?;
    let context = Context { request_id: request_id.to_string(), actor: principal.name, ..Context::default() };
    let recorded = app.recorder.record(Command::CreateEntity(body.value), context).await?;
    Ok(etag::recorded(axum::http::StatusCode::CREATED, recorded.answer, false))
}

/// An entity
#[utoipa::path(get, operation_id = "get_entity", path = "/v1/entities/{entity}", tag = "entities", params(EntityPath),
    responses((status = 200, description = "The entity", body = EntityDocument)))]
pub async fn get(
    State(app): State<App>,
    Path(entity): Path<EntityCode>,
    _: Query<NoQuery>,
) -> Result<Answer<EntityDocument>, Problem> {
    Ok(Answer::ok(app.library.entity(entity.as_str()).await?))
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListQuery {
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

#[derive(Serialize)]
struct Filters<'a> {
    principal: Option<&'a str>,
}

/// Entities in order of their code
#[utoipa::path(get, operation_id = "list_entities", path = "/v1/entities", tag = "entities", params(ListQuery),
    responses((status = 200, description = "A page of entities", body = Page<EntityDocument>)))]
pub async fn list(
    State(app): State<App>,
    principal: Principal,
    Query(query): Query<ListQuery>,
) -> Result<Page<EntityDocument>, Problem> {
    let path = "/v1/entities";
    let filters = Filters { principal: principal.entity.as_deref() };
    let cursor: Option<Cursor<String>> =
        query.cursor.map(|text| Cursor::read(&text, path, &filters, None)).transpose()?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let known_at = Timestamp::from_microseconds(jiff::Timestamp::now().as_microsecond())
        .ok_or_else(|| Problem::internal("no time"))?;
    let rows = match &principal.entity {
        Some(entity) => app.library.entity(entity).await.into_iter().filter(|entity| entity.code > after).collect(),
        None => app.library.entities(&after, query.limit.get()).await?,
    };
    Page::cut(rows, query.limit, |last| Cursor { position: last.code.clone(), known_at }.write(path, &filters))
}
