//! The journal lines of a period.

use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use super::formats::{Format, media};
use super::layouts::chosen;
use super::{App, currency, malformed};
use crate::document::Layout;
use crate::export::layout;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::page::{Cursor, Limit, linked};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::DateString;
use crate::reading::{JournalLines, Library, LinePlace, LinesAsked};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct LinesQuery {
    /// The first posting date.
    from: DateString,
    /// The last posting date.
    to: DateString,
    /// Of batches in this currency; the functional one if absent.
    currency: Option<String>,
    /// Of JSON; 100 if absent. A CSV holds all lines.
    #[param(value_type = Option<Limit>)]
    #[param(inline)]
    limit: Option<Limit>,
    /// Of JSON: the next_cursor of the page before.
    cursor: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<Format>,
    /// The name of a stored layout, with `format=csv`.
    layout: Option<String>,
}

#[derive(Serialize)]
struct Filters<'a> {
    from: DateString,
    to: DateString,
    currency: Option<&'a str>,
}

/// The lines of released batches by posting date, in order of release
///
/// JSON in pages; or one CSV of the whole period, by a stored layout or with every field and dimension, sent while it is read. One in ISO 8859-1
/// without a replacement is read through once before, so that a character it lacks is an answer and no broken file. A batch that was released
/// again stands where its newest release does; what the ledger answered to it makes no difference.
#[utoipa::path(get, operation_id = "list_journal_lines", path = "/v1/entities/{entity}/journal-lines", tag = "journal", params(EntityPath, LinesQuery),
    responses((status = 200, description = "The lines", content((JournalLines = "application/json"), (String = "text/csv")))))]
pub async fn list(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<LinesQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let (entity, media) = (entity.as_str(), media(query.format, &accept)?);
    if query.to.0 < query.from.0 {
        return Err(malformed("to", format!("{} is before from {}", query.to, query.from)));
    }
    let layout = chosen(&app, entity, query.layout.as_deref(), media).await?;
    let path = format!("/v1/entities/{entity}/journal-lines");
    let filters = Filters { from: query.from, to: query.to, currency: query.currency.as_deref() };
    let cursor: Option<Cursor<LinePlace>> = Cursor::find(query.cursor.as_deref(), &path, &filters, None)?;
    let known = app.library.known(entity, cursor.as_ref().map(|cursor| cursor.known_at)).await?;
    let currency = currency(query.currency.as_ref())?;
    let asked = app.library.lines_asked(entity, (query.from.0, query.to.0), currency, known).await?;
    if media == Media::Csv {
        let paged = [("cursor", cursor.is_some()), ("limit", query.limit.is_some())];
        return match paged.into_iter().find(|(_, is_given)| *is_given) {
            Some((name, _)) => Err(malformed(name, "a CSV holds all lines of the period; leave it out")),
            None => file(&app.library, asked, layout).await,
        };
    }
    let limit = query.limit.unwrap_or_default();
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let (mut lines, next) = app.library.journal_lines(&asked, after, limit.get()).await?;
    let known_at = known.timestamp().ok_or_else(|| Problem::internal("no time"))?;
    lines.next_cursor = next.map(|position| Cursor { position, known_at }.write(&path, &filters)).transpose()?;
    let next = lines.next_cursor.clone();
    Ok(by_accept(linked(Answer::ok(lines).into_response(), next)))
}

/// The whole period as one CSV, sent while it is read. What could stop it halfway is looked for before, so that it can still be a problem.
async fn file(library: &Library, asked: LinesAsked, layout: Option<Layout>) -> Result<Response, Problem> {
    let layout = match layout {
        Some(layout) => layout,
        None => Layout::plain(library.dimensions_of_lines(&asked).await?),
    };
    if layout.may_lack_characters() {
        let mut after = LinePlace::default();
        while let Some((lines, reached)) = rows(library, &asked, &layout, after).await? {
            drop(lines);
            after = reached;
        }
    }
    let head = layout::head(&layout)?;
    let media_type = layout::media_type(&layout);
    let begun = Sending { library: library.clone(), asked, layout, after: LinePlace::default(), head: Some(head) };
    let body = Body::from_stream(stream::try_unfold(begun, Sending::next));
    Ok(by_accept(([(header::CONTENT_TYPE, media_type)], body).into_response()))
}

/// The rows of some lines, and how far they reach.
async fn rows(
    library: &Library,
    asked: &LinesAsked,
    layout: &Layout,
    after: LinePlace,
) -> Result<Option<(Vec<u8>, LinePlace)>, Problem> {
    let Some((lines, reached)) = library.part_of_lines(asked, after).await? else { return Ok(None) };
    Ok(Some((layout::rows(layout, lines.into_iter().map(|(line, _)| line))?, reached)))
}

/// A file on its way.
struct Sending {
    library: Library,
    asked: LinesAsked,
    layout: Layout,
    after: LinePlace,
    /// What it begins with, until that is sent.
    head: Option<Vec<u8>>,
}

impl Sending {
    /// The next piece. An error cuts the answer off, which the reader sees as one that did not end.
    async fn next(mut self) -> Result<Option<(Bytes, Sending)>, Problem> {
        if let Some(head) = self.head.take() {
            return Ok(Some((head.into(), self)));
        }
        match rows(&self.library, &self.asked, &self.layout, self.after).await {
            Ok(Some((rows, reached))) => {
                self.after = reached;
                Ok(Some((rows.into(), self)))
            }
            Ok(None) => Ok(None),
            Err(problem) => {
                tracing::error!(problem = %problem, cause = problem.chain(), "a file was cut off");
                Err(problem)
            }
        }
    }
}
