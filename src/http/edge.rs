//! The whole edge put together: routes, fallbacks and layers, in their order.

use std::time::Duration;

use axum::extract::{MatchedPath, Request, State};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Router};
use tower_http::catch_panic::CatchPanicLayer;
use utoipa::openapi::OpenApi;
use utoipa_axum::router::OpenApiRouter;

use super::body::BodyLimit;
use super::guard::{Guard, guard};
use super::linger::linger;
use super::observe::observe;
use super::problem::{self, Kind, Problem};
use super::signing_keys;
use super::system::{self, Readiness};
use super::{docs, openapi};
use crate::delivery::KeySet;

/// What the edge needs beside the routes of the resources.
#[derive(Clone)]
pub struct Edge {
    pub guard: Guard,
    pub readiness: Readiness,
    /// The public keys of deliveries.
    pub keys: KeySet,
    /// The longest body of a route that says nothing else.
    pub body_limit: BodyLimit,
    /// The longest a request may take.
    pub time_limit: Duration,
    /// The kinds of problem that the rules of the core bring, for the documentation.
    pub refusals: &'static [Kind],
}

impl Edge {
    /// With a body of at most one MiB, thirty seconds for a request, and no keys.
    pub fn new(guard: Guard, readiness: Readiness, refusals: &'static [Kind]) -> Self {
        let keys = KeySet::default();
        Self { guard, readiness, keys, body_limit: BodyLimit::default(), time_limit: Duration::from_secs(30), refusals }
    }
}

/// The document of these routes together with those of the edge, as it is served and printed.
pub fn document<S: Clone + Send + Sync + 'static>(api: &OpenApiRouter<S>, refusals: &[Kind]) -> OpenApi {
    let nobody_asks: Readiness = std::sync::Arc::new(|| Box::pin(async { Ok(()) }));
    let mut document = api.get_openapi().clone();
    document.merge(system::router(nobody_asks).into_openapi());
    document.merge(signing_keys::router(KeySet::default()).into_openapi());
    openapi::complete(document, refusals)
}

/// The service: `api` behind the guard, the system's addresses and the documentation before it.
///
/// Guarantees: every answer carries `X-Request-Id`; every 4xx and 5xx is a problem document, whatever made it, a panic
/// included; a request ends within the time limit.
pub fn router<S: Clone + Send + Sync + 'static>(api: OpenApiRouter<S>, state: S, edge: Edge) -> Router {
    let document = document(&api, edge.refusals);
    let (mut api, _) = api.split_for_parts();
    if api.has_routes() {
        api = api.route_layer(from_fn_with_state(edge.guard, guard));
    }
    let (system, _) = system::router(edge.readiness).merge(signing_keys::router(edge.keys)).split_for_parts();
    Router::new()
        .merge(api.with_state(state))
        .merge(system)
        .merge(docs::router(&document, edge.refusals))
        .fallback(no_such_path)
        .method_not_allowed_fallback(method_not_allowed)
        // From here on the last is the outermost.
        .layer(Extension(edge.body_limit))
        .layer(from_fn(detached))
        .layer(from_fn_with_state(edge.time_limit, within_time))
        .layer(CatchPanicLayer::custom(panicked))
        .layer(from_fn(linger))
        .layer(from_fn(observe))
}

async fn no_such_path(request: Request) -> Problem {
    let detail = format!("there is nothing at {}; /docs/ lists what there is", request.uri().path());
    Problem::new(problem::NOT_FOUND, detail)
}

async fn method_not_allowed(request: Request) -> Problem {
    let detail = format!("{} is not possible at {}; see Allow", request.method(), request.uri().path());
    Problem::new(problem::METHOD_NOT_ALLOWED, detail)
}

/// Runs what changes something in a task of its own: a client that goes away, or a wait that is cut short, drops the wait and not
/// the work.
async fn detached(request: Request, next: Next) -> Response {
    if request.method().is_safe() {
        return next.run(request).await;
    }
    match tokio::spawn(next.run(request)).await {
        Ok(response) => response,
        Err(error) => match error.try_into_panic() {
            // The layer outside turns it into an answer.
            Ok(panic) => std::panic::resume_unwind(panic),
            Err(_) => Problem::unavailable("the service is stopping").into_response(),
        },
    }
}

/// Addresses whose requests carry files, or are answered with them, and take as long as these need.
const OF_FILES: [&str; 2] = ["/v1/entities/{entity}/bond-issue-imports", "/v1/entities/{entity}/rollforward"];
/// How long such a request may take.
const FILE_LIMIT: Duration = Duration::from_secs(3_600);

async fn within_time(State(limit): State<Duration>, request: Request, next: Next) -> Response {
    let carries_file =
        request.extensions().get::<MatchedPath>().is_some_and(|route| OF_FILES.contains(&route.as_str()));
    let limit = if carries_file { limit.max(FILE_LIMIT) } else { limit };
    match tokio::time::timeout(limit, next.run(request)).await {
        Ok(response) => response,
        Err(_) => {
            let detail =
                format!("there was no answer within {} seconds; what was asked may still be recorded", limit.as_secs());
            Problem::new(problem::TIMEOUT, detail).retry_after(1).into_response()
        }
    }
}

fn panicked(payload: Box<dyn std::any::Any + Send>) -> Response {
    let message = payload.downcast_ref::<String>().map(String::as_str);
    let message = message.or_else(|| payload.downcast_ref::<&str>().copied()).unwrap_or("no message");
    Problem::internal(format!("panic: {message}")).into_response()
}
