//! Releases: the feed for the ledger, what the ledger answers, and what is open.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderName, HeaderValue};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{App, not_future, now};
use crate::document::{AcknowledgementAnswer, AcknowledgementRequest, OpenRelease, ReleasedAgain};
use crate::http::etag::Answer;
use crate::http::extract::{Body, Path, Recording};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::{EntityPath, IdPath};
use crate::http::page::{Cursor, Limit, Page};
use crate::http::prefer::Wait;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::Timestamp;
use crate::posting::Command;
use crate::reading::ReleaseDocument;

/// The longest that a reader of the feed is kept waiting: within the time for one request.
const LONGEST_WAIT: Duration = Duration::from_secs(20);
/// How often a waiting reader looks for what another process released.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct FeedQuery {
    /// The last release that the reader has; 0 for all.
    #[serde(default)]
    #[param(minimum = 0)]
    after: u32,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
}

/// The feed: releases in order, without gaps, resumable for ever
#[derive(Debug, Serialize, ToSchema)]
pub struct Feed {
    pub items: Vec<ReleaseDocument>,
    /// What to send as `after` next; the same as was sent when there is nothing new.
    pub next_after: i64,
}

/// The releases of an entity after a number, in order
///
/// With the header `Prefer: wait=30` (RFC 7240) an answer without items waits for one, at most 20 seconds and not while the service stops;
/// `Preference-Applied` says how long it may have been.
#[utoipa::path(get, operation_id = "list_releases", path = "/v1/entities/{entity}/releases", tag = "journal", params(EntityPath, FeedQuery),
    responses((status = 200, description = "Releases", body = Feed)))]
pub async fn releases(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<FeedQuery>,
    wait: Wait,
) -> Result<Response, Problem> {
    let wait = wait.at_most(LONGEST_WAIT);
    let after = i64::from(query.after);
    let mut items = when_there_are_some(&app, entity.as_str(), after, query.limit, wait).await?;
    items.truncate(query.limit.get());
    let next_after = items.last().map_or(after, |last| last.release);
    let mut response = Answer::ok(Feed { items, next_after }).into_response();
    if let Some(wait) = wait {
        let applied = HeaderValue::from_str(&format!("wait={}", wait.as_secs())).map_err(Problem::internal)?;
        response.headers_mut().insert(HeaderName::from_static("preference-applied"), applied);
    }
    Ok(response)
}

/// Releases after a number; if there are none, those that come within the time to wait.
async fn when_there_are_some(
    app: &App,
    entity: &str,
    after: i64,
    limit: Limit,
    wait: Option<Duration>,
) -> Result<Vec<ReleaseDocument>, Problem> {
    // Asked for before the first look, so that no commit falls between the two.
    let mut commits = app.recorder.commits();
    let until = tokio::time::Instant::now() + wait.unwrap_or_default();
    loop {
        commits.mark_unchanged();
        let items = app.library.releases(entity, after, limit.get()).await?;
        let now = tokio::time::Instant::now();
        if !items.is_empty() || now >= until || app.stop.has_begun() {
            return Ok(items);
        }
        // Each way the next thing is to look: at the end of the time as well, and at that of the service, which holds nobody up.
        tokio::select! {
            _ = tokio::time::timeout_at(until.min(now + LOOK_AGAIN), commits.changed()) => {}
            () = app.stop.begun() => {}
        }
    }
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct OpenQuery {
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    #[serde(default)]
    #[param(inline)]
    limit: Limit,
    /// The next_cursor of the page before.
    cursor: Option<String>,
}

/// What is released and not answered by the ledger, in order, and for how long
#[utoipa::path(get, operation_id = "list_open_releases", path = "/v1/entities/{entity}/open-releases", tag = "journal", params(EntityPath, OpenQuery),
    responses((status = 200, description = "A page of open releases", body = Page<OpenRelease>)))]
pub async fn open(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<OpenQuery>,
) -> Result<Page<OpenRelease>, Problem> {
    let (path, asked) = (format!("/v1/entities/{}/open-releases", entity.as_str()), not_future(query.known_at)?);
    let cursor: Option<Cursor<i64>> = Cursor::find(query.cursor.as_deref(), &path, &(), asked)?;
    let known_at = cursor.as_ref().map(|cursor| cursor.known_at).or(asked).map_or_else(now, Ok)?;
    let after = cursor.map(|cursor| cursor.position).unwrap_or_default();
    let rows = app.library.open_releases(entity.as_str(), after, known_at, query.limit.get()).await?;
    Page::cut(rows, query.limit, |last| Cursor { position: last.release, known_at }.write(&path, &()))
}

/// Acknowledge or reject a release
///
/// What the ledger did with the newest revision of a batch: posted all of it, or nothing. The same answer again is answered as before,
/// another one 409. Totals and hash, where they are repeated, must be those of the release.
#[utoipa::path(post, operation_id = "acknowledge_journal_batch", path = "/v1/journal-batches/{id}/acknowledgement", tag = "journal", params(IdPath, Recording),
    request_body = AcknowledgementRequest, responses((status = 200, description = "What is kept", body = AcknowledgementAnswer)))]
pub async fn acknowledge(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<AcknowledgementRequest>,
) -> Result<Response, Problem> {
    let (entity, batch) = (id.entity().to_owned(), id.to_string());
    app.record(Command::Acknowledge { entity, batch, request: body.value }, recording, body.fingerprint).await
}

/// Nothing: all that it needs is the address.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleaseRequest {}

/// Release a rejected batch again
///
/// A new revision of the same number, with the accounts as they are mapped now. A mapping that changes the accounts of a rejected batch
/// does it by itself; this is for what was mended in the ledger.
#[utoipa::path(post, operation_id = "release_journal_batch", path = "/v1/journal-batches/{id}/release", tag = "journal", params(IdPath, Recording),
    request_body = ReleaseRequest, responses((status = 201, description = "The release", body = ReleasedAgain)))]
pub async fn release_again(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ReleaseRequest>,
) -> Result<Response, Problem> {
    let (entity, batch) = (id.entity().to_owned(), id.to_string());
    app.record(Command::ReleaseAgain { entity, batch }, recording, body.fingerprint).await
}
