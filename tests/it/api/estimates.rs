//! Payments estimated anew under IFRS (IFRS 9.B5.4.6): 8% at par, worked by hand.

use serde_json::{Value, json};

use super::conversions::last_batch;
use super::modifications::par;
use crate::support::client::{Service, assert_fields, assert_figures, on, on_both_engines, text};
use crate::support::ledger::lines_of;

on_both_engines! {
    an_expected_call_is_worth_something_at_the_original_rate
    an_estimate_is_taken_back_by_another_or_reversed
    a_call_that_does_not_come_is_a_gain_at_maturity
    issue_costs_stay_and_the_rate_with_them
    what_cannot_be_is_refused
}

fn call_of_2028() -> Value {
    json!({"effective_date": "2027-01-01", "expected_redemption": {"date": "2028-01-01", "price_percent": "102"}})
}

/// A coupon of 80,000 and 1,020,000 in a year are worth 1,018,518.52 at 8%; when they are paid, nothing is gained or lost.
async fn an_expected_call_is_worth_something_at_the_original_rate(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(par(json!({}))).await;
    let answer = service.record(&issue, "estimates", call_of_2028()).await;
    assert_fields(&answer, "event position_before position_after estimate journal_batches");
    assert_eq!(
        answer["estimate"],
        json!({"expected_date": "2028-01-01", "expected_price_percent": "102", "carrying_amount_before": "1000000.00",
            "carrying_amount_after": "1018518.52", "gain_loss": "-18518.52"})
    );
    let expected = [("interest_expense", "debit", "18518.52"), ("premium_on_bonds_payable", "credit", "18518.52")];
    assert_eq!(lines_of(last_batch(&answer), "modification"), expected);
    let value = service.carrying_value(&issue, "2028-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "1020000.00", "status": "tied"}));
    let body =
        json!({"effective_date": "2028-01-01", "principal": "1000000.00", "kind": "call", "price_percent": "102"});
    let answer = service.record(&issue, "redemptions", body).await;
    assert_figures(&answer["redemption"], json!({"carrying_amount": "1020000.00", "gain_loss": "0.00"}));
}

async fn an_estimate_is_taken_back_by_another_or_reversed(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(par(json!({}))).await;
    let first = service.record(&issue, "estimates", call_of_2028()).await;
    // Half a year on, half of the year's 1,481.48: 1,019,259.26. To maturity the payments are worth par again on a coupon date only;
    // within a period they are worth 1,040,000 / 1.08^0.5 = 1,039,230.48 with accrued interest of 40,000, so 999,230.48 without it.
    let body = json!({"effective_date": "2027-07-01"});
    let answer = service.record(&issue, "estimates", body).await;
    assert_figures(
        &answer["estimate"],
        json!({"expected_date": "2030-01-01", "carrying_amount_before": "1019259.26", "carrying_amount_after": "999230.48"}),
    );
    let value = service.carrying_value(&issue, "2028-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "1000000.00", "status": "tied"}));
    let reversal = |answer: &Value| format!("/v1/journal-batches/{}/reversal", text(&last_batch(answer)["id"]));
    let because = json!({"reason": "The call is expected after all"});
    service.post(&reversal(&first), &because).await.conflict("later_event_in_the_way");
    service.post(&reversal(&answer), &because).await.created();
    // At the close of the day 181 of 360 days: 744.86.
    let value = service.carrying_value(&issue, "2027-07-01").await;
    assert_figures(&value, json!({"carrying_amount": "1019263.38", "status": "tied"}));
    service.post(&reversal(&first), &because).await.created();
    let value = service.carrying_value(&issue, "2028-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "1000000.00", "status": "tied"}));
}

/// The call at 102 was expected and never estimated anew: the bonds are repaid at 100.
async fn a_call_that_does_not_come_is_a_gain_at_maturity(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(par(json!({}))).await;
    service.record(&issue, "estimates", call_of_2028()).await;
    let body = json!({"effective_date": "2030-01-01", "principal": "1000000.00", "kind": "maturity"});
    let answer = service.record(&issue, "redemptions", body).await;
    assert_figures(
        &answer["redemption"],
        json!({"consideration": "1000000.00", "carrying_amount": "1020000.00", "gain_loss": "20000.00"}),
    );
    let value = service.carrying_value(&issue, "2030-01-01").await;
    assert_figures(&value, json!({"principal": "0.00", "carrying_amount": "0.00", "status": "tied"}));
}

async fn issue_costs_stay_and_the_rate_with_them(service: Service) {
    service.ifrs_entity("ACME").await;
    let answer = service
        .post("/v1/bond-issues", &crate::support::client::terms(par(json!({"issue_costs": "20000.00"}))))
        .await
        .created();
    let rate = text(&answer["effective_rate"]["nominal_annual"]).to_owned();
    let issue = text(&answer["id"]).to_owned();
    let answer = service.record(&issue, "estimates", call_of_2028()).await;
    let before = text(&answer["position_before"]["issue_costs"]).to_owned();
    assert_eq!(answer["position_after"]["issue_costs"], json!(before));
    let issue_now = service.read(&format!("/v1/bond-issues/{issue}")).await;
    assert_eq!(issue_now["effective_rate"]["nominal_annual"], json!(rate));
    let value = service.carrying_value(&issue, "2028-01-01").await;
    let wanted = json!({"carrying_amount": "1020000.00", "issue_costs": "0.00", "status": "tied"});
    assert_figures(&value, wanted);
}

async fn what_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(par(json!({}))).await;
    service.post(&on(&issue, "estimates"), &call_of_2028()).await.refused_at("not_supported", "/expected_redemption");
    let body = json!({"code": "SOLE", "name": "Sole plc", "functional_currency": "USD", "framework": "ifrs", "fiscal_year_end": "12-31"});
    service.post("/v1/entities", &body).await.created();
    let issue = service.issue(par(json!({"entity": "SOLE"}))).await;
    let path = on(&issue, "estimates");
    for (expected, code, pointer) in [
        (json!({"date": "2028-02-01", "price_percent": "100"}), "not_a_coupon_date", "/expected_redemption/date"),
        (json!({"date": "2026-01-01", "price_percent": "100"}), "invalid_field", "/expected_redemption/date"),
        (json!({"date": "2031-01-01", "price_percent": "100"}), "invalid_field", "/expected_redemption/date"),
        (json!({"date": "2028-01-01", "price_percent": "0"}), "invalid_field", "/expected_redemption/price_percent"),
        (json!({"date": "2030-01-01", "price_percent": "100"}), "invalid_field", "/expected_redemption"),
    ] {
        let body = json!({"effective_date": "2027-01-01", "expected_redemption": expected});
        service.post(&path, &body).await.refused_at(code, pointer);
    }
}
