//! The id of a request: it stands in the answer, in the log and in the audit record, and joins the three.

use std::fmt;
use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue};
use uuid::Uuid;

use super::problem::Problem;

/// The id of one request: what the caller sent in `X-Request-Id` if that is 1 to 64 letters, digits, `.`, `_` and `-`,
/// else a new UUIDv7.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RequestId(Arc<str>);

impl RequestId {
    /// The name of the header.
    pub const HEADER: HeaderName = HeaderName::from_static("x-request-id");

    /// A new id.
    pub fn generate() -> Self {
        Self(Uuid::now_v7().to_string().into())
    }

    /// The id that the caller gave, or a new one. A strange one is replaced and not refused: it is no part of what the
    /// caller asks for, and must not reach the log.
    pub fn of(headers: &HeaderMap) -> Self {
        let sane = |text: &&str| {
            (1..=64).contains(&text.len())
                && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'_' | b'-'))
        };
        let given = headers.get(Self::HEADER).and_then(|value| value.to_str().ok()).filter(sane);
        given.map_or_else(Self::generate, |text| Self(text.into()))
    }

    /// The id as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The id as the value of a header.
    pub fn to_header(&self) -> Option<HeaderValue> {
        HeaderValue::from_str(&self.0).ok()
    }
}

impl fmt::Display for RequestId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<S: Send + Sync> FromRequestParts<S> for RequestId {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        parts.extensions.get().cloned().ok_or_else(|| Problem::internal("a route is not under the observing layer"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sane_id_is_kept_and_a_strange_one_replaced() {
        let of = |text: &'static str| {
            RequestId::of(&[(RequestId::HEADER, HeaderValue::from_static(text))].into_iter().collect())
        };
        assert_eq!(of("close-2026.06_30").as_str(), "close-2026.06_30");
        for text in ["", "a b", "a/b", "<script>"] {
            assert_ne!(of(text).as_str(), text);
        }
    }
}
