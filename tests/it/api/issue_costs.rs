//! Issue costs corrected after the issue: straight line over five years, worked by hand.

use serde_json::{Value, json};

use super::conversions::{last_batch, textbook};
use crate::support::client::{Service, array, assert_fields, assert_figures, change, on, on_both_engines, text};
use crate::support::ledger::lines_of;

on_both_engines! {
    as_long_as_it_can_be_a_correction_counts_from_settlement
    after_principal_moved_a_correction_counts_from_its_date
    a_correction_is_reversed
    what_cannot_be_is_refused
}

/// Costs of 20,000, so 4,000 a year.
fn straight(changes: Value) -> Value {
    let mut terms = textbook(json!({"principal": "1000000.00", "proceeds": "1000000.00", "issue_costs": "20000.00",
        "amortization_method": "straight_line"}));
    change(&mut terms, changes);
    terms
}

/// 10,000 more are 2,000 more a year: 3,000 after a year and a half, which was accrued without them.
async fn as_long_as_it_can_be_a_correction_counts_from_settlement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-01-01"})).await;
    service.record(&issue, "accruals", json!({"through": "2026-06-30"})).await;
    let body = json!({"effective_date": "2026-07-15", "change": "10000.00"});
    let answer = service.record(&issue, "issue-cost-adjustments", body).await;
    assert_fields(&answer, "event position_before position_after issue_cost_adjustment journal_batches");
    assert_eq!(
        answer["issue_cost_adjustment"],
        json!({"applied_from": "2025-01-01", "applied": "from_settlement", "issue_costs_before": "20000.00",
            "issue_costs_after": "30000.00"})
    );
    let first = &array(&answer["journal_batches"])[0];
    assert_eq!(first["posting_date"], json!("2025-01-01"));
    let expected = [("debt_issue_costs", "debit", "10000.00"), ("cash", "credit", "10000.00")];
    assert_eq!(lines_of(first, "issuance"), expected);
    for (date, costs) in [("2025-01-01", "-30000.00"), ("2026-06-30", "-21000.00"), ("2030-01-01", "0.00")] {
        let value = service.carrying_value(&issue, date).await;
        assert_figures(&value, json!({"issue_costs": costs, "status": "tied"}));
    }
    let value = service.carrying_value(&issue, "2026-06-30").await;
    assert_eq!(value["booked"]["issue_costs"], json!("-21000.00"));
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2026-06-30").await;
    let line = array(&report["total"]).iter().find(|line| line["movement"] == json!("issuance")).expect("a line");
    assert_figures(line, json!({"issue_costs": "-30000.00", "cash": "970000.00"}));
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
}

/// A quarter left at the end of 2025 with 4,000 of costs. 12,000 are left of the rest on 1 January 2026; 6,000 less are 6,000, which
/// run off over four years.
async fn after_principal_moved_a_correction_counts_from_its_date(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let body = json!({"effective_date": "2026-01-01", "principal": "250000.00", "price_percent": "100"});
    service.record(&issue, "repurchases", body).await;
    let body = json!({"effective_date": "2026-01-01", "change": "-6000.00"});
    let answer = service.record(&issue, "issue-cost-adjustments", body).await;
    assert_figures(
        &answer["issue_cost_adjustment"],
        json!({"applied_from": "2026-01-01", "applied": "prospective", "issue_costs_before": "12000.00",
            "issue_costs_after": "6000.00"}),
    );
    let expected = [("cash", "debit", "6000.00"), ("debt_issue_costs", "credit", "6000.00")];
    assert_eq!(lines_of(last_batch(&answer), "issuance"), expected);
    for (date, costs) in [("2025-12-31", "-16000.00"), ("2026-01-01", "-6000.00"), ("2028-01-01", "-3000.00")] {
        let value = service.carrying_value(&issue, date).await;
        assert_figures(&value, json!({"issue_costs": costs, "status": "tied"}));
    }
}

async fn a_correction_is_reversed(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    service.record(&issue, "accruals", json!({"through": "2025-12-31"})).await;
    let before = service.carrying_value(&issue, "2025-12-31").await;
    let body = json!({"effective_date": "2025-06-30", "change": "10000.00", "reference": "COSTS"});
    let answer = service.record(&issue, "issue-cost-adjustments", body).await;
    let of_settlement = &array(&answer["journal_batches"])[0];
    let path = format!("/v1/journal-batches/{}/reversal", text(&of_settlement["id"]));
    service.post(&path, &json!({"reason": "The invoice was another issue's"})).await.created();
    let after = service.carrying_value(&issue, "2025-12-31").await;
    for part in ["carrying_amount", "booked", "unexplained", "status"] {
        assert_eq!(after[part], before[part]);
    }
    let costs = service.read("/v1/entities/ACME/trial-balance?as_of=2025-12-31").await;
    assert!(costs.to_string().contains("980000.00"), "cash is what it was: {costs}");
}

async fn what_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let path = on(&issue, "issue-cost-adjustments");
    for (change, code) in [
        ("0.00", "invalid_field"),
        ("-20000.01", "invalid_field"),
        ("1000000.00", "invalid_field"),
        ("0.001", "too_many_decimals"),
    ] {
        let body = json!({"effective_date": "2025-06-30", "change": change});
        service.post(&path, &body).await.refused_at(code, "/change");
    }
    let body = json!({"effective_date": "2031-01-01", "change": "1.00"});
    service.post(&path, &body).await.refused_at("after_maturity", "/effective_date");
    let body = json!({"code": "SOLE", "name": "Sole plc", "functional_currency": "USD", "framework": "ifrs", "fiscal_year_end": "12-31"});
    service.post("/v1/entities", &body).await.created();
    let compound = straight(json!({"entity": "SOLE", "amortization_method": null, "straight_debt_rate": "0.10"}));
    let issue = service.issue(compound).await;
    let body = json!({"effective_date": "2025-06-30", "change": "1.00"});
    service.post(&on(&issue, "issue-cost-adjustments"), &body).await.refused_at("not_supported", "/change");
}
