//! The public keys that receivers check deliveries with.

use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::etag::Answer;
use crate::delivery::KeySet;

/// The address of the keys. No name in the registry of RFC 8615 stands for keys of HTTP Message Signatures (RFC 9421 registers none),
/// so it has the name of this program, which can stand for nothing else.
pub fn router(keys: KeySet) -> OpenApiRouter {
    OpenApiRouter::new().routes(routes!(signing_keys)).with_state(keys)
}

/// The public keys that deliveries are signed with
///
/// A JSON Web Key Set (RFC 7517). The `keyid` of a signature is the `kid` of its key. Several stand here while keys are changed.
#[utoipa::path(get, operation_id = "get_signing_keys", path = "/.well-known/parwright-keys", tag = "delivery", security(()),
    responses((status = 200, description = "The keys", body = KeySet, content_type = "application/jwk-set+json")))]
async fn signing_keys(State(keys): State<KeySet>) -> Response {
    let mut response = Answer::ok(keys).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/jwk-set+json"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=300"));
    response
}
