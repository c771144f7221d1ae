//! The outermost layer: it gives each request its id, sees each answer once, logs and counts it, and puts the last touches
//! on it. No error answer leaves without a problem document.

use std::time::Instant;

use axum::body::Body;
use axum::extract::{MatchedPath, Request};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tracing::Instrument;

use super::etag;
use super::page::NextCursor;
use super::problem::Problem;
use super::request_id::RequestId;
use crate::auth::Principal;

/// Runs one request inside its span and finishes its answer.
pub async fn observe(mut request: Request, next: Next) -> Response {
    let started = Instant::now();
    let id = RequestId::of(request.headers());
    request.extensions_mut().insert(id.clone());
    let (method, uri) = (request.method().clone(), request.uri().clone());
    let route = request.extensions().get::<MatchedPath>().cloned();
    let known: HeaderMap = conditions(request.headers());
    let span = tracing::info_span!("request", request_id = %id, %method, path = uri.path());

    let response = next.run(request).instrument(span.clone()).await;

    let (mut response, problem) = with_document(response, &id);
    let reads = matches!(method, Method::GET | Method::HEAD);
    if reads && response.status() == StatusCode::OK && etag::is_known(&known, response.headers()) {
        response = etag::not_modified(response);
    }
    if let Some(NextCursor(cursor)) = response.extensions().get() {
        let link = super::page::link(&uri, cursor);
        response.headers_mut().extend(link.map(|link| (header::LINK, link)));
    }
    finish_headers(response.headers_mut(), &id);

    let elapsed = started.elapsed();
    let status = response.status().as_u16();
    let principal = response.extensions().get::<Principal>().map(|principal| principal.name.as_str());
    span.in_scope(|| log(status, elapsed.as_micros() as u64, principal, problem.as_ref()));
    super::system::count(&method, route.as_ref().map(MatchedPath::as_str), status, elapsed);
    response
}

/// One line an answer: what succeeded is for debugging, a refusal is news, a fault is an error with its causes.
fn log(status: u16, microseconds: u64, principal: Option<&str>, problem: Option<&Problem>) {
    match problem {
        None => tracing::debug!(status, microseconds, principal, "answered"),
        Some(problem) => {
            let (code, detail, cause) = (problem.code(), problem.detail(), problem.chain());
            if problem.status().is_server_error() {
                tracing::error!(status, code, microseconds, principal, detail, cause, "failed");
            } else {
                tracing::info!(status, code, microseconds, principal, detail, cause, "refused");
            }
        }
    }
}

/// Gives an error answer its document with the request id. One that a library made without a document gets that of its
/// status, and keeps its headers, such as `Allow`.
fn with_document(response: Response, id: &RequestId) -> (Response, Option<Problem>) {
    let status = response.status();
    if !status.is_client_error() && !status.is_server_error() {
        return (response, None);
    }
    let (mut parts, _) = response.into_parts();
    let problem = match parts.extensions.remove::<Problem>() {
        Some(problem) => problem,
        None => {
            let problem = Problem::from_status(status);
            let (bare, _) = problem.clone().into_response().into_parts();
            parts.status = bare.status;
            parts.headers.extend(bare.headers);
            problem
        }
    };
    parts.headers.remove(header::CONTENT_LENGTH);
    let document = problem.document(Some(id.as_str()));
    (Response::from_parts(parts, Body::from(document)), Some(problem))
}

fn conditions(headers: &HeaderMap) -> HeaderMap {
    headers.get_all(header::IF_NONE_MATCH).iter().map(|value| (header::IF_NONE_MATCH, value.clone())).collect()
}

fn finish_headers(headers: &mut HeaderMap, id: &RequestId) {
    if let Some(value) = id.to_header() {
        headers.insert(RequestId::HEADER, value);
    }
    headers.insert(HeaderName::from_static("x-content-type-options"), HeaderValue::from_static("nosniff"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}
