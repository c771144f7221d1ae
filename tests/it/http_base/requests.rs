//! How requests are read and refused.

use super::*;

#[tokio::test]
async fn a_recording_request_reaches_its_handler_with_all_that_surrounds_it() {
    let answered = convert(r#"{"principal":"1000.00"}"#).await;
    assert_eq!(answered.status, StatusCode::CREATED);
    assert_eq!(answered.header("location"), format!("/v1/events/{ID}"));
    assert_eq!((answered.header("etag"), answered.header("cache-control")), ("", "no-store"));
    assert_eq!(answered.json()["principal"], json!("1000.00"));
    assert_eq!((answered.json()["id"].as_str(), answered.json()["key"].as_str()), (Some(ID), Some("k-1")));
    assert_eq!(answered.json()["fingerprint"].as_str().map(str::len), Some(64));
}

#[tokio::test]
async fn a_key_is_needed_unless_nothing_is_recorded() {
    let bare = |query: &str| {
        let uri = format!("/v1/bond-issues/{ID}/conversions{query}");
        let request = request(Method::POST, &uri).header(header::CONTENT_TYPE, "application/json");
        request.body(Body::from(r#"{"principal":"1"}"#)).expect("a request")
    };
    send(bare("")).await.problem(400, "missing_idempotency_key");
    assert_eq!(send(bare("?validate_only=true")).await.status, StatusCode::OK);
    let detail = send(bare("?validate_only=yes")).await.problem(400, "malformed_query");
    assert_eq!(detail, r#"the query parameter "validate_only": expected true or false, found "yes""#);
}

#[tokio::test]
async fn a_bad_body_is_told_apart() {
    convert("{").await.problem(400, "malformed_json");
    convert("").await.problem(400, "malformed_json");
    convert(&b"{\"principal\":\"\xff\"}"[..]).await.problem(400, "not_utf8");
    let answered = convert(r#"{"principal":1000}"#).await;
    answered.problem(422, "invalid_field");
    assert_eq!(answered.json()["errors"][0]["pointer"], json!("/principal"));
    let answered = convert(r#"{"principal":"1","sharePrice":"2"}"#).await;
    answered.problem(422, "invalid_field");
    assert_eq!(answered.json()["errors"][0]["pointer"], json!("/sharePrice"));
}

#[tokio::test]
async fn a_body_that_is_not_declared_as_plain_json_is_refused() {
    let with = |name: &'static str, value: &'static str| {
        let mut request = conversion(&format!("/v1/bond-issues/{ID}/conversions"), r#"{"principal":"1"}"#);
        request.headers_mut().insert(name, axum::http::HeaderValue::from_static(value));
        request
    };
    let answered = send(with("content-type", "application/x-www-form-urlencoded")).await;
    answered.problem(415, "unsupported_media_type");
    assert_eq!(answered.header("accept"), "application/json");
    send(with("content-encoding", "gzip")).await.problem(415, "unsupported_media_type");
    assert_eq!(send(with("content-type", "application/json; charset=utf-8")).await.status, StatusCode::CREATED);
}

#[tokio::test]
async fn a_body_is_limited_by_its_declared_and_by_its_real_length() {
    let mut declared = conversion(&format!("/v1/bond-issues/{ID}/conversions"), "{}");
    declared.headers_mut().insert(header::CONTENT_LENGTH, (50 << 20).into());
    send(declared).await.problem(413, "body_too_large");
    let real = vec![b' '; (1 << 20) + 1];
    convert(real.clone()).await.problem(413, "body_too_large");
    // A route may take more.
    let answered = send(conversion("/v1/bulk", [b"1".to_vec(), real].concat())).await;
    assert_eq!((answered.status, answered.bytes), (StatusCode::OK, ((1 << 20) + 2).to_string().into_bytes()));
}

#[tokio::test]
async fn a_token_is_asked_for_and_checked() {
    let with = |value: Option<&str>| {
        let builder = Request::builder().uri("/v1/numbers");
        let builder = match value {
            Some(value) => builder.header(header::AUTHORIZATION, value),
            None => builder,
        };
        builder.body(Body::empty()).expect("a request")
    };
    for none in [None, Some("Basic cHc6cHc="), Some("Bearer "), Some("pw_test")] {
        let answered = send(with(none)).await;
        answered.problem(401, "unauthorized");
        assert_eq!(answered.header("www-authenticate"), r#"Bearer realm="parwright""#, "{none:?}");
    }
    let answered = send(with(Some("Bearer pw_unknown"))).await;
    answered.problem(401, "unauthorized");
    assert_eq!(answered.header("www-authenticate"), r#"Bearer realm="parwright", error="invalid_token""#);
    assert!(!String::from_utf8_lossy(&answered.bytes).contains("pw_unknown"));
    assert_eq!(send(with(Some("bearer pw_test"))).await.status, StatusCode::OK);
    send(with(Some("Bearer pw_fault"))).await.problem(503, "unavailable");
}

#[tokio::test]
async fn ids_of_others_and_malformed_ids_are_not_there() {
    let uri = format!("/v1/bond-issues/{ID}/conversions");
    let mut foreign = conversion(&uri, r#"{"principal":"1"}"#);
    foreign.headers_mut().insert(header::AUTHORIZATION, axum::http::HeaderValue::from_static("Bearer pw_other"));
    send(foreign).await.problem(404, "not_found");
    let mut foreign = conversion("/v1/numbers?entity=ACME", "");
    *foreign.method_mut() = Method::GET;
    foreign.headers_mut().insert(header::AUTHORIZATION, axum::http::HeaderValue::from_static("Bearer pw_other"));
    send(foreign).await.problem(404, "not_found");
    for id in ["1", "acme.x", "%FF", "ACME.0199a3f2-7c00-4000-8000-000000000001"] {
        let uri = format!("/v1/bond-issues/{id}/conversions");
        send(conversion(&uri, r#"{"principal":"1"}"#)).await.problem(404, "not_found");
    }
}

#[tokio::test]
async fn the_request_id_is_echoed_or_made() {
    let with = |id: &'static str| request(Method::GET, "/v1/numbers").header("x-request-id", id).body(Body::empty());
    assert_eq!(send(with("close-06").expect("a request")).await.header("x-request-id"), "close-06");
    assert_eq!(send(with("no good").expect("a request")).await.header("x-request-id").len(), 36);
    assert_eq!(get("/livez").await.header("x-request-id").len(), 36);
}

#[tokio::test]
async fn an_unknown_or_repeated_query_parameter_is_named() {
    assert!(get("/v1/numbers?limits=5").await.problem(400, "unknown_query_parameter").contains("\"limits\""));
    assert!(get("/v1/numbers?limit=5&limit=6").await.problem(400, "malformed_query").contains("given twice"));
    for limit in ["0", "501", "-1", "x", ""] {
        let detail = get(&format!("/v1/numbers?limit={limit}")).await.problem(400, "malformed_query");
        assert!(detail.contains("a whole number from 1 to 500"), "{detail}");
    }
}

#[tokio::test]
async fn a_local_operator_passes_an_open_guard() {
    let open = router(api(), App, Edge { guard: Guard::Open, ..edge(true) });
    let request = Request::builder().uri("/v1/numbers").body(Body::empty()).expect("a request");
    assert_eq!(open.oneshot(request).await.expect("infallible").status(), StatusCode::OK);
    assert!(Principal::local().sees("ANY"));
}
