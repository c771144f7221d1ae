//! Series: the same bonds issued at different times, converted and paid together.

use serde_json::{Value, json};

use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, change, on, on_both_engines, terms, text,
};

on_both_engines! {
    a_conversion_is_split_by_what_is_outstanding
    a_fraction_of_a_share_is_of_all_issues_together
    a_coupon_is_paid_on_every_issue_that_was_there
    a_preview_is_what_is_posted_and_a_repetition_is_answered_alike
    one_refusal_refuses_all
    what_cannot_be_is_refused
}

const SERIES: &str = "/v1/entities/ACME/series/NOTES-2030";

/// 6% semi-annually, 32.3428 shares a bond.
fn tranche(reference: &str, principal: &str, changes: Value) -> Value {
    let mut issue = json!({"reference": reference, "series": "NOTES-2030", "principal": principal, "proceeds": principal,
        "conversion": {"shares_per_denomination": "32.3428", "share_par_value": "0.01"}});
    change(&mut issue, changes);
    issue
}

/// The second one a year later, from a coupon date on and with a premium.
async fn two(service: &Service) -> [String; 2] {
    service.mapped_entity("ACME").await;
    let first = service.issue(tranche("CB-1", "40000.00", json!({}))).await;
    let tap = json!({"dated_date": "2026-01-15", "settlement_date": "2026-01-15", "proceeds": "21000.00"});
    [first, service.issue(tranche("CB-1A", "20000.00", tap)).await]
}

/// A third of 40 and of 20 bonds is 13 1/3 and 6 2/3 of 20: 13 and 7.
async fn a_conversion_is_split_by_what_is_outstanding(service: Service) {
    let [first, tap] = two(&service).await;
    let body = json!({"effective_date": "2026-03-15", "principal": "20000.00", "share_price": "40.00", "reference": "NOTICE-1"});
    let answer = service.post(&format!("{SERIES}/conversions"), &body).await.created();
    assert_fields(&answer, "series items skipped");
    let items = array(&answer["items"]);
    assert_eq!([text(&items[0]["bond_issue"]), text(&items[1]["bond_issue"])], [first.as_str(), tap.as_str()]);
    for (item, principal) in items.iter().zip(["13000.00", "7000.00"]) {
        assert_fields(item, "bond_issue event position_before position_after conversion journal_batches");
        assert_eq!(item["conversion"]["principal"], json!(principal));
        assert_eq!(item["event"]["sequence"], items[0]["event"]["sequence"], "one command");
    }
    for (issue, principal) in [(&first, "27000.00"), (&tap, "13000.00")] {
        let value = service.carrying_value(issue, "2026-03-15").await;
        assert_figures(&value, json!({"principal": principal, "status": "tied"}));
    }
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2026-12-31").await;
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
    // The reference is that of the command, for one issue as for the series.
    let body = json!({"effective_date": "2026-03-16", "principal": "1000.00", "share_price": "40.00", "reference": "NOTICE-1"});
    service.post(&on(&first, "conversions"), &body).await.problem(409, "reference_in_use");
    // Each issue's part is reversed by its own batches.
    let batch = array(&items[1]["journal_batches"]).last().expect("a batch");
    let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    service.post(&path, &json!({"reason": "Other bonds were meant"})).await.created();
    assert_figures(
        &service.carrying_value(&tap, "2026-03-15").await,
        json!({"principal": "20000.00", "status": "tied"}),
    );
    assert_figures(&service.carrying_value(&first, "2026-03-15").await, json!({"principal": "27000.00"}));
}

/// Three bonds are 97.0284 shares: 64.6856 and 32.3428 would be 96, each with a fraction of its own.
async fn a_fraction_of_a_share_is_of_all_issues_together(service: Service) {
    two(&service).await;
    let body = json!({"effective_date": "2026-01-15", "principal": "3000.00", "share_price": "40.00"});
    let answer = service.post(&format!("{SERIES}/conversions"), &body).await.created();
    let items = array(&answer["items"]);
    assert_figures(
        &items[0]["conversion"],
        json!({"principal": "2000.00", "shares_issued": "64", "cash_in_lieu": "0.00"}),
    );
    // 0.0284 x 40 = 1.136.
    assert_figures(
        &items[1]["conversion"],
        json!({"principal": "1000.00", "shares_issued": "33", "cash_in_lieu": "1.14"}),
    );
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2026-12-31").await;
    let line = array(&report["total"]).iter().find(|line| line["movement"] == json!("conversion")).expect("a line");
    assert_eq!(line["shares"], json!("97"));
}

/// 3% of 40,000 and of 20,000; the coupon before the second issue is the first one's alone.
async fn a_coupon_is_paid_on_every_issue_that_was_there(service: Service) {
    let [first, tap] = two(&service).await;
    let path = format!("{SERIES}/coupon-payments");
    service.post(&path, &json!({"coupon_date": "2025-07-15"})).await.created();
    let answer = service.post(&path, &json!({"coupon_date": "2026-01-15"})).await.created();
    assert_eq!(array(&answer["items"]).len(), 1);
    assert_figures(&answer["items"][0]["coupon_payment"], json!({"amount": "1200.00"}));
    assert_figures(&answer["skipped"][0], json!({"bond_issue": tap}));
    let answer = service.post(&path, &json!({"coupon_date": "2026-07-15"})).await.created();
    let amounts: Vec<&Value> = array(&answer["items"]).iter().map(|item| &item["coupon_payment"]["amount"]).collect();
    assert_eq!(amounts, [&json!("1200.00"), &json!("600.00")]);
    service.post(&path, &json!({"coupon_date": "2026-07-15"})).await.conflict("coupon_already_paid");
    let before = json!({"coupon_date": "2025-08-15"});
    service.post(&path, &before).await.refused_at("not_a_coupon_date", "/coupon_date");
    for issue in [first, tap] {
        let value = service.carrying_value(&issue, "2026-07-15").await;
        assert_figures(&value, json!({"interest_payable": "0.00", "status": "tied"}));
    }
}

