//! What a handler takes from a request beside its body and query: the ids in its path and everything that surrounds a
//! command that records.

use axum::extract::{FromRequestParts, Path as AxumPath};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::etag::ETag;
use super::ids::Scoped;
use super::problem::{self, Problem};
use super::query::Query;
use super::request_id::RequestId;
use crate::auth::Principal;

pub use super::body::{Body, Fingerprint, OptionalBody};
pub use super::notices::Notices;
pub use super::query::NoQuery;

/// The ids in the path. A malformed id, and the id of an entity that the token may not see, are both 404.
#[derive(Clone, Debug)]
pub struct Path<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Scoped + Send> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let value = AxumPath::<T>::from_request_parts(parts, state).await.ok().map(|AxumPath(value)| value);
        let principal = principal(parts)?;
        let visible = value.filter(|value| principal.sees(value.entity()));
        visible.map(Self).ok_or_else(|| Problem::not_found(parts.uri.path()))
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Principal {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        principal(parts).cloned()
    }
}

fn principal(parts: &Parts) -> Result<&Principal, Problem> {
    parts.extensions.get().ok_or_else(|| Problem::internal("a route that needs a principal has no guard"))
}

/// Fails with 404 for an entity that the principal may not see: for one that is named in a query or a body.
pub fn require_visible(principal: &Principal, entity: &str) -> Result<(), Problem> {
    if principal.sees(entity) {
        return Ok(());
    }
    Err(Problem::not_found(format_args!("the entity {entity}")))
}

/// Who asks, in which request.
#[derive(Clone, Debug)]
pub struct Caller {
    pub principal: Principal,
    pub request_id: RequestId,
}

impl<S: Send + Sync> FromRequestParts<S> for Caller {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let principal = principal(parts)?.clone();
        Ok(Self { principal, request_id: RequestId::from_request_parts(parts, state).await? })
    }
}

/// Everything that surrounds a command: who asks, under which key, and on what conditions.
///
/// Guarantees: there is an idempotency key unless `validate_only` is set; the query held nothing but `validate_only`.
#[derive(Clone, Debug)]
pub struct Recording {
    pub principal: Principal,
    pub request_id: RequestId,
    /// Set unless `validate_only`.
    pub idempotency_key: Option<IdempotencyKey>,
    /// Answer with what would be posted, and post nothing.
    pub validate_only: bool,
    pub if_match: Option<IfMatch>,
    pub if_preview_match: Option<PreviewSha256>,
}

#[derive(Deserialize)]
struct RecordingQuery {
    #[serde(default)]
    validate_only: bool,
}

impl<S: Send + Sync> FromRequestParts<S> for Recording {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Caller { principal, request_id } = Caller::from_request_parts(parts, state).await?;
        let Query(RecordingQuery { validate_only }) = Query::from_request_parts(parts, state).await?;
        let headers = &parts.headers;
        let idempotency_key = IdempotencyKey::find(headers)?;
        if idempotency_key.is_none() && !validate_only {
            return Err(Problem::new(
                problem::MISSING_IDEMPOTENCY_KEY,
                "send the header Idempotency-Key with a value of your choice, such as a new UUID, and the same one again \
                 when you repeat the request",
            ));
        }
        let (if_match, if_preview_match) = (IfMatch::find(headers)?, PreviewSha256::find(headers)?);
        Ok(Self { principal, request_id, idempotency_key, validate_only, if_match, if_preview_match })
    }
}

/// The key under which a request is recorded at most once: 1 to 255 visible ASCII characters.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct IdempotencyKey(String);

impl IdempotencyKey {
    /// The name of the header.
    pub const HEADER: HeaderName = HeaderName::from_static("idempotency-key");

    /// The key without its quotes.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The key in the headers, if there is one. The IETF draft writes it as a structured-field string, in quotes; it is
    /// taken without them too, for many clients send it so.
    pub fn find(headers: &HeaderMap) -> Result<Option<Self>, Problem> {
        let Some(text) = single(headers, &Self::HEADER)? else {
            return Ok(None);
        };
        let key = if text.starts_with('"') { unquote(text) } else { bare(text) };
        let length = |key: &String| (1..=255).contains(&key.len()) && key.bytes().all(|byte| byte.is_ascii_graphic());
        key.filter(length).map(|key| Some(Self(key))).ok_or_else(|| {
            malformed(&Self::HEADER, "expected 1 to 255 visible ASCII characters, in double quotes or without any")
        })
    }
}

/// A structured-field string (RFC 9651 section 3.3.3) without parameters.
fn unquote(text: &str) -> Option<String> {
    let inner = text.strip_prefix('"')?.strip_suffix('"')?;
    let mut key = String::with_capacity(inner.len());
    let mut characters = inner.chars();
    while let Some(character) = characters.next() {
        match character {
            '"' => return None,
            '\\' => key.push(characters.next().filter(|escaped| matches!(escaped, '"' | '\\'))?),
            other => key.push(other),
        }
    }
    Some(key)
}

fn bare(text: &str) -> Option<String> {
    (!text.contains(['"', '\\', ',', ';'])).then(|| text.to_owned())
}

/// The condition that the resource is still the one that was read (RFC 9110 section 13.1.1).
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum IfMatch {
    /// `*`: that there is one.
    Any,
    /// That its tag is one of these.
    OneOf(Vec<ETag>),
}

