//! Lists in pages: `limit`, an opaque `cursor`, and the link to the next page.
//!
//! A cursor pins the time at which the list was first read, so that a reader who follows it sees one state of the books,
//! however much is recorded meanwhile.

use axum::http::{HeaderValue, Uri};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::etag::Answer;
use super::problem::{self, Problem};
use super::wire::Timestamp;

/// How many items a page holds at most: 1 to 500.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ToSchema)]
#[schema(value_type = u16, minimum = 1, maximum = 500, default = 100, example = 100)]
pub struct Limit(u16);

impl Limit {
    /// The number.
    pub fn get(self) -> usize {
        usize::from(self.0)
    }
}

impl Default for Limit {
    fn default() -> Self {
        Self(100)
    }
}

impl<'de> Deserialize<'de> for Limit {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let limit = text.parse().ok().filter(|limit| (1..=500).contains(limit));
        limit
            .map(Self)
            .ok_or_else(|| D::Error::custom(format!("expected a whole number from 1 to 500, found {text:?}")))
    }
}

/// Where a page starts: behind `position`, in the list as it was known at `known_at`.
///
/// Guarantees: it came from this service's answer to the same address with the same filters, or at least says so; its
/// position is no secret and is checked as any input is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cursor<P> {
    pub position: P,
    pub known_at: Timestamp,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written<P> {
    p: P,
    k: Timestamp,
    f: String,
}

impl<P: Serialize + DeserializeOwned> Cursor<P> {
    /// The text of the cursor for a list at `path` with these filters (all parameters but `limit`, `cursor` and
    /// `known_at`).
    pub fn write(&self, path: &str, filters: &impl Serialize) -> Result<String, Problem> {
        let written = Written { p: &self.position, k: self.known_at, f: digest(path, filters)? };
        let json = serde_json::to_vec(&written).map_err(Problem::internal)?;
        Ok(URL_SAFE_NO_PAD.encode(json))
    }

    /// The cursor of a query, if it has one; an error as of [`Cursor::read`].
    pub fn find(
        text: Option<&str>,
        path: &str,
        filters: &impl Serialize,
        known_at: Option<Timestamp>,
    ) -> Result<Option<Self>, Problem> {
        text.map(|text| Self::read(text, path, filters, known_at)).transpose()
    }

    /// Reads a cursor back; 400 when it is none, belongs to another list or other filters, or pins another `known_at`
    /// than the one that is asked for.
    pub fn read(
        text: &str,
        path: &str,
        filters: &impl Serialize,
        known_at: Option<Timestamp>,
    ) -> Result<Self, Problem> {
        let wrong =
            |why: &str| Problem::new(problem::MALFORMED_QUERY, format!("the query parameter \"cursor\": {why}"));
        let json = URL_SAFE_NO_PAD.decode(text).ok();
        let Some(Written { p: position, k, f }) = json.and_then(|json| serde_json::from_slice(&json).ok()) else {
            return Err(wrong("expected the next_cursor of an answer, unchanged"));
        };
        if f != digest(path, filters)? {
            return Err(wrong(
                "it belongs to other filters; start again without it, or repeat the filters it came from",
            ));
        }
        if known_at.is_some_and(|asked| asked != k) {
            return Err(wrong(&format!("it is pinned to known_at {k}; leave known_at out or repeat that")));
        }
        Ok(Self { position, known_at: k })
    }
}

fn digest(path: &str, filters: &impl Serialize) -> Result<String, Problem> {
    let filters = serde_json::to_vec(filters).map_err(Problem::internal)?;
    let hash = Sha256::new().chain_update(path).chain_update([0]).chain_update(filters).finalize();
    Ok(URL_SAFE_NO_PAD.encode(&hash[..12]))
}

/// One page of a list.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Page<T> {
    pub items: Vec<T>,
    /// What to send as `cursor` for the next page; null on the last. The header `Link` has the whole address.
    pub next_cursor: Option<String>,
}

impl<T> Page<T> {
    /// Cuts the rows of a query that asked for one more than the limit; `next` writes the cursor behind the last kept one.
    pub fn cut(
        mut rows: Vec<T>,
        limit: Limit,
        next: impl FnOnce(&T) -> Result<String, Problem>,
    ) -> Result<Self, Problem> {
        let more = rows.len() > limit.get();
        rows.truncate(limit.get());
        let next_cursor = match rows.last() {
            Some(last) if more => Some(next(last)?),
            _ => None,
        };
        Ok(Self { items: rows, next_cursor })
    }
}

