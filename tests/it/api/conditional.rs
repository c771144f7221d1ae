//! Conditions on what was read before.

use serde_json::json;

use crate::support::client::{ISSUES, Service, on, on_both_engines};

on_both_engines! {
    a_post_is_recorded_while_the_issue_is_as_it_was_read
    a_post_is_refused_after_another_event
    a_reader_who_has_the_answer_gets_no_body
}

async fn a_post_is_recorded_while_the_issue_is_as_it_was_read(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let tag = service.get(&format!("{ISSUES}/{issue}")).await.header("etag").to_owned();
    // An event of another issue changes nothing here.
    service.record(&other, "accruals", json!({"through": "2025-01-31"})).await;
    let listed = format!("\"other\", {tag}");
    let headers = [("idempotency-key", "a"), ("if-match", listed.as_str())];
    let body = json!({"effective_date": "2025-01-15", "principal": "1000.00"});
    service.post_with(&on(&issue, "conversions"), &body, &headers).await.created();
    // Sent again, it is answered as before although the tag is not the issue's any more.
    let again = service.post_with(&on(&issue, "conversions"), &body, &headers).await;
    again.created();
    assert_eq!(again.header("idempotent-replayed"), "true");
    let headers = [("idempotency-key", "b"), ("if-match", "*")];
    service.post_with(&on(&issue, "conversions"), &body, &headers).await.created();
}

async fn a_post_is_refused_after_another_event(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let tag = service.get(&format!("{ISSUES}/{issue}")).await.header("etag").to_owned();
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let batches = service.batches().await.len();
    for (kind, body) in [
        ("accruals", json!({"through": "2025-02-28"})),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"})),
        ("conversions", json!({"effective_date": "2025-01-15", "principal": "1000.00"})),
    ] {
        for condition in [tag.as_str(), "\"never\"", &format!("W/{tag}")] {
            let key = service.fresh_key();
            let headers = [("idempotency-key", key.as_str()), ("if-match", condition)];
            service.post_with(&on(&issue, kind), &body, &headers).await.problem(412, "precondition_failed");
        }
        let key = service.fresh_key();
        let headers = [("idempotency-key", key.as_str()), ("if-match", "unquoted")];
        service.post_with(&on(&issue, kind), &body, &headers).await.problem(400, "malformed_header");
    }
    assert_eq!(service.batches().await.len(), batches);
    let now = service.get(&format!("{ISSUES}/{issue}")).await.header("etag").to_owned();
    assert_ne!(now, tag);
    let headers = [("idempotency-key", "now"), ("if-match", now.as_str())];
    service.post_with(&on(&issue, "accruals"), &json!({"through": "2025-02-28"}), &headers).await.created();
}

async fn a_reader_who_has_the_answer_gets_no_body(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for path in [
        format!("{ISSUES}/{issue}"),
        on(&issue, "schedule"),
        format!("{}?as_of=2025-03-31", on(&issue, "carrying-value")),
        "/v1/entities/ACME/releases".to_owned(),
    ] {
        let first = service.get(&path).await;
        let tag = first.header("etag");
        let body = axum::body::Body::empty();
        let again = service.send(axum::http::Method::GET, &path, &[("if-none-match", tag)], body).await;
        assert_eq!((again.status, again.bytes.len(), again.header("etag")), (304, 0, tag), "{path}");
    }
}
