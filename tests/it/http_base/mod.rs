//! What holds for every address of the edge, tried on a small router made of its pieces.

mod answers;
mod over_a_socket;
mod requests;

use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::extract::State;
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use axum::{Extension, Router};
use parwright::auth::{Authenticator, Principal, Role, TokenHash, TokenRecord, TokenStore, TokenStoreFuture};
use parwright::http::accept::{Accept, Media};
use parwright::http::body::BodyLimit;
use parwright::http::edge::{Edge, router};
use parwright::http::etag::Answer;
use parwright::http::extract::{self, Path, Recording};
use parwright::http::guard::Guard;
use parwright::http::ids::{EntityCode, RecordId};
use parwright::http::openapi::IdPath;
use parwright::http::page::{Cursor, Limit, Page};
use parwright::http::problem::Problem;
use parwright::http::query::Query;
use parwright::http::wire::{DecimalString, Timestamp};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use tower::ServiceExt;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::{OpenApiRouter, UtoipaMethodRouterExt};
use utoipa_axum::routes;

const ID: &str = "ACME.0199a3f2-7c00-7000-8000-000000000001";
const TOKEN: &str = "pw_test";

#[derive(Clone)]
struct App;

#[derive(Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Conversion {
    principal: DecimalString,
    #[serde(default)]
    reference: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct Recorded {
    id: String,
    principal: DecimalString,
    key: Option<String>,
    fingerprint: String,
}

/// Convert
#[utoipa::path(post, path = "/v1/bond-issues/{id}/conversions", tag = "bond issues", params(IdPath, Recording),
    request_body = Conversion, responses((status = 201, body = Recorded)))]
async fn post_conversion(
    State(App): State<App>,
    Path(id): Path<RecordId>,
    ctx: Recording,
    body: extract::Body<Conversion>,
) -> Result<Answer<Recorded>, Problem> {
    let (key, fingerprint) = (ctx.idempotency_key.map(|key| key.as_str().to_owned()), body.fingerprint.to_string());
    if body.value.reference.as_deref() == Some("panic") {
        panic!("a secret of the inside");
    }
    let recorded = Recorded { id: id.to_string(), principal: body.value.principal, key, fingerprint };
    Ok(if ctx.validate_only {
        Answer::done(recorded)
    } else {
        let path = format!("/v1/events/{}", recorded.id);
        Answer::created(recorded).located_at(path)
    })
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Only of this entity.
    #[param(value_type = Option<String>)]
    entity: Option<EntityCode>,
    #[param(value_type = Option<u16>, minimum = 1, maximum = 500)]
    limit: Option<Limit>,
    cursor: Option<String>,
}

#[utoipa::path(get, path = "/v1/numbers", tag = "numbers", params(ListQuery), responses((status = 200, body = Page<u64>)))]
async fn list_numbers(principal: Principal, Query(query): Query<ListQuery>) -> Result<Page<u64>, Problem> {
    if let Some(entity) = &query.entity {
        extract::require_visible(&principal, entity.as_str())?;
    }
    let filters = query.entity.as_ref().map(EntityCode::as_str);
    let now: Timestamp = "2026-06-30T17:00:00Z".parse().expect("a timestamp");
    let start = match &query.cursor {
        Some(text) => Cursor::<u64>::read(text, "/v1/numbers", &filters, None)?.position + 1,
        None => 0,
    };
    let limit = query.limit.unwrap_or_default();
    let rows = (start..10).take(limit.get() + 1).collect();
    Page::cut(rows, limit, |last| Cursor { position: *last, known_at: now }.write("/v1/numbers", &filters))
}

#[utoipa::path(get, path = "/v1/table", tag = "numbers",
    responses((status = 200, content((u64 = "application/json"), (String = "text/csv")))))]
async fn get_table(accept: Accept) -> Result<axum::response::Response, Problem> {
    let media = accept.choose(&[Media::Json, Media::Csv])?;
    Ok(media.answer(if media == Media::Csv { "a\r\n1\r\n" } else { "1" }))
}

#[utoipa::path(get, path = "/v1/slow", tag = "numbers", responses((status = 200)))]
async fn slow() {
    tokio::time::sleep(Duration::from_secs(3600)).await;
}

