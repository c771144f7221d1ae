//! What runs the service asks it: is it alive, is it ready, how does it do. None of these needs a token or tells anything
//! about the books.

use std::pin::Pin;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use axum::extract::State;
use axum::http::{Method, header};
use axum::response::{IntoResponse, Response};
use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusHandle};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::etag::Answer;
use super::problem::Problem;

const REQUESTS: &str = "http_requests_total";
const DURATION: &str = "http_request_duration_seconds";
/// From a flat read to a report over all books, in seconds.
const BUCKETS: &[f64] = &[0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0];

/// Why the service cannot answer now.
pub type NotReady = Box<dyn std::error::Error + Send + Sync>;

/// Asks whether what the service needs is there: its database answers and has the schema of this version.
pub type Readiness = Arc<dyn Fn() -> Pin<Box<dyn Future<Output = Result<(), NotReady>> + Send>> + Send + Sync>;

/// How the service is.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Health {
    #[schema(value_type = String, example = "ready")]
    status: &'static str,
}

/// The three addresses.
pub fn router(readiness: Readiness) -> OpenApiRouter {
    OpenApiRouter::new().routes(routes!(livez)).routes(routes!(readyz)).routes(routes!(metrics)).with_state(readiness)
}

/// Whether the process runs
///
/// Says nothing about its database: restart the process when this does not answer.
#[utoipa::path(get, path = "/livez", tag = "system", security(()), responses((status = 200, description = "It is", body = Health)))]
async fn livez() -> Answer<Health> {
    Answer::ok(Health { status: "live" })
}

/// Whether the service can answer requests
///
/// 503 while its database does not answer: send it no requests, and leave it running.
#[utoipa::path(get, path = "/readyz", tag = "system", security(()), responses((status = 200, description = "It is", body = Health)))]
async fn readyz(State(readiness): State<Readiness>) -> Result<Answer<Health>, Problem> {
    match tokio::time::timeout(Duration::from_secs(5), readiness()).await {
        Ok(Ok(())) => Ok(Answer::ok(Health { status: "ready" })),
        Ok(Err(error)) => Err(Problem::unavailable(error)),
        Err(elapsed) => Err(Problem::unavailable(elapsed)),
    }
}

/// Counters and latencies
///
/// Requests by method, path and status, in the text format of Prometheus.
#[utoipa::path(get, path = "/metrics", tag = "system", security(()),
    responses((status = 200, description = "The metrics", body = String, content_type = "text/plain")))]
async fn metrics() -> Response {
    let text = recorder().map(PrometheusHandle::render).unwrap_or_default();
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response()
}

/// Counts one answer. Addresses that do not exist share one label, so that callers cannot make labels.
pub(super) fn count(method: &Method, route: Option<&str>, status: u16, elapsed: Duration) {
    if recorder().is_none() {
        return;
    }
    let method = match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PUT => "PUT",
        _ => "other",
    };
    let labels =
        [("method", method.to_owned()), ("path", route.unwrap_or("none").to_owned()), ("status", status.to_string())];
    metrics::counter!(REQUESTS, &labels).increment(1);
    metrics::histogram!(DURATION, &labels).record(elapsed.as_secs_f64());
}

/// The recorder of this process, installed when it is first asked for; none if another was installed before.
pub fn recorder() -> Option<&'static PrometheusHandle> {
    static HANDLE: OnceLock<Option<PrometheusHandle>> = OnceLock::new();
    HANDLE.get_or_init(install).as_ref()
}

fn install() -> Option<PrometheusHandle> {
    let builder = PrometheusBuilder::new().set_buckets_for_metric(Matcher::Full(DURATION.to_owned()), BUCKETS).ok()?;
    let recorder = builder.build_recorder();
    let handle = recorder.handle();
    metrics::set_global_recorder(recorder).ok()?;
    metrics::describe_counter!(REQUESTS, "Answers by method, path and status.");
    metrics::describe_histogram!(DURATION, metrics::Unit::Seconds, "Time from request to answer.");
    Some(handle)
}

/// Moves measurements into their buckets now and then, so that they fill no memory while nobody asks for them. Runs until
/// it is dropped.
pub async fn upkeep() {
    let mut ticks = tokio::time::interval(Duration::from_secs(5));
    loop {
        ticks.tick().await;
        if let Some(handle) = recorder() {
            handle.run_upkeep();
        }
    }
}
