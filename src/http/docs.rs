//! The documentation that the service serves itself: the document, pages to browse and try it, and the page that
//! explains every kind of problem. All of it comes out of the binary; nothing is fetched from elsewhere.

use std::fmt::Write;

use axum::Router;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use utoipa::openapi::OpenApi;
use utoipa_swagger_ui::{Config, SwaggerUi};

use super::etag::tagged;
use super::openapi::render;
use super::problem::{EDGE_KINDS, EXPLAINED_AT, Kind, Problem};

/// `/openapi.json`, `/docs/` and `/docs/problems`.
pub fn router(api: &OpenApi, refusals: &[Kind]) -> Router {
    let document = render(api).map_err(|error| Problem::internal(error.to_string()));
    let problems = explain(EDGE_KINDS.iter().chain(refusals));
    // Without this the pages would send the document to a public validator when they are not on localhost.
    let pages = SwaggerUi::new("/docs").config(Config::new(["/openapi.json"]).validator_url("none").use_base_layout());
    Router::new()
        .route("/openapi.json", get(async move || document.map(json)))
        .route(EXPLAINED_AT, get(async move || tagged(StatusCode::OK, "text/html; charset=utf-8", problems)))
        .merge(pages)
}

fn json(document: String) -> Response {
    tagged(StatusCode::OK, "application/json", document).into_response()
}

fn explain<'a>(kinds: impl Iterator<Item = &'a Kind>) -> String {
    let mut page = String::from(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><title>Problems</title><style>\
         body{font:16px/1.5 sans-serif;margin:2rem auto;max-width:60rem;padding:0 1rem}\
         table{border-collapse:collapse}th,td{border:1px solid #767676;padding:.3rem .6rem;text-align:left;\
         vertical-align:top}:target{background:#fff3bf}</style></head><body><h1>Problems</h1>\
         <p>Every error is answered as <code>application/problem+json</code> (RFC 9457). Branch on <code>code</code>; \
         <code>detail</code> says what to change, and <code>instance</code> is the id of the request.</p>\
         <table><thead><tr><th>Code</th><th>Status</th><th>Title</th><th>Meaning</th></tr></thead><tbody>",
    );
    for Kind { code, status, title, meaning } in kinds {
        let (title, meaning, status) = (escape(title), escape(meaning), status.as_u16());
        // Writing to a string does not fail.
        let _ = write!(
            page,
            "<tr id=\"{code}\"><td><code>{code}</code></td><td>{status}</td><td>{title}</td><td>{meaning}</td></tr>"
        );
    }
    page + "</tbody></table></body></html>"
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