#[utoipa::path(post, path = "/v1/bulk", tag = "numbers", request_body = Value, responses((status = 200)))]
async fn bulk(body: extract::Body<Value>) -> String {
    body.raw.len().to_string()
}

#[utoipa::path(get, path = "/v1/broken", tag = "numbers", responses((status = 200)))]
async fn broken() -> Result<(), Problem> {
    Err(Problem::internal(std::io::Error::other("no such table: secret")))
}

struct Tokens;

impl TokenStore for Tokens {
    fn find(&self, hash: TokenHash) -> TokenStoreFuture<'_, Option<TokenRecord>> {
        let record = |entity| TokenRecord { name: "test".into(), role: Role::Operator, entity };
        Box::pin(async move {
            Ok(match hash {
                hash if hash == TokenHash::of(TOKEN) => Some(record(None)),
                hash if hash == TokenHash::of("pw_other") => Some(record(Some("OTHER".to_owned()))),
                hash if hash == TokenHash::of("pw_fault") => {
                    return Err("the database is away".into());
                }
                _ => None,
            })
        })
    }

    fn insert<'a>(&'a self, _: TokenHash, _: &'a TokenRecord) -> TokenStoreFuture<'a, ()> {
        Box::pin(async { Ok(()) })
    }
}

fn api() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(post_conversion))
        .routes(routes!(list_numbers))
        .routes(routes!(get_table))
        .routes(routes!(slow))
        .routes(routes!(broken))
        .routes(routes!(bulk).layer(Extension(BodyLimit(4 << 20))))
}

fn edge(ready: bool) -> Edge {
    let guard = Guard::Tokens(Arc::new(Authenticator::new(Arc::new(Tokens))));
    let readiness = Arc::new(move || -> std::pin::Pin<Box<dyn Future<Output = _> + Send>> {
        Box::pin(async move { if ready { Ok(()) } else { Err("no database".into()) } })
    });
    Edge { time_limit: Duration::from_millis(300), ..Edge::new(guard, readiness, &[]) }
}

fn app() -> Router {
    router(api(), App, edge(true))
}

struct Answered {
    status: StatusCode,
    headers: HeaderMap,
    bytes: Vec<u8>,
}

impl Answered {
    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().expect("ASCII"))
    }

    #[track_caller]
    fn json(&self) -> Value {
        serde_json::from_slice(&self.bytes).unwrap_or_else(|_| panic!("{:?}", String::from_utf8_lossy(&self.bytes)))
    }

    /// Asserts that it is a problem of this status and code, and gives its detail.
    #[track_caller]
    fn problem(&self, status: u16, code: &str) -> String {
        let document = self.json();
        assert_eq!((self.status.as_u16(), document["code"].as_str()), (status, Some(code)), "{document}");
        assert_eq!(self.header("content-type"), "application/problem+json");
        assert_eq!(document["status"], json!(status));
        assert_eq!(document["type"], json!(format!("/docs/problems#{code}")));
        assert_eq!(document["instance"], json!(self.header("x-request-id")));
        document["detail"].as_str().unwrap_or_default().to_owned()
    }
}

fn request(method: Method, uri: &str) -> axum::http::request::Builder {
    Request::builder().method(method).uri(uri).header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
}

async fn send(request: Request<Body>) -> Answered {
    let response = app().oneshot(request).await.expect("infallible");
    let (parts, body) = response.into_parts();
    let bytes = to_bytes(body, usize::MAX).await.expect("a body").to_vec();
    Answered { status: parts.status, headers: parts.headers, bytes }
}

async fn get(uri: &str) -> Answered {
    send(request(Method::GET, uri).body(Body::empty()).expect("a request")).await
}

fn conversion(uri: &str, body: impl Into<Body>) -> Request<Body> {
    let request = request(Method::POST, uri).header(header::CONTENT_TYPE, "application/json");
    request.header("idempotency-key", "k-1").body(body.into()).expect("a request")
}

async fn convert(body: impl Into<Body>) -> Answered {
    send(conversion(&format!("/v1/bond-issues/{ID}/conversions"), body)).await
}
