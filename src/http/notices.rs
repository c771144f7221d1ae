//! The body of conversion notices: a list of rows, each as strict as a body of its own. Every row that is wrong is pointed to, and not the
//! first alone.

use axum::extract::{FromRequest, Request};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use super::body::{Fingerprint, collect, parse, require_json};
use super::problem::{FieldError, Problem};
use crate::document::ConversionRequest;

/// The most notices of one request.
pub const MOST: usize = 1_000;

/// 1 to [`MOST`] conversions, in the order in which they are recorded.
#[derive(Clone, Debug)]
pub struct Notices {
    pub conversions: Vec<ConversionRequest>,
    /// Method, path and body as one hash, for an idempotency key.
    pub fingerprint: Fingerprint,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent {
    conversions: Vec<Box<RawValue>>,
}

impl<S: Send + Sync> FromRequest<S> for Notices {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        require_json(request.headers())?;
        let (raw, fingerprint) = collect(request).await?;
        let Sent { conversions } = parse(&raw)?;
        Ok(Self { conversions: rows(&conversions)?, fingerprint })
    }
}

fn rows(sent: &[Box<RawValue>]) -> Result<Vec<ConversionRequest>, Problem> {
    if sent.is_empty() || sent.len() > MOST {
        let detail =
            format!("expected 1 to {MOST} conversions, found {}; send more of them in several requests", sent.len());
        return Err(Problem::invalid_field("/conversions", detail));
    }
    let (mut rows, mut errors) = (Vec::with_capacity(sent.len()), Vec::new());
    for (at, row) in sent.iter().enumerate() {
        match parse::<ConversionRequest>(row.get().as_bytes()) {
            Ok(row) => rows.push(row),
            Err(problem) => {
                let pointed = |error: &FieldError| error.within(&format!("/conversions/{at}"), problem.code());
                errors.extend(problem.errors().iter().map(pointed));
            }
        }
    }
    if errors.is_empty() { Ok(rows) } else { Err(Problem::invalid_fields(errors)) }
}
