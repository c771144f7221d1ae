//! References: a name of the caller's own for one thing of a kind.

use serde_json::{Value, json};

use super::inducements::all_met;
use crate::support::client::{Answer, ISSUES, Service, on, on_both_engines, terms, text};

on_both_engines! {
    a_reference_names_one_issue_of_an_entity
    a_reference_names_one_event_of_a_kind
    a_preview_says_that_a_reference_is_in_use
}

/// Asserts the clash, which names the existing id.
#[track_caller]
fn assert_clash(answer: &Answer, reference: &str, id: &Value) {
    let problem = answer.problem(409, "reference_in_use");
    let detail = text(&problem["detail"]);
    assert!(detail.contains(reference) && detail.contains(text(id)), "{problem}");
    assert_eq!(problem["figures"]["id"], *id);
}

async fn a_reference_names_one_issue_of_an_entity(service: Service) {
    service.mapped_entity("ACME").await;
    service.entity("OTHER").await;
    let issue = service.issue(json!({})).await;
    let again = service.post(ISSUES, &terms(json!({"principal": "2000000.00", "proceeds": "2000000.00"}))).await;
    assert_clash(&again, "CB-1", &json!(issue));
    service.issue(json!({"entity": "OTHER"})).await;
    assert_eq!(service.batches().await.len(), 1);
}

async fn a_reference_names_one_event_of_a_kind(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let other = service.issue(json!({"reference": "CB-2"})).await;
    for (kind, first, second) in [
        ("accruals", json!({"through": "2025-01-31"}), json!({"through": "2025-02-28"})),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"}), json!({"coupon_date": "2026-01-15"})),
        (
            "conversions",
            json!({"effective_date": "2025-01-15", "principal": "1000.00"}),
            json!({"effective_date": "2025-01-16", "principal": "2000.00"}),
        ),
        (
            "inducements",
            json!({"acceptance_date": "2025-01-15", "principal": "1000.00", "cash": "1.00", "criteria": all_met()}),
            json!({"acceptance_date": "2025-01-16", "principal": "1000.00", "cash": "1.00", "criteria": all_met()}),
        ),
    ] {
        // One name may stand for one thing of each kind.
        let named = |mut body: Value| {
            body["reference"] = json!("JANUARY");
            body
        };
        let recorded = service.record(&issue, kind, named(first)).await;
        let id = &recorded["event"]["id"];
        assert_clash(&service.post(&on(&issue, kind), &named(second.clone())).await, "JANUARY", id);
        assert_clash(&service.post(&on(&other, kind), &named(second)).await, "JANUARY", id);
    }
    let close = json!({"through": "2025-03-31", "reference": "JANUARY"});
    let answer = service.post("/v1/entities/ACME/accruals", &close).await;
    answer.conflict("reference_in_use");
}

async fn a_preview_says_that_a_reference_is_in_use(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    assert_clash(&service.preview(ISSUES, &terms(json!({}))).await, "CB-1", &json!(issue));
}
