//! The JSON body of a request, read strictly.
//!
//! What is refused, and how: no declared JSON 415, too long 413, not UTF-8 or not JSON 400, JSON of another shape 422 with a
//! pointer to the field and a sentence that says what to change.

use std::future::poll_fn;
use std::pin::Pin;

use axum::body::{Body as Stream, Bytes, HttpBody};
use axum::extract::{FromRequest, Request};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use serde::Serialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use sha2::{Digest, Sha256};

use super::json_error;
use super::problem::{self, Problem};

/// The longest body that a route takes, in bytes. A route that takes more is layered with an `Extension` of this.
#[derive(Clone, Copy, Debug)]
pub struct BodyLimit(pub usize);

impl Default for BodyLimit {
    /// One MiB.
    fn default() -> Self {
        Self(1 << 20)
    }
}

/// SHA-256 of method, path and body: two requests with the same fingerprint ask for the same thing. The query is left out,
/// for a recording request has none that changes what is recorded.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Fingerprint(pub [u8; 32]);

impl Fingerprint {
    /// The fingerprint of a request.
    pub fn of(method: &Method, path: &str, body: &[u8]) -> Self {
        Self(Self::begin(method, path).chain_update(body).finalize().into())
    }

    /// The hash so far, for a body that comes in pieces.
    pub fn begin(method: &Method, path: &str) -> Sha256 {
        // A zero byte ends method and path, in which none can stand: no two requests run into the same bytes.
        Sha256::new().chain_update(method.as_str()).chain_update([0]).chain_update(path).chain_update([0])
    }
}

impl std::fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl std::fmt::Debug for Fingerprint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        std::fmt::Display::fmt(self, f)
    }
}

/// The body of a request, read as `T`, whose serde type denies unknown fields.
///
/// Guarantees: it came as UTF-8 JSON of exactly that shape, and no text in it holds the character U+0000, which databases
/// refuse.
#[derive(Clone, Debug)]
pub struct Body<T> {
    /// The value.
    pub value: T,
    /// The body as it came.
    pub raw: Bytes,
    /// Method, path and body as one hash, for an idempotency key.
    pub fingerprint: Fingerprint,
}

/// The same, where an absent body stands for `T::default()`.
#[derive(Clone, Debug)]
pub struct OptionalBody<T>(pub Body<T>);

impl<S: Send + Sync, T: DeserializeOwned + Serialize> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        require_json(request.headers())?;
        let (raw, fingerprint) = collect(request).await?;
        Ok(Self { value: parse(&raw)?, raw, fingerprint })
    }
}

impl<S: Send + Sync, T: DeserializeOwned + Serialize + Default> FromRequest<S> for OptionalBody<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        let declared = require_json(request.headers());
        let (raw, fingerprint) = collect(request).await?;
        if raw.is_empty() {
            return Ok(Self(Body { value: T::default(), raw, fingerprint }));
        }
        declared?;
        Ok(Self(Body { value: parse(&raw)?, raw, fingerprint }))
    }
}

pub(super) fn require_json(headers: &HeaderMap) -> Result<(), Problem> {
    declared(headers, &["application/json"]).map(drop)
}

