//! Who gets a page: by `Accept` or `format`, and behind tokens by what a browser can send.

use axum::body::Body;
use axum::http::Method;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use super::document::Page;
use crate::api::auth::token;
use crate::renderings::books::address;
use crate::support::client::{Answer, ENTITIES, Service, items, on, on_both_engines, text};

on_both_engines! {
    a_browser_gets_pages_and_everybody_else_what_they_got_before
    a_browser_is_asked_for_a_token_and_looks_with_it_alone
    a_token_bound_to_an_entity_shows_that_one
}

const BROWSER: &str = "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,*/*;q=0.8";

async fn asked(service: &Service, path: &str, accept: &str) -> Answer {
    service.send(Method::GET, path, &[("accept", accept)], Body::empty()).await
}

async fn a_browser_gets_pages_and_everybody_else_what_they_got_before(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let batch = address(&service.batches().await.remove(0));
    let rollforward = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31".to_owned();
    for path in [rollforward, format!("{batch}?"), format!("{}?", on(&issue, "schedule"))] {
        for accept in ["*/*", "application/json", "application/json, text/html;q=0.9", "application/*"] {
            let answer = asked(&service, &path, accept).await;
            assert_eq!((answer.status, answer.header("content-type")), (200, "application/json"), "{path} {accept}");
            assert_eq!((answer.header("vary"), answer.header("content-security-policy")), ("accept", ""));
        }
        for (path, accept) in [
            (path.clone(), BROWSER),
            (path.clone(), "text/html"),
            (format!("{path}&format=html"), "application/json"),
            (format!("{path}&format=html"), "image/png"),
        ] {
            let answer = asked(&service, &path, accept).await;
            Page::of(&answer);
            let headers = ["x-content-type-options", "referrer-policy"].map(|name| answer.header(name));
            assert_eq!(headers, ["nosniff", "no-referrer"]);
            let known = [("accept", accept), ("if-none-match", answer.header("etag"))];
            let again = service.send(Method::GET, &path, &known, Body::empty()).await;
            assert_eq!((again.status, again.bytes.len(), again.header("vary")), (304, 0, "accept"));
        }
        assert_eq!(
            asked(&service, &format!("{path}&format=json"), BROWSER).await.header("content-type"),
            "application/json"
        );
        asked(&service, &path, "image/png").await.problem(406, "not_acceptable");
    }
    for accept in [BROWSER, "*/*"] {
        Page::of(&asked(&service, "/", accept).await);
    }
    asked(&service, "/", "application/json").await.problem(406, "not_acceptable");
}

fn challenges(answer: &Answer) -> Vec<&str> {
    answer.headers.get_all("www-authenticate").iter().map(|value| value.to_str().expect("ASCII")).collect()
}

const BEARER: &str = r#"Bearer realm="parwright""#;
const BASIC: &str = r#"Basic realm="parwright", charset="UTF-8""#;

fn basic(pair: &str) -> String {
    format!("Basic {}", STANDARD.encode(pair))
}

async fn a_browser_is_asked_for_a_token_and_looks_with_it_alone(service: Service) {
    service.mapped_entity("ACME").await;
    token(&service, "pw_all", None).await;
    let service = service.guarded();
    let report = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";
    for path in ["/", report] {
        let refused = asked(&service, path, BROWSER).await;
        refused.problem(401, "unauthorized");
        assert_eq!(challenges(&refused), [BEARER, BASIC], "{path}");
        for accept in ["*/*", "application/json"] {
            let refused = asked(&service, path, accept).await;
            refused.problem(401, "unauthorized");
            assert_eq!(challenges(&refused), [BEARER], "{path} {accept}");
        }
    }
    let send = async |method: Method, path: &str, authorization: &str| {
        let headers = [
            ("accept", BROWSER),
            ("authorization", authorization),
            ("content-type", "application/json"),
            ("idempotency-key", "k"),
        ];
        service.send(method, path, &headers, Body::from("{}")).await
    };
    for authorization in [
        basic(":pw_all"),
        basic("anybody:pw_all"),
        basic("a:pw_all").replace("Basic", "basic"),
        "Bearer pw_all".to_owned(),
    ] {
        Page::of(&send(Method::GET, "/", &authorization).await);
        Page::of(&send(Method::GET, report, &authorization).await);
        assert_eq!(send(Method::HEAD, "/", &authorization).await.status, 200);
    }
    for authorization in [
        basic("pw_all:"),
        basic("pw_all"),
        basic("a:b:pw_all"),
        basic("a:pw_wrong"),
        "Basic ???".to_owned(),
        "Basic".to_owned(),
    ] {
        let refused = send(Method::GET, "/", &authorization).await;
        refused.problem(401, "unauthorized");
        assert_eq!(challenges(&refused), [BEARER, BASIC], "{authorization}");
    }
    // What a browser sends along by itself, at the wish of any site, records nothing.
    let accruals = "/v1/entities/ACME/periods/2025-01/close";
    for (method, path) in
        [(Method::POST, accruals), (Method::PUT, "/v1/entities/ACME/layouts/x"), (Method::POST, ENTITIES)]
    {
        let refused = send(method, path, &basic("a:pw_all")).await;
        refused.problem(401, "unauthorized");
        assert_eq!(challenges(&refused), [BEARER], "{path}");
    }
    assert_eq!(send(Method::POST, accruals, "Bearer pw_all").await.status, 200);
}

async fn a_token_bound_to_an_entity_shows_that_one(service: Service) {
    service.mapped_entity("ACME").await;
    service.mapped_entity("OTHER").await;
    let issue = service.issue(json!({})).await;
    let batch = address(&service.batches().await.remove(0));
    service.issue(json!({"entity": "OTHER", "reference": "CB-9"})).await;
    token(&service, "pw_other", Some("OTHER")).await;
    let mut service = service.guarded();
    service.with_token(Some("pw_other"));
    let start = Page::of(&service.get("/").await);
    assert!(start.text().contains("Bond issues of OTHER Ferries, Inc.") && start.text().contains("CB-9"));
    assert!(!start.source.contains("ACME"), "{}", start.text());
    assert_eq!(Page::of(&service.get("/?entity=OTHER").await).source, start.source);
    for path in [
        "/?entity=ACME".to_owned(),
        "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31&format=html".to_owned(),
        format!("{batch}?format=html"),
        format!("{}?format=html", on(&issue, "schedule")),
    ] {
        service.get(&path).await.problem(404, "not_found");
    }
    let seen: Vec<Value> = items(&service.read(ENTITIES).await);
    assert_eq!(seen.iter().map(|entity| text(&entity["code"])).collect::<Vec<_>>(), ["OTHER"]);
}
