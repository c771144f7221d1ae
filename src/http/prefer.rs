//! The preference to wait (RFC 7240 section 4.3).

use std::time::Duration;

use axum::extract::FromRequestParts;
use axum::http::HeaderMap;
use axum::http::request::Parts;

/// How long a caller would wait for an answer, if it said so. A preference that cannot be read is ignored, as section 2 asks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wait(Option<u32>);

impl Wait {
    /// The time to wait, up to a limit.
    pub fn at_most(self, limit: Duration) -> Option<Duration> {
        self.0.map(|seconds| Duration::from_secs(u64::from(seconds)).min(limit))
    }

    /// The first `wait` of all `Prefer` headers counts (section 2).
    fn find(headers: &HeaderMap) -> Wait {
        let values = headers.get_all("prefer").iter().filter_map(|value| value.to_str().ok());
        let mut preferences = values.flat_map(|value| value.split(','));
        Wait(preferences.find_map(|preference| {
            let (name, value) = preference.split(';').next()?.split_once('=')?;
            let seconds = value.trim().trim_matches('"').parse().ok();
            seconds.filter(|_| name.trim().eq_ignore_ascii_case("wait"))
        }))
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Wait {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Self::Rejection> {
        Ok(Wait::find(&parts.headers))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_wait_counts_and_what_cannot_be_read_does_not() {
        for (values, seconds) in [
            (&["wait=30"] as &[_], Some(30)),
            (&["respond-async, WAIT=10; a=b"], Some(10)),
            (&["return=minimal", "wait=\"5\", wait=7"], Some(5)),
            (&["wait", "wait=soon", "wait=-1", "await=3"], None),
            (&[], None),
        ] {
            let mut headers = HeaderMap::new();
            for value in values {
                headers.append("prefer", value.parse().expect("a header"));
            }
            assert_eq!(Wait::find(&headers), Wait(seconds), "{values:?}");
        }
    }
}
