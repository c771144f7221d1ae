//! Current or non-current.

use std::sync::Arc;

use axum::extract::State;
use serde::Deserialize;
use utoipa::IntoParams;

use super::{App, not_future};
use crate::document::ClassificationDocument;
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::{RecordId, Scoped};
use crate::http::openapi::IdPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, Timestamp};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ClassificationQuery {
    /// At close of business on this date; it may lie in the future.
    as_of: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
}

/// What of an issue is a current liability at a date, by its terms, and why
///
/// Where a conversion pays the principal in cash, it depends on whether holders may convert, which the terms alone do not tell: then it is
/// `not_determined`. A reclassification states what else is known.
#[utoipa::path(get, operation_id = "get_classification", path = "/v1/bond-issues/{id}/classification", tag = "carrying values", params(IdPath, ClassificationQuery),
    responses((status = 200, description = "Current and non-current, with reasons", body = ClassificationDocument)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<ClassificationQuery>,
) -> Result<Answer<ClassificationDocument>, Problem> {
    let at = not_future(query.known_at)?;
    let found = app.library.classification(id.entity(), &id.to_string(), query.as_of.0, at).await?;
    Ok(Answer::ok(found))
}
