//! Journal batches.

use std::io::Write;
use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::formats::{BatchFormat, media};
use super::layouts::{self, chosen};
use super::{App, pages};
use crate::auth::Principal;
use crate::document::{BatchDocument, EntityDocument, Layout};
use crate::export::{layout, xbrl_gl, xlsx};
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::{Path, require_visible};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::{File, IdPath};
use crate::http::page::{Cursor, Limit, Page};
use crate::http::pieces::Pieces;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::store::BatchFilter;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct GetQuery {
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<BatchFormat>,
    /// The name of a stored layout, with `format=csv`.
    layout: Option<String>,
}

/// A journal batch: as JSON, as CSV with one line a journal line, as XBRL Global Ledger, as a workbook, or as a page
///
/// CSV is that of RFC 4180 in UTF-8. Its columns are number, revision, release, entity, posting_date, effective_date, currency, entry,
/// kind, line, account, account_name, account_role, debit, credit, bond_issue, reference, isin, event, memo and content_sha256, then one
/// for each dimension that occurs in the batch, in order of their names. A text that begins with `=`, `+`, `-`, `@`, a tab or a carriage
/// return is led by an apostrophe; amounts and dates never are.
///
/// With `layout` it is written by the stored layout of that name.
///
/// XBRL Global Ledger is that of the Recommendation 2015-03-25, palette case-c-b-m. A batch that is not released has no accounts there.
///
/// The workbook (XLSX) has the columns of the CSV. An amount of more than 15 significant digits is text in it.
///
/// The page (HTML) is what a browser gets.
#[utoipa::path(get, operation_id = "get_journal_batch", path = "/v1/journal-batches/{id}", tag = "journal", params(IdPath, GetQuery),
    responses((status = 200, description = "The batch", content(
        (BatchDocument = "application/json"), (String = "text/csv"), (String = "application/xbrl-instance+xml"),
        (String = "application/xml"), (String = "text/html"), (File = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<GetQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let media = media(query.format, &accept)?;
    let batch = app.library.journal_batch(id.entity(), &id.to_string()).await?;
    let layout = chosen(&app, id.entity(), query.layout.as_deref(), media).await?;
    match media {
        Media::Json => return Ok(by_accept(Answer::ok(batch).into_response())),
        Media::Html => return pages::batch(&app, batch).await,
        _ => {}
    }
    let entity = app.library.entity(id.entity()).await?;
    // A large batch takes a good part of a second, in which others are to be answered.
    let rendered = tokio::task::spawn_blocking(move || rendered(media, layout, batch, &entity));
    rendered.await.map_err(Problem::internal)?
}

/// A batch in a representation other than JSON, as a file.
fn rendered(
    media: Media,
    layout: Option<Layout>,
    batch: BatchDocument,
    entity: &EntityDocument,
) -> Result<Response, Problem> {
    if layout.is_some() {
        return layouts::file(layout.as_ref(), &[batch]);
    }
    let (name, mut file) = (batch.number.clone().unwrap_or_default(), Pieces::default());
    match media {
        Media::XbrlGl | Media::Xml => xbrl_gl::batch(batch, entity, &mut file).map_err(Problem::internal)?,
        Media::Xlsx => xlsx::batch(&batch, &mut file).map_err(super::workbook::no_workbook)?,
        _ => file.write_all(&layout::file(None, &[batch])?).map_err(Problem::internal)?,
    }
    Ok(media.file(&name, file))
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
    #[param(inline)]
    status: Option<StatusFilter>,
    #[serde(default)]
    #[param(inline)]
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
    State(app): State<Arc<App>>,
    principal: Principal,
    Query(query): Query<ListQuery>,
) -> Result<Page<BatchDocument>, Problem> {
    let (path, entity) = ("/v1/journal-batches", query.entity.as_str());
    require_visible(&principal, entity)?;
    let filters = Filters { entity, status: query.status };
    let cursor: Option<Cursor<(i64, i64)>> = Cursor::find(query.cursor.as_deref(), path, &filters, None)?;
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
