//! Inducements that are accepted in one request and settled in another.

use serde_json::{Value, json};

use super::conversions::last_batch;
use super::inducements::all_met;
use crate::support::client::{Service, array, assert_fields, on, on_both_engines, text};
use crate::support::ledger::{lines, lines_of};

on_both_engines! {
    an_acceptance_records_the_expense_alone_and_moves_no_principal
    a_settlement_takes_its_offer_from_the_acceptance
    an_acceptance_is_settled_once
    open_acceptances_do_not_exceed_what_is_outstanding
    only_an_acceptance_of_this_issue_can_be_settled
    a_failed_criterion_cannot_wait_for_its_settlement
}

async fn accept(service: &Service, issue: &str) -> Value {
    let body = json!({"acceptance_date": "2025-02-10", "principal": "100000.00", "cash": "2500.00",
        "other_consideration": {"description": "Warrants", "fair_value": "1000.00"}, "criteria": all_met()});
    service.record(issue, "inducements", body).await
}

async fn an_acceptance_records_the_expense_alone_and_moves_no_principal(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = accept(&service, &issue).await;
    assert_fields(&answer, "event position_before position_after inducement journal_batches");
    assert_eq!(answer["position_before"], answer["position_after"]);
    assert_eq!(
        answer["inducement"],
        json!({"expense": "3500.00", "fair_value_transferred": null, "fair_value_existing_terms": null,
            "accounting": "induced_conversion"})
    );
    let batches = array(&answer["journal_batches"]);
    assert_eq!((batches.len(), &batches[0]["posting_date"]), (1, &json!("2025-02-10")));
    let expected = [("debt_conversion_expense", "debit", "3500.00"), ("accrued_inducement", "credit", "3500.00")];
    assert_eq!(lines(&batches[0]), expected);
    let value = service.carrying_value(&issue, "2025-02-28").await;
    assert_eq!((&value["principal"], &value["status"]), (&json!("1000000.00"), &json!("tied")));
}

/// Accepted on 2025-02-10, converted on 2025-04-15: 1,500 of interest is forfeited, and what was owed is given.
async fn a_settlement_takes_its_offer_from_the_acceptance(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let accepted = accept(&service, &issue).await;
    let acceptance = text(&accepted["event"]["id"]);
    let path = on(&issue, "inducements");
    for (field, value) in [
        ("cash", json!("1.00")),
        ("principal", json!("100000.00")),
        ("acceptance_date", json!("2025-02-10")),
        ("new_shares_per_denomination", json!("25")),
    ] {
        let mut body = json!({"acceptance": acceptance, "effective_date": "2025-04-15"});
        body[field] = value;
        service.post(&path, &body).await.refused_at("invalid_field", &format!("/{field}"));
    }
    let undated = json!({"acceptance": acceptance});
    service.post(&path, &undated).await.refused_at("invalid_field", "/effective_date");
    let early = json!({"acceptance": acceptance, "effective_date": "2025-02-09"});
    service.post(&path, &early).await.refused_at("invalid_field", "/effective_date");

    let settle = json!({"acceptance": acceptance, "effective_date": "2025-04-15"});
    let answer = service.record(&issue, "inducements", settle).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("interest_payable", "debit", "1500.00"),
        ("accrued_inducement", "debit", "3500.00"),
        ("common_stock", "credit", "20.00"),
        ("additional_paid_in_capital", "credit", "101480.00"),
        ("cash", "credit", "2500.00"),
        ("cash", "credit", "1000.00"),
    ];
    assert_eq!(lines_of(last_batch(&answer), "conversion"), expected);
    assert_eq!(answer["inducement"], accepted["inducement"]);
    assert_eq!(answer["conversion"]["shares_issued"], json!("2000"));
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-04-15").await;
    let of = |role: &str| {
        let row = array(&balance["rows"]).iter().find(|row| row["account_role"] == json!(role));
        row.map(|row| row["balance"].clone())
    };
    assert_eq!(of("accrued_inducement"), Some(json!("0.00")));
    assert_eq!(of("debt_conversion_expense"), Some(json!("3500.00")));
}

async fn an_acceptance_is_settled_once(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let accepted = accept(&service, &issue).await;
    let acceptance = text(&accepted["event"]["id"]);
    let settle = json!({"acceptance": acceptance, "effective_date": "2025-04-15"});
    service.record(&issue, "inducements", settle.clone()).await;
    let again = service.post(&on(&issue, "inducements"), &settle).await;
    let detail = again.conflict("acceptance_already_settled");
    assert!(detail.contains(acceptance), "{detail}");
    assert_eq!(service.carrying_value(&issue, "2025-04-15").await["principal"], json!("900000.00"));
}

async fn only_an_acceptance_of_this_issue_can_be_settled(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let accepted = accept(&service, &other).await;
    let conversion = json!({"effective_date": "2025-02-10", "principal": "1000.00"});
    let converted = service.record(&issue, "conversions", conversion).await;
    for acceptance in [&accepted["event"]["id"], &converted["event"]["id"], &json!("nonsense")] {
        let body = json!({"acceptance": acceptance, "effective_date": "2025-04-15"});
        service.post(&on(&issue, "inducements"), &body).await.refused_at("invalid_field", "/acceptance");
    }
}

async fn a_failed_criterion_cannot_wait_for_its_settlement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let mut criteria = all_met();
    criteria["limited_time"] = json!(false);
    let body = json!({"acceptance_date": "2025-02-10", "principal": "100000.00", "cash": "2500.00",
        "criteria": criteria});
    service.post(&on(&issue, "inducements"), &body).await.refused_at("invalid_field", "/effective_date");
}

/// Of 1,000,000 outstanding, 100,000 is accepted and waits: 950,000 more cannot be.
async fn open_acceptances_do_not_exceed_what_is_outstanding(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    accept(&service, &issue).await;
    let more = |principal: &str| json!({"acceptance_date": "2025-02-11", "principal": principal, "cash": "1.00", "criteria": all_met()});
    let refused = service.post(&on(&issue, "inducements"), &more("950000.00")).await;
    let detail = refused.conflict("exceeds_outstanding");
    assert!(detail.contains("900000.00"), "{detail}");
    service.record(&issue, "inducements", more("900000.00")).await;
}
