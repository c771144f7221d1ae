//! Problem details (RFC 9457): the one shape of every answer that is an error.
//!
//! A [`Problem`] is a value. Handlers and extractors return it, [`super::observe`] adds the request id, logs it once and
//! sends it. What went wrong inside (the cause of a 5xx) travels with it to the log and never to the client.

mod kinds;

use std::error::Error;
use std::sync::Arc;

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

pub use kinds::{EDGE_KINDS, Kind, kind_of_status};
pub use kinds::{
    FORBIDDEN, IDEMPOTENCY_IN_FLIGHT, IDEMPOTENCY_KEY_REUSED, INTERNAL, INVALID_FIELD, MALFORMED_HEADER,
    MALFORMED_JSON, MALFORMED_QUERY, METHOD_NOT_ALLOWED, MISSING_IDEMPOTENCY_KEY, NOT_ACCEPTABLE, NOT_FOUND, NOT_UTF8,
    PRECONDITION_FAILED, PREVIEW_DIFFERS, TIMEOUT, TOO_LARGE, UNAUTHORIZED, UNAVAILABLE, UNKNOWN_QUERY_PARAMETER,
    UNSUPPORTED_MEDIA_TYPE,
};

/// The media type of a problem document.
pub const MEDIA_TYPE: &str = "application/problem+json";

/// Where the kinds of problem are explained; `#code` is appended to make the `type` of a document.
pub const EXPLAINED_AT: &str = "/docs/problems";

type Cause = Arc<dyn Error + Send + Sync>;

/// One refused or failed request.
///
/// Guarantees: the code, the status and the title come from one [`Kind`] and never disagree; the cause is never part of
/// the document that the client gets.
#[derive(Clone, Debug)]
pub struct Problem(Box<Parts>);

#[derive(Clone, Debug)]
struct Parts {
    kind: Kind,
    detail: String,
    errors: Vec<FieldError>,
    figures: serde_json::Map<String, serde_json::Value>,
    headers: Vec<(HeaderName, HeaderValue)>,
    cause: Option<Cause>,
}

/// What is wrong with one field of the request body.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// The JSON pointer (RFC 6901) of the field; empty for the whole body.
    #[schema(example = "/principal")]
    pub pointer: String,
    /// What to change.
    #[schema(example = "expected a decimal in a string such as \"1024.42\", found the number 1024.42")]
    pub detail: String,
    /// Of a row of a list: why that row is refused, as the code that it would have been refused with alone. Of several things that stand in
    /// the way: which kind it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "exceeds_outstanding")]
    pub code: Option<&'static str>,
    /// Of a row of a file: the line on which it begins, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
}

impl FieldError {
    /// What is wrong with a field.
    pub fn new(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), detail: detail.into(), code: None, line: None }
    }

    /// The same in a row of a list, which is refused with a code.
    #[must_use]
    pub fn within(&self, row: &str, code: &'static str) -> Self {
        Self { pointer: format!("{row}{}", self.pointer), code: Some(code), ..self.clone() }
    }
}

impl FieldError {
    /// The same in a row of a file that begins on a line.
    #[must_use]
    pub fn on_line(self, line: u64) -> Self {
        Self { line: Some(line), ..self }
    }
}

/// The document of a problem as it is sent, `application/problem+json` (RFC 9457).
#[derive(Serialize, ToSchema)]
#[schema(as = Problem)]
pub struct ProblemDocument<'a> {
    /// A page that explains this kind of problem, relative to this service.
    #[serde(rename = "type")]
    #[schema(value_type = String, example = "/docs/problems#invalid_field")]
    type_: String,
    /// The kind in words; the same for every problem of one code.
    #[schema(value_type = String)]
    title: &'a str,
    /// The HTTP status.
    status: u16,
    /// What happened here and what to change.
    #[schema(value_type = String)]
    detail: &'a str,
    /// The id of the request, as in `X-Request-Id`; it finds the request in the log.
    #[schema(value_type = Option<String>)]
    #[serde(skip_serializing_if = "Option::is_none")]
    instance: Option<&'a str>,
    /// The kind as a stable code to branch on. Expect new ones.
    #[schema(value_type = String, example = "invalid_field")]
    code: &'a str,
    /// The fields that are wrong, when the body is.
    #[schema(value_type = Vec<FieldError>)]
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    errors: &'a [FieldError],
    /// The figures that a rule compared, by name.
    #[schema(value_type = Object)]
    #[serde(skip_serializing_if = "serde_json::Map::is_empty")]
    figures: &'a serde_json::Map<String, serde_json::Value>,
}

