//! Bond issues, their schedules and events.

use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::formats::{PageFormat, media};
use super::{App, not_future, now, pages};
use crate::auth::Principal;
use crate::document::{BondIssueAnswer, BondIssueDocument};
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::{self, Answer};
use crate::http::extract::{Body, NoQuery, Path, Recording, require_visible};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::IdPath;
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::Timestamp;
use crate::posting::Command;
use crate::reading::{EventRecord, ScheduleDocument};
use crate::store::IssueFilter;

/// Record a bond issue
///
/// Solves its effective rate and posts the issuance.
#[utoipa::path(post, operation_id = "create_bond_issue", path = "/v1/bond-issues", tag = "bond issues", params(Recording), request_body = BondIssueDocument,
    responses((status = 201, description = "The issue, its rates and what was posted", body = BondIssueAnswer)))]
pub async fn create(
    State(app): State<Arc<App>>,
    recording: Recording,
    body: Body<BondIssueDocument>,
) -> Result<Response, Problem> {
    require_visible(&recording.principal, &body.value.entity)?;
    app.record(Command::Issue(Box::new(body.value)), recording, body.fingerprint).await
}

/// A bond issue with its solved rates
///
/// Its ETag changes with each event of the issue; a transaction sent with it as `If-Match` is refused if another came first.
#[utoipa::path(get, operation_id = "get_bond_issue", path = "/v1/bond-issues/{id}", tag = "bond issues", params(IdPath),
    responses((status = 200, description = "The issue", body = BondIssueAnswer)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    _: Query<NoQuery>,
) -> Result<Response, Problem> {
    let (issue, tag) = app.library.bond_issue(id.entity(), &id.to_string()).await?;
    etag::tagged_as(&issue, &tag)
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListQuery {
    #[param(value_type = Option<String>)]
    entity: Option<EntityCode>,
    reference: Option<String>,
    isin: Option<String>,
    #[param(inline)]
    known_at: Option<Timestamp>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

#[derive(Serialize)]
struct Filters<'a> {
    entity: Option<&'a str>,
    reference: Option<&'a str>,
    isin: Option<&'a str>,
}

/// Bond issues in the order in which they were recorded
#[utoipa::path(get, operation_id = "list_bond_issues", path = "/v1/bond-issues", tag = "bond issues", params(ListQuery),
    responses((status = 200, description = "A page of issues", body = Page<BondIssueAnswer>)))]
pub async fn list(
    State(app): State<Arc<App>>,
    principal: Principal,
    Query(query): Query<ListQuery>,
) -> Result<Page<BondIssueAnswer>, Problem> {
    let path = "/v1/bond-issues";
    if let Some(entity) = &query.entity {
        require_visible(&principal, entity.as_str())?;
    }
    let entity = query.entity.as_ref().map(EntityCode::as_str).or(principal.entity.as_deref());
    let filters = Filters { entity, reference: query.reference.as_deref(), isin: query.isin.as_deref() };
    let asked = not_future(query.known_at)?;
    let cursor: Option<Cursor<(String, i64)>> = Cursor::find(query.cursor.as_deref(), path, &filters, asked)?;
    let known_at = cursor.as_ref().map(|cursor| cursor.known_at).or(asked).map_or_else(now, Ok)?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let filter = IssueFilter { entity, reference: filters.reference, isin: filters.isin };
    let rows = app.library.bond_issues(filter, known_at, (&after.0, after.1), query.limit.get()).await?;
    let page = Page::cut(rows, query.limit, |(last, sequence)| {
        Cursor { position: (last.terms.entity.clone(), *sequence), known_at }.write(path, &filters)
    })?;
    Ok(page.map(|(issue, _)| issue))
}

/// Of which principal a schedule is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PrincipalOf {
    #[default]
    Original,
    Outstanding,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ScheduleQuery {
    /// Of the original principal, or of what is outstanding now.
    #[serde(default)]
    #[param(inline)]
    principal: PrincipalOf,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<PageFormat>,
}

/// The amortization schedule of an issue, a row a coupon period
///
/// The page (HTML), which a browser gets, has the chart of its carrying amount over its life too.
#[utoipa::path(get, operation_id = "get_schedule", path = "/v1/bond-issues/{id}/schedule", tag = "bond issues", params(IdPath, ScheduleQuery),
    responses((status = 200, description = "The schedule", content((ScheduleDocument = "application/json"), (String = "text/html")))))]
pub async fn schedule(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<ScheduleQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let outstanding = query.principal == PrincipalOf::Outstanding;
    let schedule = app.library.schedule(id.entity(), &id.to_string(), outstanding).await?;
    match media(query.format, &accept)? {
        Media::Html => pages::schedule(&app, &id, schedule).await,
        _ => Ok(by_accept(Answer::ok(schedule).into_response())),
    }
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct EventsQuery {
    #[param(inline)]
    known_at: Option<Timestamp>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

/// The events of an issue in the order in which they were recorded
#[utoipa::path(get, operation_id = "list_events", path = "/v1/bond-issues/{id}/events", tag = "bond issues", params(IdPath, EventsQuery),
    responses((status = 200, description = "A page of events", body = Page<EventRecord>)))]
pub async fn events(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<EventsQuery>,
) -> Result<Page<EventRecord>, Problem> {
    let path = format!("/v1/bond-issues/{id}/events");
    let asked = not_future(query.known_at)?;
    let cursor: Option<Cursor<i64>> = Cursor::find(query.cursor.as_deref(), &path, &(), asked)?;
    let at = cursor.as_ref().map(|cursor| cursor.known_at).or(asked);
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let (known, rows) = app.library.events(id.entity(), &id.to_string(), at, after, query.limit.get()).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    Page::cut(rows, query.limit, |last| Cursor { position: last.sequence, known_at }.write(&path, &()))
}
