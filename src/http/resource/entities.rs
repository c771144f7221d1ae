//! Entities.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::{App, now};
use crate::auth::Principal;
use crate::document::EntityDocument;
use crate::http::etag::Answer;
use crate::http::extract::{Body, Caller, NoQuery, Path, require_visible};
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::posting::Command;

/// Create an entity
#[utoipa::path(post, operation_id = "create_entity", path = "/v1/entities", tag = "entities", request_body = EntityDocument,
    responses((status = 201, description = "The entity", body = EntityDocument)))]
pub async fn create(
    State(app): State<Arc<App>>,
    caller: Caller,
    _: Query<NoQuery>,
    body: Body<EntityDocument>,
) -> Result<Response, Problem> {
    require_visible(&caller.principal, &body.value.code)?;
    app.record_without_key(Command::CreateEntity(body.value), caller).await
}

/// An entity
#[utoipa::path(get, operation_id = "get_entity", path = "/v1/entities/{entity}", tag = "entities", params(EntityPath),
    responses((status = 200, description = "The entity", body = EntityDocument)))]
pub async fn get(
    State(app): State<Arc<App>>,
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
    State(app): State<Arc<App>>,
    principal: Principal,
    Query(query): Query<ListQuery>,
) -> Result<Page<EntityDocument>, Problem> {
    let path = "/v1/entities";
    let filters = Filters { principal: principal.entity.as_deref() };
    let cursor: Option<Cursor<String>> = Cursor::find(query.cursor.as_deref(), path, &filters, None)?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let known_at = now()?;
    let rows = match &principal.entity {
        Some(entity) => app.library.entity(entity).await.into_iter().filter(|entity| entity.code > after).collect(),
        None => app.library.entities(&after, query.limit.get()).await?,
    };
    Page::cut(rows, query.limit, |last| Cursor { position: last.code.clone(), known_at }.write(path, &filters))
}