impl IfMatch {
    /// The condition in the headers, if there is one.
    pub fn find(headers: &HeaderMap) -> Result<Option<Self>, Problem> {
        let Some(text) = single(headers, &header::IF_MATCH)? else {
            return Ok(None);
        };
        if text == "*" {
            return Ok(Some(Self::Any));
        }
        match ETag::parse_list(text) {
            Some(tags) => Ok(Some(Self::OneOf(tags))),
            None => {
                Err(malformed(&header::IF_MATCH, "expected * or a list of tags in double quotes, as ETag gave them"))
            }
        }
    }

    /// Fails with 412 unless the condition holds for the tag that the resource has now.
    pub fn check(&self, current: &ETag) -> Result<(), Problem> {
        match self {
            Self::Any => Ok(()),
            Self::OneOf(tags) if tags.iter().any(|tag| tag.strongly_equals(current)) => Ok(()),
            Self::OneOf(_) => Err(Problem::new(
                problem::PRECONDITION_FAILED,
                format!("the resource has changed, its ETag is now {current}; read it again and decide again"),
            )),
        }
    }
}

/// The hash of a preview, as its answer gave it: 64 hexadecimal digits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviewSha256(String);

impl PreviewSha256 {
    /// The name of the header.
    pub const HEADER: HeaderName = HeaderName::from_static("if-preview-match");

    /// The digits in lower case.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The hash in the headers, if there is one.
    pub fn find(headers: &HeaderMap) -> Result<Option<Self>, Problem> {
        let Some(text) = single(headers, &Self::HEADER)? else {
            return Ok(None);
        };
        let digits = text.strip_prefix('"').and_then(|text| text.strip_suffix('"')).unwrap_or(text);
        if digits.len() == 64 && digits.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Ok(Some(Self(digits.to_ascii_lowercase())));
        }
        Err(malformed(&Self::HEADER, "expected the preview_sha256 of a preview: 64 hexadecimal digits"))
    }

    /// Fails with 409 unless the result is the one that was previewed.
    pub fn check(&self, current: &str) -> Result<(), Problem> {
        if self.0 == current {
            return Ok(());
        }
        let detail = format!("what would be posted now has the preview_sha256 {current}; look at a new preview");
        Err(Problem::new(problem::PREVIEW_DIFFERS, detail))
    }
}

/// The one value of a header, trimmed; given twice or not ASCII, it is malformed.
fn single<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, Problem> {
    let mut values = headers.get_all(name).iter();
    let Some(value) = values.next() else {
        return Ok(None);
    };
    if values.next().is_some() {
        return Err(malformed(name, "it is given more than once"));
    }
    let text = HeaderValue::to_str(value).map_err(|_| malformed(name, "it holds characters outside ASCII"))?;
    Ok(Some(text.trim()))
}

fn malformed(name: &HeaderName, why: &str) -> Problem {
    Problem::new(problem::MALFORMED_HEADER, format!("the header {name}: {why}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(name: &HeaderName, values: &[&'static str]) -> HeaderMap {
        values.iter().map(|value| (name.clone(), HeaderValue::from_static(value))).collect()
    }

    #[test]
    fn a_key_is_taken_with_and_without_quotes() {
        let long: &'static str = Box::leak("k".repeat(256).into_boxed_str());
        for (values, expected) in [
            (&["8e03978e-40d5-43e8-bc93-6894a57f9324"][..], Ok(Some("8e03978e-40d5-43e8-bc93-6894a57f9324"))),
            (&[r#""8e03978e""#], Ok(Some("8e03978e"))),
            (&[r#""a\"b\\c""#], Ok(Some(r#"a"b\c"#))),
            (&[], Ok(None)),
            (&[""], Err(())),
            (&[r#""""#], Err(())),
            (&[r#""open"#], Err(())),
            (&[r#""a\n""#], Err(())),
            (&["two words"], Err(())),
            (&["a", "b"], Err(())),
            (&["a,b"], Err(())),
            (&[long], Err(())),
            (&[&long[1..]], Ok(Some(&long[1..]))),
        ] {
            let found = IdempotencyKey::find(&headers(&IdempotencyKey::HEADER, values));
            let found = found.as_ref().map(|key| key.as_ref().map(IdempotencyKey::as_str)).map_err(|_| ());
            assert_eq!(found, expected, "{values:?}");
        }
    }

    #[test]
    fn a_condition_holds_for_the_current_tag_only() {
        let current = ETag::of(b"now");
        let find = |text: String| {
            let mut headers = HeaderMap::new();
            headers.insert(header::IF_MATCH, HeaderValue::try_from(text).unwrap());
            IfMatch::find(&headers).unwrap().unwrap()
        };
        assert!(find("*".to_owned()).check(&current).is_ok());
        assert!(find(format!("\"x\", {current}")).check(&current).is_ok());
        assert_eq!(find("\"x\"".to_owned()).check(&current).unwrap_err().code(), "precondition_failed");
        // A weak tag never matches where a strong one is asked for (RFC 9110 section 8.8.3.2).
        assert!(find(format!("W/{current}")).check(&current).is_err());
        assert!(IfMatch::find(&headers(&header::IF_MATCH, &["x"])).is_err());
    }
}
