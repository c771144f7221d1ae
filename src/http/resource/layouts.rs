//! CSV layouts, and files that are written by them.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;
use utoipa::IntoParams;

use super::{App, malformed};
use crate::document::{BatchDocument, Layout, LayoutDocument, LayoutError, StoredLayout};
use crate::export::layout::{self, LayoutWriteError};
use crate::http::accept::{Media, by_accept};
use crate::http::etag::{Answer, tagged};
use crate::http::extract::{Body, Caller, NoQuery, Path};
use crate::http::ids::{EntityCode, Scoped};
use crate::http::openapi::{EntityPath, LayoutPath};
use crate::http::page::{Cursor, Limit, Page};
use crate::http::problem::{FieldError, Problem};
use crate::http::query::Query;
use crate::http::refusals;
use crate::posting::Command;

/// A layout of an entity, as it stands in a path.
#[derive(Clone, Debug, Deserialize)]
pub struct LayoutName {
    entity: EntityCode,
    name: String,
}

impl Scoped for LayoutName {
    fn entity(&self) -> &str {
        self.entity.as_str()
    }
}

/// Store a CSV layout under a name
///
/// How the journal lines of the entity are written for the system that reads them: name it as `layout` where lines are asked for as CSV.
/// A layout that differs from the newest of its name becomes the next version; one that does not is answered as it stands. A version never
/// changes. Whether a file holds one batch or a whole period is the choice of its address, `/v1/journal-batches/{id}` or
/// `/v1/entities/{entity}/journal-lines`; the same layout serves both. The name is 1 to 40 of a-z, 0-9, `-` and `_`.
#[utoipa::path(put, operation_id = "store_layout", path = "/v1/entities/{entity}/layouts/{name}", tag = "layouts", params(LayoutPath),
    request_body = LayoutDocument,
    responses((status = 200, description = "The layout as stored", body = StoredLayout)))]
pub async fn put(
    State(app): State<Arc<App>>,
    caller: Caller,
    Path(LayoutName { entity, name }): Path<LayoutName>,
    _: Query<NoQuery>,
    body: Body<LayoutDocument>,
) -> Result<Response, Problem> {
    let layout = Box::new(Layout::new(body.value).map_err(wrong)?);
    let command = Command::StoreLayout { entity: entity.as_str().to_owned(), name, layout };
    app.record_without_key(command, caller).await
}

fn wrong(errors: Vec<LayoutError>) -> Problem {
    let fields = errors.into_iter().map(|LayoutError { pointer, detail }| FieldError::new(pointer, detail));
    Problem::invalid_fields(fields.collect())
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct GetQuery {
    /// An earlier version; the newest if absent.
    #[param(minimum = 1)]
    version: Option<u32>,
}

/// A CSV layout
#[utoipa::path(get, operation_id = "get_layout", path = "/v1/entities/{entity}/layouts/{name}", tag = "layouts", params(LayoutPath, GetQuery),
    responses((status = 200, description = "The layout", body = StoredLayout)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(LayoutName { entity, name }): Path<LayoutName>,
    Query(query): Query<GetQuery>,
) -> Result<Answer<StoredLayout>, Problem> {
    Ok(Answer::ok(app.library.layout(entity.as_str(), &name, query.version.map(i64::from)).await?))
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

/// The CSV layouts of an entity in order of their names, each in its newest version
#[utoipa::path(get, operation_id = "list_layouts", path = "/v1/entities/{entity}/layouts", tag = "layouts", params(EntityPath, ListQuery),
    responses((status = 200, description = "A page of layouts", body = Page<StoredLayout>)))]
pub async fn list(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<ListQuery>,
) -> Result<Page<StoredLayout>, Problem> {
    let path = format!("/v1/entities/{}/layouts", entity.as_str());
    let cursor: Option<Cursor<String>> = Cursor::find(query.cursor.as_deref(), &path, &(), None)?;
    let known = app.library.known(entity.as_str(), cursor.as_ref().map(|cursor| cursor.known_at)).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let rows = app.library.layouts(entity.as_str(), known, &after, query.limit.get()).await?;
    Page::cut(rows, query.limit, |last| Cursor { position: last.name.clone(), known_at }.write(&path, &()))
}

/// The layout that a query names, for an answer in CSV.
///
/// # Errors
/// 404 for one that is not stored; 400 where the answer is not CSV.
pub(super) async fn chosen(
    app: &App,
    entity: &str,
    name: Option<&str>,
    media: Media,
) -> Result<Option<Layout>, Problem> {
    match (name, media) {
        (None, _) => Ok(None),
        (Some(name), Media::Csv) => Ok(Some(app.library.layout_to_write(entity, name).await?)),
        (Some(_), _) => Err(malformed("layout", "a layout is one of CSV; add format=csv, or leave it out")),
    }
}

/// The lines of batches written by a layout, as a whole answer; without one as the CSV that has everything.
///
/// # Errors
/// 409 for a character that its encoding does not have.
pub(super) fn file(layout: Option<&Layout>, batches: &[BatchDocument]) -> Result<Response, Problem> {
    let media_type = layout.map_or(Media::Csv.content_type(), layout::media_type);
    Ok(by_accept(tagged(StatusCode::OK, media_type, layout::file(layout, batches)?)))
}

impl From<LayoutWriteError> for Problem {
    fn from(error: LayoutWriteError) -> Problem {
        match error {
            LayoutWriteError::NotInEncoding { character, ref column, ref number, entry, line, .. } => {
                let problem = Problem::new(refusals::kind("not_in_encoding"), error.to_string());
                problem
                    .with_figure("character", character.to_string())
                    .with_figure("column", column.as_str())
                    .with_figure("number", number.as_str())
                    .with_figure("entry", entry)
                    .with_figure("line", line)
            }
            error => Problem::internal(error),
        }
    }
}
