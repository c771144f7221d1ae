//! Samples for the rehearsal of an import.

use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::IntoParams;

use super::App;
use super::formats::{Format, media};
use super::layouts::{chosen, file};
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::posting::SampleBatches;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct SampleQuery {
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<Format>,
    /// The name of a stored layout, with `format=csv`.
    layout: Option<String>,
}

/// A sample batch of every kind of entry, in the entity's own accounts
///
/// For the rehearsal of an import. Two invented issues live through what there is, by the rules of the entity's framework and in its functional
/// currency; accounts are those mapped today, null where a role has none. Nothing of it is recorded or released, and the same mapping gives the
/// same answer.
#[utoipa::path(get, operation_id = "list_sample_batches", path = "/v1/entities/{entity}/sample-batches", tag = "journal", params(EntityPath, SampleQuery),
    responses((status = 200, description = "The samples", content((SampleBatches = "application/json"), (String = "text/csv")))))]
pub async fn list(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<SampleQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let media = media(query.format, &accept)?;
    let layout = chosen(&app, entity.as_str(), query.layout.as_deref(), media).await?;
    let today = jiff::tz::Offset::UTC.to_datetime(jiff::Timestamp::now()).date();
    let samples = app.recorder.sample_batches(entity.as_str(), today).await?;
    if media != Media::Csv {
        return Ok(by_accept(Answer::ok(samples).into_response()));
    }
    file(layout.as_ref(), &samples.items)
}
