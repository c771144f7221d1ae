//! How answers are written, and what the service says about itself.

use super::*;

#[tokio::test]
async fn an_unknown_path_is_a_problem_with_and_without_a_token() {
    assert!(get("/v1/nothing").await.problem(404, "not_found").contains("/v1/nothing"));
    let bare = Request::builder().uri("/nothing").body(Body::empty()).expect("a request");
    send(bare).await.problem(404, "not_found");
    get("/docs/nothing.js").await.problem(404, "not_found");
    get("/v1/numbers/").await.problem(404, "not_found");
}

#[tokio::test]
async fn a_wrong_method_is_answered_with_those_that_are_right() {
    let answered = send(request(Method::DELETE, "/v1/numbers").body(Body::empty()).expect("a request")).await;
    answered.problem(405, "method_not_allowed");
    assert_eq!(answered.header("allow"), "GET,HEAD");
    let answered = get(&format!("/v1/bond-issues/{ID}/conversions")).await;
    answered.problem(405, "method_not_allowed");
    assert_eq!(answered.header("allow"), "POST");
}

#[tokio::test]
async fn a_panic_and_a_fault_are_500_and_tell_nothing_of_the_inside() {
    for answered in [convert(r#"{"principal":"1","reference":"panic"}"#).await, get("/v1/broken").await] {
        answered.problem(500, "internal");
        assert!(!String::from_utf8_lossy(&answered.bytes).contains("secret"));
    }
}

#[tokio::test]
async fn a_slow_answer_is_cut_off() {
    let answered = get("/v1/slow").await;
    answered.problem(503, "timeout");
    assert_eq!(answered.header("retry-after"), "1");
}

#[tokio::test]
async fn a_list_is_walked_by_its_links() {
    let (mut uri, mut seen) = ("/v1/numbers?limit=4".to_owned(), Vec::new());
    loop {
        let answered = get(&uri).await;
        let page = answered.json();
        seen.extend(page["items"].as_array().expect("items").iter().filter_map(Value::as_u64));
        let Some(cursor) = page["next_cursor"].as_str() else {
            assert_eq!(answered.header("link"), "");
            break;
        };
        let link = answered.header("link");
        assert_eq!(link, format!("</v1/numbers?limit=4&cursor={cursor}>; rel=\"next\""));
        uri = link[1..].split('>').next().expect("an address").to_owned();
        get(&format!("{uri}&entity=ACME")).await.problem(400, "malformed_query");
    }
    assert_eq!(seen, (0..10).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_reader_who_has_the_answer_gets_304() {
    let first = get("/v1/numbers").await;
    let again = request(Method::GET, "/v1/numbers").header("if-none-match", first.header("etag"));
    let again = send(again.body(Body::empty()).expect("a request")).await;
    assert_eq!((again.status, again.bytes.len()), (StatusCode::NOT_MODIFIED, 0));
    assert_eq!(again.header("etag"), first.header("etag"));
}

#[tokio::test]
async fn the_accepted_representation_is_given() {
    let accepting = |media: &'static str| request(Method::GET, "/v1/table").header("accept", media).body(Body::empty());
    let answered = send(accepting("text/csv").expect("a request")).await;
    assert_eq!(
        (answered.header("content-type"), answered.header("vary")),
        ("text/csv; charset=utf-8; header=present", "accept")
    );
    send(accepting("image/png").expect("a request")).await.problem(406, "not_acceptable");
}

#[tokio::test]
async fn the_system_answers_without_a_token() {
    let bare = |uri: &str| Request::builder().uri(uri).body(Body::empty()).expect("a request");
    assert_eq!(send(bare("/livez")).await.json(), json!({"status": "live"}));
    assert_eq!(send(bare("/readyz")).await.json(), json!({"status": "ready"}));
    let away = router(api(), App, edge(false)).oneshot(bare("/readyz")).await.expect("infallible");
    assert_eq!(away.status(), StatusCode::SERVICE_UNAVAILABLE);
    let metrics = String::from_utf8(send(bare("/metrics")).await.bytes).expect("text");
    assert!(metrics.contains(r#"http_requests_total{method="GET",path="/readyz",status="200"}"#), "{metrics}");
    assert!(metrics.contains("http_request_duration_seconds_bucket{"), "{metrics}");
}

#[tokio::test]
async fn the_documentation_needs_no_token_and_no_network() {
    let bare = |uri: &str| Request::builder().uri(uri).body(Body::empty()).expect("a request");
    let document = send(bare("/openapi.json")).await;
    let conversions = &document.json()["paths"]["/v1/bond-issues/{id}/conversions"]["post"];
    let answers: Vec<_> = conversions["responses"].as_object().expect("answers").keys().cloned().collect();
    assert_eq!(answers, ["200", "201", "400", "401", "403", "404", "409", "412", "413", "415", "422", "500", "503"]);
    let parameters = conversions["parameters"].as_array().expect("parameters").iter();
    let names: Vec<_> = parameters.filter_map(|parameter| parameter["name"].as_str()).collect();
    assert_eq!(names, ["id", "Idempotency-Key", "If-Match", "If-Preview-Match", "validate_only"]);
    let decimal = &document.json()["components"]["schemas"]["DecimalString"];
    assert_eq!((decimal["type"].as_str(), decimal["pattern"].is_string()), (Some("string"), true));
    assert_eq!(document.json()["openapi"], json!("3.1.0"));
    assert_eq!(document.json()["components"]["securitySchemes"]["bearer"]["scheme"], json!("bearer"));
    let again = send(bare("/openapi.json")).await;
    assert_eq!(document.bytes, again.bytes);

    assert_eq!(send(bare("/docs")).await.header("location"), "/docs/");
    let page = String::from_utf8(send(bare("/docs/")).await.bytes).expect("text");
    assert!(!page.contains("://"), "{page}");
    for file in ["swagger-ui.css", "swagger-ui-bundle.js", "swagger-ui-standalone-preset.js", "swagger-initializer.js"]
    {
        assert_eq!(send(bare(&format!("/docs/{file}"))).await.status, StatusCode::OK, "{file}");
    }
    let start = String::from_utf8(send(bare("/docs/swagger-initializer.js")).await.bytes).expect("text");
    assert!(start.contains("\"/openapi.json\"") && start.contains("\"validatorUrl\": \"none\""), "{start}");
    let problems = String::from_utf8(send(bare("/docs/problems")).await.bytes).expect("text");
    assert!(problems.contains("id=\"preview_differs\""));
}

/// Where a reference leads to nothing, a generator of clients fails.
#[test]
fn every_reference_of_the_document_leads_somewhere() {
    fn references(value: &Value, found: &mut Vec<String>) {
        match value {
            Value::Object(fields) => {
                found.extend(fields.get("$ref").and_then(Value::as_str).map(str::to_owned));
                fields.values().for_each(|field| references(field, found));
            }
            Value::Array(items) => items.iter().for_each(|item| references(item, found)),
            _ => {}
        }
    }
    let document = parwright::http::edge::document(&api(), &[]);
    let text = parwright::http::openapi::render(&document).expect("a document");
    assert_eq!(text, parwright::http::openapi::render(&document).expect("a document"));
    let value: Value = serde_json::from_str(&text).expect("JSON");
    let mut found = Vec::new();
    references(&value, &mut found);
    assert!(!found.is_empty());
    for reference in found {
        assert!(value.pointer(&reference[1..]).is_some(), "{reference}");
    }
}
