//! Entity tags: the strong tag of an answer is the hash of its bytes, and a reader who has those bytes gets 304.

use std::fmt;

use axum::body::Body;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::pieces::Pieces;
use super::problem::Problem;

/// An entity tag (RFC 9110 section 8.8.3).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ETag {
    weak: bool,
    /// With its quotes; visible ASCII.
    opaque: String,
}

impl ETag {
    /// The strong tag of these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self::hashed(&Sha256::digest(bytes))
    }

    /// The strong tag of the bytes that have this hash.
    pub fn hashed(hash: &[u8]) -> Self {
        Self { weak: false, opaque: format!("\"{}\"", URL_SAFE_NO_PAD.encode(hash)) }
    }

    /// The tags of a list, if it is one.
    pub fn parse_list(text: &str) -> Option<Vec<Self>> {
        let mut tags = Vec::new();
        let mut rest = text.trim();
        while !rest.is_empty() {
            let (weak, after) = match rest.strip_prefix("W/") {
                Some(after) => (true, after),
                None => (false, rest),
            };
            let (inner, after) = after.strip_prefix('"')?.split_once('"')?;
            // A comma may stand inside a tag, white space and control characters may not.
            if !inner.bytes().all(|byte| byte.is_ascii_graphic()) {
                return None;
            }
            tags.push(Self { weak, opaque: format!("\"{inner}\"") });
            let after = after.trim_start();
            rest = match after.strip_prefix(',') {
                Some(more) => more.trim_start(),
                None if after.is_empty() => after,
                None => return None,
            };
        }
        (!tags.is_empty()).then_some(tags)
    }

    /// Equal and both strong: for `If-Match`.
    pub fn strongly_equals(&self, other: &Self) -> bool {
        !self.weak && !other.weak && self.opaque == other.opaque
    }
}

impl ETag {
    /// What stands between the quotes of a strong tag.
    pub fn strong_text(&self) -> Option<&str> {
        self.opaque.strip_prefix('"').and_then(|text| text.strip_suffix('"')).filter(|_| !self.weak)
    }
}

impl fmt::Display for ETag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", if self.weak { "W/" } else { "" }, self.opaque)
    }
}

/// An answer of one JSON value.
///
/// Guarantees: what is read carries the tag of its bytes, and equal values make equal bytes when their maps are ordered. The
/// answer to a request that changes something carries none, for it is not what a later GET would give.
#[derive(Clone, Debug)]
pub struct Answer<T> {
    status: StatusCode,
    value: T,
    tagged: bool,
    location: Option<String>,
}

impl<T> Answer<T> {
    /// 200 to a GET: what is there.
    pub fn ok(value: T) -> Self {
        Self { status: StatusCode::OK, value, tagged: true, location: None }
    }

    /// 200 to anything else: what was done, or would be.
    pub fn done(value: T) -> Self {
        Self { tagged: false, ..Self::ok(value) }
    }

    /// 201: what was recorded.
    pub fn created(value: T) -> Self {
        Self { status: StatusCode::CREATED, ..Self::done(value) }
    }

    /// Says where what was recorded can be read.
    pub fn located_at(self, path: String) -> Self {
        Self { location: Some(path), ..self }
    }
}

impl<T: Serialize> IntoResponse for Answer<T> {
    fn into_response(self) -> Response {
        let mut pieces = Pieces::default();
        if let Err(error) = serde_json::to_writer(&mut pieces, &self.value) {
            return Problem::internal(error).into_response();
        }
        // A large value is not kept while its answer is on its way.
        drop(self.value);
        let media_type = "application/json";
        let mut response = match self.tagged {
            true => tagged_in_pieces(self.status, media_type, pieces),
            false => in_pieces(self.status, media_type, pieces),
        };
        let location = self.location.and_then(|path| HeaderValue::try_from(path).ok());
        response.headers_mut().extend(location.map(|path| (header::LOCATION, path)));
        response
    }
}

/// The answer to a recording request from its bytes, as they were or are being stored. One that is given again for the same
/// idempotency key says so.
pub fn recorded(status: StatusCode, json: impl Into<axum::body::Bytes>, replayed: bool) -> Response {
    let mut response = (status, Body::from(json.into())).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
    if replayed {
        headers.insert(HeaderName::from_static("idempotent-replayed"), HeaderValue::from_static("true"));
    }
    response
}

