//! `validate_only`: what a request would do.

use serde_json::{Value, json};

use super::inducements::all_met;
use crate::support::client::{ISSUES, Service, array, on, on_both_engines, terms, text};

on_both_engines! {
    a_preview_shows_what_would_be_posted_and_records_nothing
    a_post_that_matches_its_preview_is_recorded
    a_post_is_refused_when_the_books_changed_since_its_preview
    a_preview_refuses_what_the_post_would_refuse
    a_preview_of_an_entity_accrual_shows_its_batches
}

fn hash(preview: &Value) -> &str {
    let hash = text(&preview["preview_sha256"]);
    assert!(hash.len() == 64 && hash.bytes().all(|digit| digit.is_ascii_hexdigit()), "{hash}");
    hash
}

/// What is the same in a preview and in what is recorded of it.
fn without_ids(answer: &Value) -> Value {
    fn clean(value: &mut Value) {
        match value {
            Value::Object(fields) => {
                let given = [
                    "id",
                    "number",
                    "sequence",
                    "release",
                    "revision",
                    "recorded_at",
                    "request_id",
                    "content_sha256",
                    "event",
                    "preview_sha256",
                    "bond_issue",
                ];
                // An entry's sequence is its place in the batch, and an event is an object where it is the answer's own.
                fields.retain(|name, value| !given.contains(&name.as_str()) || value.is_object());
                fields.values_mut().for_each(clean);
            }
            Value::Array(items) => items.iter_mut().for_each(clean),
            _ => {}
        }
    }
    let mut answer = answer.clone();
    clean(&mut answer);
    answer
}

async fn a_preview_shows_what_would_be_posted_and_records_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    let first = terms(json!({"proceeds": "970000.00"}));
    let preview = service.preview(ISSUES, &first).await.done();
    assert_eq!(
        (&preview["id"], &preview["event"]["id"], &preview["event"]["sequence"]),
        (&Value::Null, &Value::Null, &Value::Null)
    );
    hash(&preview);
    assert_eq!(service.batches().await, Vec::<Value>::new());
    assert_eq!(array(&service.read(&format!("{ISSUES}?entity=ACME")).await["items"]), &Vec::<Value>::new());
    let issued = service.post(ISSUES, &first).await.created();
    assert_eq!(without_ids(&preview), without_ids(&issued));
    assert!(issued.get("preview_sha256").is_none());

    let issue = text(&issued["id"]);
    for (kind, body) in [
        ("accruals", json!({"through": "2025-03-31"})),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"})),
        ("conversions", json!({"effective_date": "2025-03-01", "principal": "100000.00"})),
        (
            "inducements",
            json!({"acceptance_date": "2025-08-01", "effective_date": "2025-08-02", "principal": "1000.00", "cash": "1.00",
                "criteria": all_met()}),
        ),
    ] {
        let tag = service.get(&format!("{ISSUES}/{issue}")).await.header("etag").to_owned();
        let batches = service.batches().await.len();
        let preview = service.preview(&on(issue, kind), &body).await.done();
        hash(&preview);
        for name in ["id", "sequence", "recorded_at"] {
            assert_eq!(preview["event"][name], Value::Null, "{kind}");
        }
        for batch in array(&preview["journal_batches"]) {
            assert!(["id", "number", "sequence"].iter().all(|name| batch[*name].is_null()), "{batch}");
            assert!(array(&batch["entries"]).iter().all(|entry| entry["event"].is_null()), "{batch}");
        }
        assert_eq!(service.batches().await.len(), batches, "{kind}");
        assert_eq!(service.get(&format!("{ISSUES}/{issue}")).await.header("etag"), tag, "{kind}");
        let recorded = service.record(issue, kind, body).await;
        assert_eq!(without_ids(&preview), without_ids(&recorded), "{kind}");
    }
}

async fn a_post_that_matches_its_preview_is_recorded(service: Service) {
    service.mapped_entity("ACME").await;
    let terms = terms(json!({}));
    let preview = service.preview(ISSUES, &terms).await.done();
    let headers = [("idempotency-key", "issue"), ("if-preview-match", hash(&preview))];
    let issued = service.post_with(ISSUES, &terms, &headers).await.created();
    let issue = text(&issued["id"]);
    let body = json!({"effective_date": "2025-03-01", "principal": "100000.00"});
    let preview = service.preview(&on(issue, "conversions"), &body).await.done();
    let again = service.preview(&on(issue, "conversions"), &body).await.done();
    assert_eq!(preview, again, "a preview is the same until the books change");
    let quoted = format!("\"{}\"", hash(&preview));
    let headers = [("idempotency-key", "convert"), ("if-preview-match", quoted.as_str())];
    service.post_with(&on(issue, "conversions"), &body, &headers).await.created();
    let headers = [("idempotency-key", "malformed"), ("if-preview-match", "abc")];
    service.post_with(&on(issue, "conversions"), &body, &headers).await.problem(400, "malformed_header");
}

async fn a_post_is_refused_when_the_books_changed_since_its_preview(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let path = on(&issue, "conversions");
    let body = json!({"effective_date": "2025-06-01", "principal": "100000.00"});
    let preview = service.preview(&path, &body).await.done();
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    let batches = service.batches().await.len();
    let headers = [("idempotency-key", "convert"), ("if-preview-match", hash(&preview))];
    let refused = service.post_with(&path, &body, &headers).await;
    refused.conflict("preview_differs");
    assert_eq!(service.batches().await.len(), batches);
    // The key was not used up.
    let preview = service.preview(&path, &body).await.done();
    let headers = [("idempotency-key", "convert"), ("if-preview-match", hash(&preview))];
    service.post_with(&path, &body, &headers).await.created();
}

async fn a_preview_refuses_what_the_post_would_refuse(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let path = on(&issue, "conversions");
    let more = json!({"effective_date": "2025-06-01", "principal": "1001000.00"});
    service.preview(&path, &more).await.problem(409, "exceeds_outstanding");
    let odd = json!({"effective_date": "2025-06-01", "principal": "100.00"});
    service.preview(&path, &odd).await.refused_at("principal_not_multiple_of_denomination", "/principal");
    let nobody = terms(json!({"entity": "NOBODY"}));
    service.preview(ISSUES, &nobody).await.problem(404, "not_found");
    let wrong = service.post_with(&format!("{path}?validate_only=perhaps"), &odd, &[]).await;
    wrong.problem(400, "malformed_query");
}

async fn a_preview_of_an_entity_accrual_shows_its_batches(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    let (path, body) = ("/v1/entities/ACME/accruals", json!({"through": "2025-02-28"}));
    let preview = service.preview(path, &body).await.done();
    assert_eq!(array(&preview["journal_batches"]).len(), 2);
    assert!(array(&preview["journal_batches"]).iter().all(|head| head["id"].is_null() && head["number"].is_null()));
    assert_eq!(service.batches().await.len(), 1);
    let headers = [("idempotency-key", "close"), ("if-preview-match", hash(&preview))];
    service.post_with(path, &body, &headers).await.created();
    let headers = [("idempotency-key", "close-2"), ("if-preview-match", hash(&preview))];
    service.post_with(path, &json!({"through": "2025-03-31"}), &headers).await.conflict("preview_differs");
}