impl Problem {
    /// A problem of a kind with a sentence about this occurrence.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        let (errors, figures, headers) = (Vec::new(), serde_json::Map::new(), Vec::new());
        Self(Box::new(Parts { kind, detail: detail.into(), errors, figures, headers, cause: None }))
    }

    /// 404: not there, or not yours. The two are not told apart, so that ids of others cannot be probed.
    pub fn not_found(what: impl std::fmt::Display) -> Self {
        Self::new(NOT_FOUND, format!("{what} does not exist or is not visible to this token"))
    }

    /// 422 for one field of the body.
    pub fn invalid_field(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::invalid_fields(vec![FieldError::new(pointer, detail)])
    }

    /// 422 for all fields that were found wrong at once.
    pub fn invalid_fields(errors: Vec<FieldError>) -> Self {
        let sentence = match errors.as_slice() {
            [] => "the body is not valid".to_owned(),
            [FieldError { pointer, detail, .. }] if pointer.is_empty() => format!("the body: {detail}"),
            [FieldError { pointer, detail, .. }] => format!("{pointer}: {detail}"),
            [FieldError { pointer, detail, .. }, rest @ ..] => {
                format!("{pointer}: {detail} (and {} more)", rest.len())
            }
        };
        let mut problem = Self::new(INVALID_FIELD, sentence);
        problem.0.errors = errors;
        problem
    }

    /// 500: a fault of this service. The cause goes to the log, the client is told the request id only.
    pub fn internal(cause: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self::new(INTERNAL, "the service failed to answer; the request id finds the reason in its log").caused_by(cause)
    }

    /// 503: something that this service needs does not answer now. The cause goes to the log.
    pub fn unavailable(cause: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self::new(UNAVAILABLE, "the service cannot reach what it needs to answer; send the request again later")
            .retry_after(1)
            .caused_by(cause)
    }

    /// Adds what went wrong inside, for the log only.
    pub fn caused_by(mut self, cause: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        self.0.cause = Some(Arc::from(cause.into()));
        self
    }

    /// Names the field of the body that a rule refused, beside the detail.
    pub fn at(mut self, pointer: impl Into<String>) -> Self {
        let detail = self.0.detail.clone();
        self.0.errors.push(FieldError::new(pointer, detail));
        self
    }

    /// Adds a figure that the rule looked at, such as what is outstanding, or the id that holds a reference.
    pub fn with_figure(mut self, name: &str, value: impl Into<serde_json::Value>) -> Self {
        self.0.figures.insert(name.to_owned(), value.into());
        self
    }

    /// Adds a header to the answer.
    pub fn with_header(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.0.headers.push((name, value));
        self
    }

    /// Tells the client how many seconds to wait before it tries again.
    pub fn retry_after(self, seconds: u32) -> Self {
        self.with_header(header::RETRY_AFTER, HeaderValue::from(seconds))
    }

    /// The problem that stands for a bare status of a library, so that no answer lacks a document.
    pub fn from_status(status: StatusCode) -> Self {
        let kind = kind_of_status(status);
        let detail = match kind.code {
            "not_found" => "there is nothing at this path; /docs/ lists what there is",
            _ => kind.meaning,
        };
        Self::new(kind, detail)
    }

    /// Adds the rows of a list that are refused.
    pub fn with_errors(mut self, errors: Vec<FieldError>) -> Self {
        self.0.errors = errors;
        self
    }

    /// The kind of the problem.
    pub fn kind(&self) -> Kind {
        self.0.kind
    }

    /// The stable code.
    pub fn code(&self) -> &'static str {
        self.0.kind.code
    }

    /// The HTTP status.
    pub fn status(&self) -> StatusCode {
        self.0.kind.status
    }

    /// The sentence about this occurrence.
    pub fn detail(&self) -> &str {
        &self.0.detail
    }

    /// The fields that are wrong.
    pub fn errors(&self) -> &[FieldError] {
        &self.0.errors
    }

    /// The chain of causes in one line, for the log.
    pub fn chain(&self) -> Option<String> {
        let mut text = String::new();
        let mut next: Option<&(dyn Error + 'static)> = self.0.cause.as_deref().map(|cause| cause as _);
        while let Some(error) = next {
            if !text.is_empty() {
                text.push_str(": ");
            }
            text.push_str(&error.to_string());
            next = error.source();
        }
        (!text.is_empty()).then_some(text)
    }

    /// The document as JSON, with the request id when it is known.
    pub fn document(&self, instance: Option<&str>) -> Vec<u8> {
        let Parts { kind, detail, errors, figures, .. } = &*self.0;
        let document = ProblemDocument {
            type_: kind.type_uri(),
            title: kind.title,
            status: kind.status.as_u16(),
            detail,
            instance,
            code: kind.code,
            errors,
            figures,
        };
        // Strings, integers and JSON values always serialize; an empty body is the honest remainder if they did not.
        serde_json::to_vec(&document).unwrap_or_default()
    }
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.code(), self.detail())
    }
}

impl Error for Problem {}

impl IntoResponse for Problem {
    /// The answer without a request id. It carries the problem itself as an extension, from which [`super::observe`]
    /// logs it and writes the final document.
    fn into_response(self) -> Response {
        let mut response = (self.status(), self.document(None)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        for (name, value) in &self.0.headers {
            headers.append(name.clone(), value.clone());
        }
        response.extensions_mut().insert(self);
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cause_is_in_the_chain_and_never_in_the_document() {
        #[derive(Debug, thiserror::Error)]
        #[error("outer")]
        struct Outer(#[source] std::io::Error);
        let problem = Problem::internal(Outer(std::io::Error::other("secret table name")));
        assert_eq!(problem.chain().as_deref(), Some("outer: secret table name"));
        let text = String::from_utf8(problem.document(Some("r-1"))).unwrap();
        assert!(!text.contains("secret"), "{text}");
        assert!(text.contains(r#""instance":"r-1""#), "{text}");
    }

    #[test]
    fn a_document_names_its_type_its_code_and_the_field() {
        let document = Problem::invalid_field("/principal", "must be positive").document(None);
        let value: serde_json::Value = serde_json::from_slice(&document).unwrap();
        assert_eq!(
            value,
            serde_json::json!({
                "type": "/docs/problems#invalid_field", "title": INVALID_FIELD.title, "status": 422,
                "detail": "/principal: must be positive", "code": "invalid_field",
                "errors": [{"pointer": "/principal", "detail": "must be positive"}]
            })
        );
    }
}
