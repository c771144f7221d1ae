//! Keys under which a request is recorded at most once.

use futures_util::future::join_all;
use serde_json::{Value, json};

use crate::support::client::{ISSUES, Service, on, on_both_engines, terms, text};

on_both_engines! {
    a_request_sent_again_gets_the_stored_bytes
    a_key_stands_for_one_request
    a_request_that_records_needs_a_key
    many_at_once_have_one_effect
    a_refused_request_is_not_kept_under_its_key
    a_coupon_payment_sent_again_is_no_second_payment
    an_accrual_that_posted_nothing_is_kept_too
    a_key_belongs_to_its_entity
}

async fn a_request_sent_again_gets_the_stored_bytes(service: Service) {
    service.mapped_entity("ACME").await;
    let first = service.post_with(ISSUES, &terms(json!({})), &[("idempotency-key", "issue-1")]).await;
    let again = service.post_with(ISSUES, &terms(json!({})), &[("idempotency-key", "\"issue-1\"")]).await;
    first.created();
    again.created();
    assert!(first.bytes == again.bytes);
    assert_eq!((first.header("idempotent-replayed"), again.header("idempotent-replayed")), ("", "true"));
    let issue = text(&first.json()["id"]).to_owned();

    let body = json!({"effective_date": "2025-03-10", "principal": "250000.00"});
    let key = [("idempotency-key", "convert-1")];
    let first = service.post_with(&on(&issue, "conversions"), &body, &key).await;
    // The books have moved on; the answer has not.
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    let again = service.post_with(&on(&issue, "conversions"), &body, &key).await;
    first.created();
    assert!(first.bytes == again.bytes && again.status == 201);
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(service.carrying_value(&issue, "2025-06-30").await["principal"], json!("750000.00"));

    let path = "/v1/entities/ACME/accruals";
    let body = json!({"through": "2025-09-30"});
    let key = [("idempotency-key", "accrue-1")];
    let first = service.post_with(path, &body, &key).await;
    let again = service.post_with(path, &body, &key).await;
    assert!(first.status == 201 && again.status == 201 && first.bytes == again.bytes);
    assert_eq!(again.header("idempotent-replayed"), "true");
}

async fn a_key_stands_for_one_request(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let key = [("idempotency-key", "one")];
    let body = json!({"effective_date": "2025-03-10", "principal": "250000.00"});
    service.post_with(&on(&issue, "conversions"), &body, &key).await.created();
    let other = json!({"effective_date": "2025-03-10", "principal": "251000.00"});
    let refused = service.post_with(&on(&issue, "conversions"), &other, &key).await;
    refused.problem(422, "idempotency_key_reused");
    // Nor does it stand for the same body at another address.
    let accrual = json!({"through": "2025-06-30"});
    let refused = service.post_with(&on(&issue, "accruals"), &accrual, &key).await;
    refused.problem(422, "idempotency_key_reused");
    assert_eq!(service.carrying_value(&issue, "2025-06-30").await["principal"], json!("750000.00"));
}

async fn a_request_that_records_needs_a_key(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let before = service.batches().await.len();
    let accrual = json!({"through": "2025-06-30"});
    for (path, body) in [
        (ISSUES.to_owned(), terms(json!({"reference": "CB-2"}))),
        (on(&issue, "accruals"), accrual.clone()),
        ("/v1/entities/ACME/accruals".to_owned(), accrual),
        (on(&issue, "coupon-payments"), json!({"coupon_date": "2025-07-15"})),
        (on(&issue, "conversions"), json!({"effective_date": "2025-03-10", "principal": "1000.00"})),
        (on(&issue, "inducements"), json!({})),
    ] {
        let problem = service.post_with(&path, &body, &[]).await.problem(400, "missing_idempotency_key");
        assert!(text(&problem["detail"]).to_lowercase().contains("idempotency-key"), "{problem}");
        service.post_with(&path, &body, &[("idempotency-key", "two words")]).await.problem(400, "malformed_header");
    }
    assert_eq!(service.batches().await.len(), before);
}

async fn many_at_once_have_one_effect(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "10000.00"});
    let (path, key) = (on(&issue, "conversions"), [("idempotency-key", "all-the-same")]);
    let answers = join_all((0..64).map(|_| service.post_with(&path, &body, &key))).await;
    for answer in &answers {
        answer.created();
        assert!(answer.bytes == answers[0].bytes);
    }
    let replayed = answers.iter().filter(|answer| answer.header("idempotent-replayed") == "true").count();
    assert_eq!(replayed, 63);
    assert_eq!(service.carrying_value(&issue, "2025-01-15").await["principal"], json!("990000.00"));
    assert_eq!(service.batches().await.len(), 2);
}

async fn a_refused_request_is_not_kept_under_its_key(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let key = [("idempotency-key", "again")];
    let path = on(&issue, "conversions");
    let whole = json!({"effective_date": "2025-01-15", "principal": "1000000.00"});
    let more = json!({"effective_date": "2025-01-15", "principal": "1001000.00"});
    service.post_with(&path, &more, &key).await.problem(409, "exceeds_outstanding");
    let broken = json!({"effective_date": "2025-01-15", "principal": 1});
    service.post_with(&path, &broken, &key).await.problem(422, "invalid_field");
    let answer = service.post_with(&path, &whole, &key).await;
    answer.created();
    assert_eq!(answer.header("idempotent-replayed"), "");
}

/// Without the key it would be 409: the coupon is paid.
async fn a_coupon_payment_sent_again_is_no_second_payment(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let (path, body) = (on(&issue, "coupon-payments"), json!({"coupon_date": "2025-07-15", "reference": "PAY-1"}));
    let first = service.post_with(&path, &body, &[("idempotency-key", "pay")]).await;
    let again = service.post_with(&path, &body, &[("idempotency-key", "pay")]).await;
    first.created();
    assert!(again.status == 201 && again.bytes == first.bytes);
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(service.post_with(&path, &body, &[("idempotency-key", "pay-2")]).await.status, 409);
}

/// Design section 3: the same key with another body is 422, else the stored answer comes back; 2xx answers are stored, and this is one.
async fn an_accrual_that_posted_nothing_is_kept_too(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    let (path, key) = (on(&issue, "accruals"), [("idempotency-key", "nothing")]);
    let body = json!({"through": "2025-03-31"});
    let first = service.post_with(&path, &body, &key).await;
    first.done();
    service.record(&issue, "accruals", json!({"through": "2025-09-30"})).await;
    let again = service.post_with(&path, &body, &key).await;
    assert_eq!((again.json(), again.header("idempotent-replayed")), (first.json(), "true"));
    let other = service.post_with(&path, &json!({"through": "2025-12-31"}), &key).await;
    other.problem(422, "idempotency_key_reused");
}

async fn a_key_belongs_to_its_entity(service: Service) {
    service.mapped_entity("ACME").await;
    service.mapped_entity("OTHER").await;
    let key = [("idempotency-key", "shared")];
    let mine: Value = service.post_with(ISSUES, &terms(json!({})), &key).await.created();
    let yours = service.post_with(ISSUES, &terms(json!({"entity": "OTHER"})), &key).await;
    assert_eq!(yours.header("idempotent-replayed"), "");
    assert_ne!(yours.created()["id"], mine["id"]);
}
