//! Series: what holders do with bonds of all issues under one indenture.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;

use super::App;
use crate::document::{ConversionRequest, CouponPaymentRequest, SeriesAnswer};
use crate::http::extract::{Body, Path, Recording};
use crate::http::ids::SeriesName;
use crate::http::openapi::SeriesPath;
use crate::http::problem::Problem;
use crate::posting::{Command, SeriesCommand};

fn on_series(SeriesName { entity, series }: SeriesName, command: SeriesCommand) -> Command {
    Command::OnSeries { entity: entity.as_str().to_owned(), series, command }
}

/// Convert bonds of a series
///
/// The principal is split over the issues of the series by what each has outstanding, in whole bonds; a fraction of a share is of all of
/// them together. Each issue has an event and batches of its own, in one commit.
#[utoipa::path(post, operation_id = "convert_series", path = "/v1/entities/{entity}/series/{series}/conversions", tag = "transactions", params(SeriesPath, Recording),
    request_body = ConversionRequest, responses((status = 201, description = "What was posted", body = SeriesAnswer)))]
pub async fn convert(
    State(app): State<Arc<App>>,
    Path(name): Path<SeriesName>,
    recording: Recording,
    body: Body<ConversionRequest>,
) -> Result<Response, Problem> {
    app.record(on_series(name, SeriesCommand::Convert(body.value)), recording, body.fingerprint).await
}

/// Pay a coupon of a series
///
/// On every issue of the series of which something is due.
#[utoipa::path(post, operation_id = "pay_series_coupon", path = "/v1/entities/{entity}/series/{series}/coupon-payments", tag = "transactions", params(SeriesPath, Recording),
    request_body = CouponPaymentRequest, responses((status = 201, description = "What was posted", body = SeriesAnswer)))]
pub async fn pay_coupon(
    State(app): State<Arc<App>>,
    Path(name): Path<SeriesName>,
    recording: Recording,
    body: Body<CouponPaymentRequest>,
) -> Result<Response, Problem> {
    app.record(on_series(name, SeriesCommand::PayCoupon(body.value)), recording, body.fingerprint).await
}
