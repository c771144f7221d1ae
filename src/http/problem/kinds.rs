//! The one table of the kinds of problem that the edge itself can answer. A rule of the accounting core brings kinds of its
//! own, with the same shape.

use axum::http::StatusCode;

/// A kind of problem: what is the same for every occurrence.
///
/// `code` and `status` are promises to callers and never change; `title` is the code in words; `meaning` is a sentence
/// for the page that explains the kinds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kind {
    pub code: &'static str,
    pub status: StatusCode,
    pub title: &'static str,
    pub meaning: &'static str,
}

impl Kind {
    /// The `type` of a document of this kind: a reference that resolves on this service.
    pub fn type_uri(&self) -> String {
        format!("{}#{}", super::EXPLAINED_AT, self.code)
    }
}

macro_rules! kinds {
    ($($name:ident $code:literal $status:ident $title:literal, $meaning:literal;)*) => {
        $(#[doc = $meaning]
        pub const $name: Kind =
            Kind { code: $code, status: StatusCode::$status, title: $title, meaning: $meaning };)*

        /// Every kind that the edge can answer, in order of status.
        pub const EDGE_KINDS: &[Kind] = &[$($name),*];
    };
}

kinds! {
    MALFORMED_HEADER "malformed_header" BAD_REQUEST "A header is malformed",
        "A header does not have the form its definition asks for; the detail names it.";
    MISSING_IDEMPOTENCY_KEY "missing_idempotency_key" BAD_REQUEST "The Idempotency-Key header is missing",
        "A request that records something carries a key of your choice, so that sending it again cannot record it twice.";
    MALFORMED_QUERY "malformed_query" BAD_REQUEST "A query parameter is malformed",
        "A query parameter is missing, given twice, or has a value that cannot be read; the detail names it.";
    UNKNOWN_QUERY_PARAMETER "unknown_query_parameter" BAD_REQUEST "A query parameter is unknown",
        "A parameter that this address does not know is refused, for a misspelt filter would answer another question.";
    MALFORMED_JSON "malformed_json" BAD_REQUEST "The body is not JSON",
        "The body is not one JSON text; the detail gives the line and column.";
    NOT_UTF8 "not_utf8" BAD_REQUEST "The body is not UTF-8",
        "JSON is UTF-8; the detail gives the byte at which the body is not.";
    UNAUTHORIZED "unauthorized" UNAUTHORIZED "A valid token is missing",
        "Send a token in the header Authorization: Bearer; `parwright token create` makes one.";
    FORBIDDEN "forbidden" FORBIDDEN "The role of this token does not allow this",
        "The token is valid, and its role may not do this.";
    NOT_FOUND "not_found" NOT_FOUND "Not found",
        "There is nothing here, or it is not yours to see.";
    METHOD_NOT_ALLOWED "method_not_allowed" METHOD_NOT_ALLOWED "The method is not allowed here",
        "The path exists and does not take this method; the header Allow lists those it takes.";
    NOT_ACCEPTABLE "not_acceptable" NOT_ACCEPTABLE "None of the accepted media types is offered",
        "The header Accept leaves none of the representations there are; the detail lists them.";
    IDEMPOTENCY_IN_FLIGHT "idempotency_in_flight" CONFLICT "A request with this Idempotency-Key is in progress",
        "The first request with this key has not finished; send it again after Retry-After.";
    PREVIEW_DIFFERS "preview_differs" CONFLICT "The result would differ from the preview",
        "What would be posted now is not what was previewed; look at a new preview.";
    PRECONDITION_FAILED "precondition_failed" PRECONDITION_FAILED "The resource has changed",
        "The ETag in If-Match is not that of the resource as it is now; read it again and decide again.";
    TOO_LARGE "body_too_large" PAYLOAD_TOO_LARGE "The body is too large",
        "The body is longer than this address takes; the detail gives the limit.";
    UNSUPPORTED_MEDIA_TYPE "unsupported_media_type" UNSUPPORTED_MEDIA_TYPE "The body is not declared as what this address takes",
        "Send the body with the header Content-Type: application/json, or what the detail names, and without a content coding.";
    INVALID_FIELD "invalid_field" UNPROCESSABLE_ENTITY "A field is not valid",
        "The body is JSON, but a field is missing, unknown, or cannot be right; `errors` points to it.";
    IDEMPOTENCY_KEY_REUSED "idempotency_key_reused" UNPROCESSABLE_ENTITY "The Idempotency-Key belongs to another request",
        "A key stands for one request; use a new key for a new request.";
    INTERNAL "internal" INTERNAL_SERVER_ERROR "The service failed",
        "A fault of the service; the request id finds it in its log.";
    UNAVAILABLE "unavailable" SERVICE_UNAVAILABLE "The service is not available",
        "Something the service needs does not answer; send the request again after Retry-After.";
    TIMEOUT "timeout" SERVICE_UNAVAILABLE "The answer took too long",
        "The time for one request is over. Send it again after Retry-After, with the same Idempotency-Key if it records.";
}

/// The kind that stands for a status which a library answered without a document.
pub fn kind_of_status(status: StatusCode) -> Kind {
    match status {
        StatusCode::UNAUTHORIZED => UNAUTHORIZED,
        StatusCode::FORBIDDEN => FORBIDDEN,
        StatusCode::NOT_FOUND => NOT_FOUND,
        StatusCode::METHOD_NOT_ALLOWED => METHOD_NOT_ALLOWED,
        StatusCode::NOT_ACCEPTABLE => NOT_ACCEPTABLE,
        StatusCode::PRECONDITION_FAILED => PRECONDITION_FAILED,
        StatusCode::PAYLOAD_TOO_LARGE => TOO_LARGE,
        StatusCode::UNSUPPORTED_MEDIA_TYPE => UNSUPPORTED_MEDIA_TYPE,
        StatusCode::UNPROCESSABLE_ENTITY => INVALID_FIELD,
        StatusCode::SERVICE_UNAVAILABLE => UNAVAILABLE,
        // Any other 4xx of a library is about how the request was put.
        status if status.is_client_error() => MALFORMED_HEADER,
        _ => INTERNAL,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_and_in_order_of_status() {
        let mut codes: Vec<_> = EDGE_KINDS.iter().map(|kind| kind.code).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), EDGE_KINDS.len());
        assert!(EDGE_KINDS.is_sorted_by_key(|kind| kind.status.as_u16()));
    }
}