impl<T> Page<T> {
    /// The same page of other items.
    pub fn map<U>(self, item: impl FnMut(T) -> U) -> Page<U> {
        Page { items: self.items.into_iter().map(item).collect(), next_cursor: self.next_cursor }
    }
}

/// The answer to a list that is more than a page, with its link to the next one.
pub fn linked(mut response: Response, next_cursor: Option<String>) -> Response {
    if let Some(next) = next_cursor.map(NextCursor) {
        response.extensions_mut().insert(next);
    }
    response
}

/// Tells the observing layer, which knows the address, to link to the next page.
#[derive(Clone, Debug)]
pub(super) struct NextCursor(pub(super) String);

impl<T: Serialize> IntoResponse for Page<T> {
    fn into_response(self) -> Response {
        let next = self.next_cursor.clone().map(NextCursor);
        let mut response = Answer::ok(self).into_response();
        if let Some(next) = next {
            response.extensions_mut().insert(next);
        }
        response
    }
}

/// The `Link` to the next page (RFC 8288): this address with the other cursor.
pub(super) fn link(uri: &Uri, cursor: &str) -> Option<HeaderValue> {
    let others = uri.query().unwrap_or_default().split('&');
    let mut query = String::new();
    for pair in others.filter(|pair| !pair.is_empty() && pair.split('=').next() != Some("cursor")) {
        query.push_str(pair);
        query.push('&');
    }
    // A `<` or `>` can stand in neither part: hyper refuses them in a target, and the cursor is base64url.
    HeaderValue::try_from(format!("<{}?{query}cursor={cursor}>; rel=\"next\"", uri.path())).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Serialize)]
    struct Filters {
        entity: Option<&'static str>,
    }

    const FILTERS: Filters = Filters { entity: Some("ACME") };

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn a_cursor_reads_back_under_the_same_filters_only() {
        let cursor = Cursor { position: 42u64, known_at: at("2026-06-30T17:00:00.000001Z") };
        let text = cursor.write("/v1/journal-batches", &FILTERS).unwrap();
        let read = |text: &str, path, filters, known_at| Cursor::<u64>::read(text, path, filters, known_at);
        assert_eq!(read(&text, "/v1/journal-batches", &FILTERS, None).unwrap(), cursor);
        assert_eq!(read(&text, "/v1/journal-batches", &FILTERS, Some(cursor.known_at)).unwrap(), cursor);
        let other = Some(at("2026-06-30T17:00:00Z"));
        for refused in [
            read(&text, "/v1/journal-batches", &Filters { entity: None }, None),
            read(&text, "/v1/bond-issues", &FILTERS, None),
            read(&text, "/v1/journal-batches", &FILTERS, other),
            read("nonsense", "/v1/journal-batches", &FILTERS, None),
            read(&text[1..], "/v1/journal-batches", &FILTERS, None),
            read("", "/v1/journal-batches", &FILTERS, None),
        ] {
            assert_eq!(refused.unwrap_err().code(), "malformed_query");
        }
    }

    #[test]
    fn the_last_page_has_no_cursor() {
        let cut = |count: usize| {
            let limit = Limit(2);
            Page::cut((0..count).collect(), limit, |last| Ok(last.to_string())).unwrap()
        };
        assert_eq!((cut(3).items.len(), cut(3).next_cursor), (2, Some("1".to_owned())));
        assert_eq!((cut(2).items.len(), cut(2).next_cursor), (2, None));
        assert_eq!((cut(0).items.len(), cut(0).next_cursor), (0, None));
    }

    #[test]
    fn the_link_keeps_the_other_parameters() {
        let link = |uri: &str| link(&uri.parse().unwrap(), "NEW").unwrap();
        assert_eq!(link("/v1/a?limit=2&cursor=OLD&x=%20"), "</v1/a?limit=2&x=%20&cursor=NEW>; rel=\"next\"");
        assert_eq!(link("/v1/a"), "</v1/a?cursor=NEW>; rel=\"next\"");
    }
}