/// An answer of these pieces in this media type, with their tag.
pub fn tagged_in_pieces(status: StatusCode, media_type: &'static str, pieces: Pieces) -> Response {
    let own = pieces.tag();
    let mut response = in_pieces(status, media_type, pieces);
    tag(&mut response, &own);
    response
}

fn in_pieces(status: StatusCode, media_type: &'static str, pieces: Pieces) -> Response {
    let mut response = (status, [(header::CONTENT_TYPE, media_type)]).into_response();
    // A body in pieces does not tell its length by itself.
    response.headers_mut().insert(header::CONTENT_LENGTH, pieces.length().into());
    *response.body_mut() = pieces.into_body();
    response
}

/// An answer of these bytes in this media type, with their tag.
pub fn tagged(status: StatusCode, media_type: &'static str, bytes: impl Into<axum::body::Bytes>) -> Response {
    let bytes = bytes.into();
    let own = ETag::of(&bytes);
    let mut response = (status, [(header::CONTENT_TYPE, media_type)], Body::from(bytes)).into_response();
    tag(&mut response, &own);
    response
}

/// Says the tag of an answer.
pub fn tag(response: &mut Response, tag: &ETag) {
    let headers = response.headers_mut();
    if let Ok(tag) = HeaderValue::try_from(tag.to_string()) {
        headers.insert(header::ETAG, tag);
        // Figures are for this caller alone, and a stored copy is asked about before it is used again.
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    }
}

/// A JSON answer with a tag of its own: one that is known before the answer is made and names the state it shows.
pub fn tagged_as(value: &impl Serialize, tag: &str) -> Result<Response, Problem> {
    let bytes = serde_json::to_vec(value).map_err(Problem::internal)?;
    let mut response = tagged(StatusCode::OK, "application/json", bytes);
    let tag = HeaderValue::try_from(format!("\"{tag}\"")).map_err(Problem::internal)?;
    response.headers_mut().insert(header::ETAG, tag);
    Ok(response)
}

/// Whether the reader who sent these headers already has what this answer says (RFC 9110 section 13.1.2).
pub fn is_known(request: &HeaderMap, response: &HeaderMap) -> bool {
    let Some(current) = response.get(header::ETAG).and_then(|value| value.to_str().ok()) else {
        return false;
    };
    let current = current.trim_start_matches("W/");
    request.get_all(header::IF_NONE_MATCH).iter().filter_map(|value| value.to_str().ok()).any(|text| {
        text.trim() == "*" || ETag::parse_list(text).is_some_and(|tags| tags.iter().any(|tag| tag.opaque == current))
    })
}

/// Turns a 200 into the 304 that stands for it: the same tag and cache rules, and no body.
pub fn not_modified(response: Response) -> Response {
    let (mut parts, _) = response.into_parts();
    parts.status = StatusCode::NOT_MODIFIED;
    parts.headers.remove(header::CONTENT_TYPE);
    parts.headers.remove(header::CONTENT_LENGTH);
    Response::from_parts(parts, Body::empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_of_tags_are_read_as_rfc_9110_writes_them() {
        let read = |text| ETag::parse_list(text).map(|tags| tags.iter().map(ETag::to_string).collect::<Vec<_>>());
        assert_eq!(read(r#""a", W/"b,c" ,"""#), Some(vec![r#""a""#.into(), r#"W/"b,c""#.into(), r#""""#.into()]));
        for text in ["", "a", r#""a"#, r#""a" "b""#, r#""a b""#, "*"] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn a_reader_who_has_the_bytes_is_known_and_another_is_not() {
        let response = tagged(StatusCode::OK, "text/csv", "a,b");
        let tag = response.headers()[header::ETAG].clone();
        let sent = |value: HeaderValue| [(header::IF_NONE_MATCH, value)].into_iter().collect::<HeaderMap>();
        assert!(is_known(&sent(tag.clone()), response.headers()));
        assert!(is_known(&sent(HeaderValue::from_static("*")), response.headers()));
        assert!(!is_known(&sent(HeaderValue::from_static("\"x\"")), response.headers()));
        assert!(!is_known(&HeaderMap::new(), response.headers()));
    }
}