/// The media type of the body, one of `expected`, in UTF-8 and without a coding.
///
/// A body without a declared type is refused too: guessing would be allowed (RFC 9110 section 8.3), but the declaration
/// keeps plain forms of other web sites from posting here.
pub(super) fn declared(headers: &HeaderMap, expected: &[&'static str]) -> Result<&'static str, Problem> {
    let refuse = |detail: String| {
        let accept = HeaderValue::from_str(&expected.join(", "));
        let problem = Problem::new(problem::UNSUPPORTED_MEDIA_TYPE, detail);
        let problem = accept.into_iter().fold(problem, |problem, accept| problem.with_header(header::ACCEPT, accept));
        problem.with_header(header::ACCEPT_ENCODING, HeaderValue::from_static("identity"))
    };
    let coding = headers.get(header::CONTENT_ENCODING).map(|value| String::from_utf8_lossy(value.as_bytes()));
    if let Some(coding) = coding.filter(|coding| !coding.eq_ignore_ascii_case("identity")) {
        return Err(refuse(format!("send the body without a content coding; its Content-Encoding is {coding:?}")));
    }
    let wanted = format!("send the body with the header Content-Type: {}", expected.join(" or "));
    let Some(value) = headers.get(header::CONTENT_TYPE) else {
        return Err(refuse(format!("{wanted}; there is none")));
    };
    let text = String::from_utf8_lossy(value.as_bytes());
    let mut parts = text.split(';').map(str::trim);
    let essence = parts.next().unwrap_or_default();
    let known = expected.iter().find(|known| essence.eq_ignore_ascii_case(known));
    let utf8 = parts.all(|parameter| match parameter.split_once('=') {
        Some((name, charset)) if name.trim().eq_ignore_ascii_case("charset") => {
            charset.trim().trim_matches('"').eq_ignore_ascii_case("utf-8")
        }
        _ => true,
    });
    match known {
        Some(known) if utf8 => Ok(known),
        _ => Err(refuse(format!("{wanted}; it is {text:?}"))),
    }
}

pub(super) async fn collect(request: Request) -> Result<(Bytes, Fingerprint), Problem> {
    let BodyLimit(limit) = request.extensions().get().copied().unwrap_or_default();
    let (method, path) = (request.method().clone(), request.uri().path().to_owned());
    let declared = request.headers().get(header::CONTENT_LENGTH).and_then(|value| value.to_str().ok());
    if declared.and_then(|text| text.parse::<u64>().ok()).is_some_and(|length| length > limit as u64) {
        return Err(too_large(limit));
    }
    let raw = read_up_to(request.into_body(), limit).await?;
    let fingerprint = Fingerprint::of(&method, &path, &raw);
    Ok((raw, fingerprint))
}

async fn read_up_to(mut stream: Stream, limit: usize) -> Result<Bytes, Problem> {
    let mut first = Bytes::new();
    let mut whole: Vec<u8> = Vec::new();
    while let Some(frame) = poll_fn(|context| Pin::new(&mut stream).poll_frame(context)).await {
        let Ok(data) = frame.map_err(cut_off)?.into_data() else {
            continue;
        };
        if first.len() + whole.len() + data.len() > limit {
            return Err(too_large(limit));
        }
        // Most bodies come in one frame, which is kept as it is.
        if first.is_empty() && whole.is_empty() {
            first = data;
        } else {
            whole.extend_from_slice(&first);
            first = Bytes::new();
            whole.extend_from_slice(&data);
        }
    }
    Ok(if whole.is_empty() { first } else { Bytes::from(whole) })
}

pub(super) fn cut_off(error: axum::Error) -> Problem {
    Problem::new(problem::MALFORMED_JSON, "the body ended before it was complete").caused_by(error)
}

pub(super) fn too_large(limit: usize) -> Problem {
    Problem::new(problem::TOO_LARGE, format!("the body is longer than the {limit} bytes that this address takes"))
}

/// Reads a JSON text as `T`, or says what is wrong with it.
pub fn parse<T: DeserializeOwned + Serialize>(raw: &[u8]) -> Result<T, Problem> {
    let text = std::str::from_utf8(raw).map_err(|error| {
        let at = error.valid_up_to();
        Problem::new(problem::NOT_UTF8, format!("the body is not UTF-8 from byte {at} on; send JSON in UTF-8"))
    })?;
    // RFC 8259 section 8.1 lets a reader ignore a byte order mark, which some systems put before all they write.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim_ascii().is_empty() {
        return Err(Problem::new(problem::MALFORMED_JSON, "the body is empty; send a JSON object"));
    }
    // serde reads an array as a struct by position; a request is an object with names.
    if text.trim_ascii_start().starts_with('[') {
        serde_json::from_str::<IgnoredAny>(text).map_err(|error| malformed(&error))?;
        return Err(Problem::invalid_field("", "expected an object, found an array"));
    }
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let read = serde_path_to_error::deserialize(&mut deserializer);
    let value = match read {
        Ok(value) => value,
        // A body that is no JSON at all is told so first, even if an earlier field is wrong too. serde also says so of one that has
        // something else where it looks for the name of a value.
        Err(error) => {
            return Err(match serde_json::from_str::<serde_json::Value>(text) {
                Err(syntax) => malformed(&syntax),
                Ok(_) => Problem::invalid_fields(vec![json_error::field_error(&error)]),
            });
        }
    };
    deserializer.end().map_err(|error| malformed(&error))?;
    if text.contains("\\u0000") {
        json_error::refuse_nul(text)?;
    }
    if text.contains('[') {
        json_error::refuse_positions(text, &value)?;
    }
    Ok(value)
}

fn malformed(error: &serde_json::Error) -> Problem {
    Problem::new(problem::MALFORMED_JSON, format!("the body is not one JSON text: {error}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_is_what_is_declared_as_json() {
        let refused = |value: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(value));
            require_json(&headers).is_err()
        };
        assert!(!refused("application/json"));
        assert!(!refused("Application/JSON; charset=\"UTF-8\""));
        assert!(refused("application/json; charset=latin1"));
        assert!(refused("application/x-www-form-urlencoded"));
        assert!(refused("text/json"));
        assert!(require_json(&HeaderMap::new()).is_err());
    }

    #[test]
    fn fingerprints_differ_by_method_path_and_body() {
        let of = |method: &Method, path, body: &str| Fingerprint::of(method, path, body.as_bytes()).to_string();
        let all = [
            of(&Method::POST, "/a", "b"),
            of(&Method::PUT, "/a", "b"),
            of(&Method::POST, "/ab", ""),
            of(&Method::POST, "/a", "c"),
        ];
        assert_eq!(all.iter().collect::<std::collections::BTreeSet<_>>().len(), 4);
        assert_eq!(all[0].len(), 64);
    }
}
