//! Journal batches.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{App, Format};
use crate::auth::Principal;
use crate::document::BatchDocument;
use crate::export::csv;
use crate::http::accept::{Accept, Media};
use crate::http::etag::Answer;
use crate::http::extract::{Path, require_visible};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::IdPath;
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::store::BatchFilter;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct GetQuery {
    /// Instead of `Accept`.
    format: Option<Format>,
}

/// A journal batch, as JSON or as CSV with one line a journal line
#[utoipa::path(get, operation_id = "get_journal_batch", path = "/v1/journal-batches/{id}", tag = "journal", params(IdPath, GetQuery),
    responses((status = 200, description = "The batch", content((BatchDocument = "application/json"), (String = "text/csv")))))]
pub async fn get(
    State(app): State<App>,
    Path(id): Path<RecordId>,
    Query(query): Query<GetQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let batch = app.library.journal_batch(id.entity(), &id.to_string()).await?;
    match super::media(query.format, &accept)? {
        Media::Csv => {
            Ok(Media::Csv.answer(csv::journal_lines(std::slice::from_ref(&batch)).map_err(Problem::internal)?))
        }
        _ => Ok(Answer::ok(batch).into_response()),
    }
}

/// The status of a batch to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StatusFilter {
    Ready,
    /// And not answered by the ledger.
    Released,
    Acknowledged,
    Rejected,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListQuery {
    /// Whose batches.
    #[param(value_type = String)]
    entity: EntityCode,
    status: Option<StatusFilter>,
    #[serde(default)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

#[derive(Serialize)]
struct Filters<'a> {
    entity: &'a str,
    status: Option<StatusFilter>,
}

/// Journal batches of an entity in order of posting, for browsing; the feed is `releases`
#[utoipa::path(get, operation_id = "list_journal_batches", path = "/v1/journal-batches", tag = "journal", params(ListQuery),
    responses((status = 200, description = "A page of batches", body = Page<BatchDocument>)))]
pub async fn list(
    State(app): State<App>,
    principal: Principal,
    Query(query): Query<ListQuery>,
) -> Result<Page<BatchDocument>, Problem> {
    let (path, entity) = ("/v1/journal-batches", query.entity.as_str());
    require_visible(&principal, entity)?;
    let filters = Filters { entity, status: query.status };
    let cursor: Option<Cursor<(i64, i64)>> =
        query.cursor.as_deref().map(|text| Cursor::read(text, path, &filters, None)).transpose()?;
    let known = app.library.known(entity, cursor.as_ref().map(|cursor| cursor.known_at)).await?;
    let filter = match query.status {
        None => BatchFilter::All,
        Some(StatusFilter::Ready) => BatchFilter::Ready,
        Some(StatusFilter::Released) => BatchFilter::Released,
        Some(StatusFilter::Acknowledged) => BatchFilter::Acknowledged,
        Some(StatusFilter::Rejected) => BatchFilter::Rejected,
    };
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let rows = app.library.journal_batches(entity, filter, known, after, query.limit.get()).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    let page = Page::cut(rows, query.limit, |(_, place)| Cursor { position: *place, known_at }.write(path, &filters))?;
    Ok(page.map(|(batch, _)| batch))
}
