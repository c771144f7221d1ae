//! Convertible issues at a substantial premium (ASC 470-20-25-13), worked by hand.

use serde_json::{Value, json};

use super::conversions::{last_batch, textbook};
use crate::support::client::{ISSUES, Service, array, assert_figures, change, on_both_engines, terms, text};
use crate::support::ledger::lines;

on_both_engines! {
    a_substantial_premium_says_what_becomes_of_it
    as_paid_in_capital_it_is_no_part_of_the_debt
    as_a_liability_it_is_amortised
    a_zero_coupon_issue_may_have_its_premium_in_capital
    a_treatment_without_use_is_refused
}

fn issue_at(proceeds: &str, changes: Value) -> Value {
    let mut terms = terms(textbook(json!({"proceeds": proceeds})));
    change(&mut terms, changes);
    terms
}

async fn a_substantial_premium_says_what_becomes_of_it(service: Service) {
    service.mapped_entity("ACME").await;
    for (proceeds, changes) in
        [("1100000.00", json!({})), ("1250000.00", json!({})), ("1155000.00", json!({"redemption_price": "105"}))]
    {
        let detail =
            service.post(ISSUES, &issue_at(proceeds, changes)).await.refused_at("invalid_field", "/premium_treatment");
        assert!(detail.contains("470-20-25-13") && detail.contains(proceeds), "{detail}");
    }
    let below = [
        issue_at("1099999.99", json!({})),
        issue_at("1154999.99", json!({"reference": "CB-2", "redemption_price": "105"})),
        issue_at("1250000.00", json!({"reference": "CB-3", "conversion": null})),
    ];
    for body in below {
        service.post(ISSUES, &body).await.created();
    }
}

/// 1,200,000 for a principal of 1,000,000 with costs of 20,000: 200,000 are capital, and the debt begins at 980,000. Straight line it gains
/// 4,000 a year from the costs alone.
async fn as_paid_in_capital_it_is_no_part_of_the_debt(service: Service) {
    service.mapped_entity("ACME").await;
    let body = issue_at(
        "1200000.00",
        json!({"premium_treatment": "paid_in_capital", "issue_costs": "20000.00", "amortization_method": "straight_line"}),
    );
    let answer = service.post(ISSUES, &body).await.created();
    assert_eq!(answer["premium_treatment"], json!("paid_in_capital"));
    assert_figures(&answer["issuance"], json!({"paid_in_capital": "200000.00"}));
    // Without the premium the debt is at par, and costs its coupon.
    assert_eq!(answer["effective_rate"]["gross_nominal_annual"], json!("0.0800000000000000"));
    let expected = [
        ("cash", "debit", "1180000.00"),
        ("debt_issue_costs", "debit", "20000.00"),
        ("bonds_payable", "credit", "1000000.00"),
        ("additional_paid_in_capital", "credit", "200000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    let capital = array(&last_batch(&answer)["entries"][0]["lines"]).last().expect("a line");
    assert_eq!(capital["derivation"]["paragraph"], json!("ASC 470-20-25-13"));
    let issue = text(&answer["id"]);
    service.record(issue, "accruals", json!({"through": "2025-12-31"})).await;
    let value = service.carrying_value(issue, "2025-12-31").await;
    assert_figures(
        &value,
        json!({"status": "tied", "principal": "1000000.00", "premium_discount": "0.00", "issue_costs": "-16000.00",
            "carrying_amount": "984000.00"}),
    );
    // A conversion at book value leaves no gain or loss; the premium stays in capital.
    let body = json!({"effective_date": "2026-01-01", "principal": "1000000.00"});
    let converted = service.record(issue, "conversions", body).await;
    assert_figures(
        &converted["conversion"],
        json!({"carrying_amount": "984000.00", "common_stock": "200.00", "additional_paid_in_capital": "983800.00",
            "gain_loss": "0.00"}),
    );
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31").await;
    let issued = array(&report["total"]).iter().find(|line| line["movement"] == json!("issuance")).expect("a line");
    assert_figures(
        issued,
        json!({"carrying_amount": "980000.00", "cash": "1180000.00", "paid_in_capital": "200000.00"}),
    );
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
}

async fn as_a_liability_it_is_amortised(service: Service) {
    service.mapped_entity("ACME").await;
    let changes = json!({"premium_treatment": "liability", "amortization_method": "straight_line"});
    let answer = service.post(ISSUES, &issue_at("1200000.00", changes)).await.created();
    assert_eq!(answer["premium_treatment"], json!("liability"));
    assert_eq!(answer["issuance"].get("paid_in_capital"), None);
    let issue = text(&answer["id"]);
    let value = service.carrying_value(issue, "2025-12-31").await;
    assert_figures(&value, json!({"premium_discount": "160000.00", "carrying_amount": "1160000.00"}));
}

/// Its debt is at what is repaid from the start, and its rate is nothing.
async fn a_zero_coupon_issue_may_have_its_premium_in_capital(service: Service) {
    service.mapped_entity("ACME").await;
    let changes = json!({"premium_treatment": "paid_in_capital", "coupon_rate": "0", "coupon_frequency": 0});
    let answer = service.post(ISSUES, &issue_at("1040000.00", changes)).await.created();
    assert_figures(&answer["issuance"], json!({"paid_in_capital": "40000.00"}));
    assert_figures(&answer["position_after"], json!({"premium_discount": "0.00", "carrying_amount": "1000000.00"}));
    let value = service.carrying_value(text(&answer["id"]), "2027-06-30").await;
    assert_figures(&value, json!({"carrying_amount": "1000000.00", "status": "tied"}));
}

async fn a_treatment_without_use_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let opening = json!({"date": "2027-03-31", "principal": "1000000.00", "premium_discount": "120000.00",
        "issue_costs": "0.00", "interest_payable": "20000.00"});
    for changes in [
        json!({"conversion": null}),
        json!({"proceeds": "1000000.00"}),
        json!({"proceeds": "1040000.00", "redemption_price": "105"}),
        json!({"proceeds": null, "opening_balance": opening}),
    ] {
        for treatment in ["liability", "paid_in_capital"] {
            let mut body = issue_at("1200000.00", json!({"premium_treatment": treatment}));
            change(&mut body, changes.clone());
            service.post(ISSUES, &body).await.refused_at("invalid_field", "/premium_treatment");
        }
    }
    let wrong = issue_at("1200000.00", json!({"premium_treatment": "equity"}));
    service.post(ISSUES, &wrong).await.problem(422, "invalid_field");
    let ifrs = json!({"code": "IFRSCO", "name": "Ifrsco plc", "functional_currency": "USD", "framework": "ifrs",
        "fiscal_year_end": "12-31"});
    service.post("/v1/entities", &ifrs).await.created();
    let body = issue_at(
        "1200000.00",
        json!({"entity": "IFRSCO", "straight_debt_rate": "0.09", "premium_treatment": "liability"}),
    );
    let detail = service.post(ISSUES, &body).await.refused_at("invalid_field", "/premium_treatment");
    assert!(detail.contains("IAS 32.28"), "{detail}");
}
