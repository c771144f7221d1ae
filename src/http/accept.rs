//! Content negotiation: which of the representations of one resource the caller wants.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::Response;

use super::etag::{tagged, tagged_in_pieces};
use super::pieces::Pieces;
use super::problem::{self, Problem};

/// A representation that a resource can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Media {
    Json,
    Csv,
    Xlsx,
    Html,
    /// RFC 5545.
    Calendar,
    XbrlGl,
    /// XBRL GL for those who ask for any XML.
    Xml,
}

impl Media {
    /// The media type as it is declared.
    pub fn content_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::Xlsx => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
            Self::Html => "text/html; charset=utf-8",
            Self::Calendar => "text/calendar; charset=utf-8",
            Self::XbrlGl => "application/xbrl-instance+xml",
            Self::Xml => "application/xml",
        }
    }

    fn essence(self) -> &'static str {
        self.content_type().split(';').next().unwrap_or_default()
    }

    /// How much of its weight counts. Browsers ask for any XML before all that they do not know, and are to be shown JSON.
    fn preference(self) -> u32 {
        if self == Self::Xml { 1 } else { 2 }
    }

    /// What a file in this representation ends with.
    fn extension(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Csv => "csv",
            Self::Xlsx => "xlsx",
            Self::Html => "html",
            Self::Calendar => "ics",
            Self::XbrlGl | Self::Xml => "xml",
        }
    }

    /// An answer in this representation, with its tag. It says that it depends on `Accept`.
    pub fn answer(self, bytes: impl Into<axum::body::Bytes>) -> Response {
        by_accept(tagged(StatusCode::OK, self.content_type(), bytes))
    }

    /// A file in this representation, whose name without its ending this is (RFC 6266).
    pub fn file(self, name: &str, content: Pieces) -> Response {
        named(by_accept(tagged_in_pieces(StatusCode::OK, self.content_type(), content)), self, name)
    }
}

/// Says that an answer is a file, whose name without its ending this is (RFC 6266).
pub fn named(mut response: Response, media: Media, name: &str) -> Response {
    let disposition = format!("attachment; filename=\"{name}.{}\"", media.extension());
    let disposition = HeaderValue::try_from(disposition).ok();
    response.headers_mut().extend(disposition.map(|value| (header::CONTENT_DISPOSITION, value)));
    response
}

/// Says that an answer depends on `Accept`: every representation of a resource that has several says so.
pub fn by_accept(mut response: Response) -> Response {
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept"));
    response
}

/// What the caller accepts; nothing said means anything.
#[derive(Clone, Debug, Default)]
pub struct Accept(Vec<(String, u16)>);

impl<S: Send + Sync> FromRequestParts<S> for Accept {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        Ok(Self::of(&parts.headers))
    }
}

impl Accept {
    /// What these headers say.
    pub fn of(headers: &HeaderMap) -> Self {
        let values = headers.get_all(header::ACCEPT).iter();
        Self::parse(&values.filter_map(|value| value.to_str().ok()).collect::<Vec<_>>().join(","))
    }

    fn parse(text: &str) -> Self {
        let ranges = text.split(',').map(str::trim).filter(|range| !range.is_empty());
        Self(
            ranges
                .map(|range| {
                    let mut parts = range.split(';').map(str::trim);
                    let essence = parts.next().unwrap_or_default().to_ascii_lowercase();
                    let quality = parts.find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")));
                    (essence, quality.map_or(1000, thousandths))
                })
                .collect(),
        )
    }

    /// The offer that the caller likes best, the first of equals; 406 when it takes none of them.
    pub fn choose(&self, offers: &[Media]) -> Result<Media, Problem> {
        // `max_by_key` keeps the last of equals, so the offers are gone through from the end.
        let weight = |offer: &Media| u32::from(self.quality(*offer)) * offer.preference();
        let best = offers.iter().rev().copied().max_by_key(weight);
        best.filter(|offer| self.quality(*offer) > 0).ok_or_else(|| {
            let list = offers.iter().map(|offer| offer.essence()).collect::<Vec<_>>().join(", ");
            Problem::new(problem::NOT_ACCEPTABLE, format!("this address answers in {list}; accept one of these"))
        })
    }

    /// The weight of the most specific range that covers the offer (RFC 9110 section 12.5.1).
    fn quality(&self, offer: Media) -> u16 {
        if self.0.is_empty() {
            return 1000;
        }
        let essence = offer.essence();
        let family = essence.split('/').next().unwrap_or_default();
        let specificity = |range: &str| match range {
            "*/*" => Some(0),
            range if range == essence => Some(2),
            range => range.strip_suffix("/*").filter(|name| *name == family).map(|_| 1),
        };
        let covering = self.0.iter().filter_map(|(range, quality)| Some((specificity(range)?, *quality)));
        covering.max_by_key(|(specificity, _)| *specificity).map_or(0, |(_, quality)| quality)
    }
}

/// A weight of 0 to 1 with at most three decimals; anything else counts as not said.
fn thousandths(text: &str) -> u16 {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = format!("{fraction:0<3}");
    match (whole, digits.get(..3).and_then(|digits| digits.parse::<u16>().ok())) {
        ("0", Some(fraction)) => fraction,
        _ => 1000,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_liked_offer_is_chosen() {
        let offers = [Media::Json, Media::Csv, Media::Html];
        for (accept, expected) in [
            ("", Some(Media::Json)),
            ("*/*", Some(Media::Json)),
            ("text/csv", Some(Media::Csv)),
            ("text/*", Some(Media::Csv)),
            ("text/html,application/xhtml+xml,*/*;q=0.8", Some(Media::Html)),
            ("application/json;q=0.5, text/csv;q=0.7", Some(Media::Csv)),
            ("application/json;q=0, */*", Some(Media::Csv)),
            ("TEXT/CSV; header=present", Some(Media::Csv)),
            ("image/png", None),
            ("application/json;q=0", None),
        ] {
            assert_eq!(Accept::parse(accept).choose(&offers).ok(), expected, "{accept}");
        }
        let with_xml = [Media::Json, Media::XbrlGl, Media::Xml];
        for (accept, expected) in [
            ("application/xml", Media::Xml),
            ("application/xml, */*;q=0.1", Media::Xml),
            ("application/xbrl-instance+xml, application/xml;q=0.9", Media::XbrlGl),
            ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", Media::Json),
        ] {
            assert_eq!(Accept::parse(accept).choose(&with_xml).ok(), Some(expected), "{accept}");
        }
        let refused = Accept::parse("image/png").choose(&offers).unwrap_err();
        assert_eq!(
            refused.detail(),
            "this address answers in application/json, text/csv, text/html; accept one of these"
        );
    }
}
