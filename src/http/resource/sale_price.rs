//! The sale-price condition.

use std::sync::Arc;

use axum::extract::State;
use serde::Deserialize;
use utoipa::IntoParams;

use super::{App, not_future};
use crate::document::{SalePriceAnswer, SalePriceRequest};
use crate::http::etag::Answer;
use crate::http::extract::{Body, Path};
use crate::http::ids::{RecordId, Scoped};
use crate::http::openapi::IdPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::Timestamp;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct SalePriceQuery {
    /// With the conversion rates recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
}

/// Whether share prices let holders convert during the next calendar quarter
///
/// Each of the last trading days of the quarter is compared with the conversion price in force on it, so that a split or another adjustment
/// counts from its date on. Nothing is recorded, and no key is needed. The same prices may be given to a reclassification.
#[utoipa::path(post, operation_id = "test_sale_price_condition", path = "/v1/bond-issues/{id}/sale-price-condition", tag = "carrying values", params(IdPath, SalePriceQuery),
    request_body = SalePriceRequest, responses((status = 200, description = "Day by day, and whether the issue is convertible", body = SalePriceAnswer)))]
pub async fn test(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Query(query): Query<SalePriceQuery>,
    body: Body<SalePriceRequest>,
) -> Result<Answer<SalePriceAnswer>, Problem> {
    let at = not_future(query.known_at)?;
    Ok(Answer::ok(app.library.sale_price(id.entity(), &id.to_string(), &body.value, at).await?))
}
