//! Pages for people, sent so that a browser runs nothing and fetches nothing for them.

use std::io;
use std::sync::LazyLock;

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use super::accept::{Media, by_accept};
use super::etag::tagged_in_pieces;
use super::pieces::Pieces;
use super::problem::Problem;
use crate::export::page::STYLE;

/// What a page may do (Content Security Policy Level 3): show itself with its one style sheet, named by its hash, and send its forms here.
static POLICY: LazyLock<Option<HeaderValue>> = LazyLock::new(|| {
    let hash = STANDARD.encode(Sha256::digest(STYLE));
    HeaderValue::try_from(format!(
        "default-src 'none'; style-src 'sha256-{hash}'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ))
    .ok()
});

/// A page that `write` writes, on a thread of its own: a large one takes a good part of a second, in which others are to be answered.
///
/// # Errors
/// A fault of the service.
pub async fn page(write: impl FnOnce(&mut Pieces) -> io::Result<()> + Send + 'static) -> Result<Response, Problem> {
    let written = tokio::task::spawn_blocking(move || {
        let mut content = Pieces::default();
        write(&mut content).map(|()| content)
    });
    let content = written.await.map_err(Problem::internal)?.map_err(Problem::internal)?;
    let mut response = by_accept(tagged_in_pieces(StatusCode::OK, Media::Html.content_type(), content));
    let headers = response.headers_mut();
    headers.extend(POLICY.clone().map(|policy| (header::CONTENT_SECURITY_POLICY, policy)));
    for (name, value) in [(header::X_CONTENT_TYPE_OPTIONS, "nosniff"), (header::REFERRER_POLICY, "no-referrer")] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    Ok(response)
}