async fn a_preview_is_what_is_posted_and_a_repetition_is_answered_alike(service: Service) {
    two(&service).await;
    let body = json!({"effective_date": "2026-03-15", "principal": "6000.00", "share_price": "40.00"});
    let path = format!("{SERIES}/conversions");
    let preview = service.preview(&path, &body).await.done();
    let hash = text(&preview["preview_sha256"]).to_owned();
    let headers = [
        ("content-type", "application/json"),
        ("idempotency-key", "\"series-1\""),
        ("if-preview-match", hash.as_str()),
    ];
    let bytes = body.to_string();
    let answer = service.post_bytes(&path, bytes.clone(), &headers).await.created();
    for (item, seen) in array(&answer["items"]).iter().zip(array(&preview["items"])) {
        assert_eq!(item["conversion"], seen["conversion"]);
        assert_eq!(item["position_after"], seen["position_after"]);
    }
    let again = service.post_bytes(&path, bytes.clone(), &headers).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.created(), answer);
    let other = [
        ("content-type", "application/json"),
        ("idempotency-key", "\"series-2\""),
        ("if-preview-match", hash.as_str()),
    ];
    service.post_bytes(&path, bytes, &other).await.problem(409, "preview_differs");
}

/// The second issue has an event after the date that would leave less than nothing; the first one's part is not recorded either.
async fn one_refusal_refuses_all(service: Service) {
    let [first, tap] = two(&service).await;
    let body = json!({"effective_date": "2026-06-15", "principal": "20000.00", "share_price": "40.00"});
    service.record(&tap, "conversions", body).await;
    let untouched =
        [service.carrying_value(&first, "2026-06-15").await, service.carrying_value(&tap, "2026-06-15").await];
    let batches = service.batches().await.len();
    let body = json!({"effective_date": "2026-03-15", "principal": "30000.00", "share_price": "40.00"});
    service.post(&format!("{SERIES}/conversions"), &body).await.conflict("later_event_in_the_way");
    assert_eq!(service.carrying_value(&first, "2026-06-15").await, untouched[0]);
    assert_eq!(service.carrying_value(&tap, "2026-06-15").await, untouched[1]);
    assert_eq!(service.batches().await.len(), batches);
}

async fn what_cannot_be_is_refused(service: Service) {
    let [first, _] = two(&service).await;
    let path = format!("{SERIES}/conversions");
    for (principal, code, status) in [
        ("61000.00", "exceeds_outstanding", 409),
        ("1500.00", "principal_not_multiple_of_denomination", 422),
        ("0.00", "invalid_field", 422),
    ] {
        let body = json!({"effective_date": "2026-03-15", "principal": principal, "share_price": "40.00"});
        service.post(&path, &body).await.problem(status, code);
    }
    let body =
        json!({"effective_date": "2026-03-15", "principal": "1000.00", "settlement": {"type": "cash", "cash": "1.00"}});
    service.post(&path, &body).await.refused_at("invalid_field", "/settlement");
    let body = json!({"effective_date": "2026-03-15", "principal": "1000.00", "share_price": "40.00"});
    service.post("/v1/entities/ACME/series/OTHER/conversions", &body).await.problem(404, "not_found");
    service.post("/v1/entities/NONE/series/NOTES-2030/conversions", &body).await.problem(404, "not_found");
    // Bonds of one series are alike, and a series has a name.
    for (changes, pointer) in [
        (json!({"coupon_rate": "0.05"}), "/series"),
        (json!({"maturity_date": "2031-01-15"}), "/series"),
        (json!({"conversion": {"shares_per_denomination": "32.3429", "share_par_value": "0.01"}}), "/series"),
        (json!({"series": ""}), "/series"),
        (json!({"series": "NOTES 2030"}), "/series"),
    ] {
        let mut issue = tranche("CB-1B", "10000.00", json!({}));
        change(&mut issue, changes);
        service.post(ISSUES, &terms(issue)).await.refused_at("invalid_field", pointer);
    }
    // An issuance that was reversed is of no series any more.
    let odd = tranche("CB-2", "10000.00", json!({"series": "NOTES-2032", "coupon_rate": "0.05"}));
    let answer = service.post(ISSUES, &terms(odd)).await.created();
    let batch = format!("/v1/journal-batches/{}/reversal", text(&array(&answer["journal_batches"])[0]["id"]));
    service.post(&batch, &json!({"reason": "The coupon is another"})).await.created();
    service.issue(tranche("CB-2", "10000.00", json!({"series": "NOTES-2032"}))).await;
    assert_figures(&service.read(&format!("{ISSUES}/{first}")).await, json!({"series": "NOTES-2030"}));
}
