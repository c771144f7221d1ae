//! The criteria of ASC 470-20-40-13: which terms an offer is compared with, and what becomes of one that fails.

use serde_json::{Value, json};

use super::conversions::last_batch;
use super::inducements::all_met;
use crate::support::client::{Service, array, assert_figures, on, on_both_engines, text};
use crate::support::ledger::lines_of;

on_both_engines! {
    an_offer_after_a_voluntary_change_is_compared_with_the_terms_a_year_before
    terms_that_are_not_on_record_can_be_stated
    before_the_amendment_all_shares_of_the_original_terms_are_issued
    an_acceptance_that_fails_at_settlement_is_an_extinguishment_and_its_expense_is_taken_back
    the_answer_shows_what_the_other_accounting_would_be
}

fn offer(changes: Value) -> Value {
    let mut offer = json!({"acceptance_date": "2025-06-01", "effective_date": "2025-06-01", "principal": "100000.00",
        "acceptance_share_price": "55", "share_price": "55", "cash": "500.00", "criteria": all_met()});
    crate::support::client::change(&mut offer, changes);
    offer
}

/// The rate of 20 was raised to 22 three months before, which the terms did not ask for, and doubled by a split since: the terms of one
/// year before, or of the issuance as it is later, come to 40.
async fn an_offer_after_a_voluntary_change_is_compared_with_the_terms_a_year_before(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let first = service.record(&issue, "inducements", offer(json!({}))).await;
    assert_eq!(first["inducement"].get("compared_terms"), None, "nothing was changed yet");
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let raise = json!({"effective_date": "2025-03-01", "reason": "voluntary", "shares_per_denomination": "22"});
    service.record(&other, "rate-adjustments", raise).await;
    let split = json!({"effective_date": "2025-04-01", "reason": "split", "shares_before": "1", "shares_after": "2"});
    service.record(&other, "rate-adjustments", split).await;
    let answer = service.record(&other, "inducements", offer(json!({}))).await;
    assert_figures(&answer["inducement"], json!({"accounting": "induced_conversion", "expense": "500.00"}));
    assert_eq!(
        answer["inducement"]["compared_terms"],
        json!({"terms_as_of": "2025-01-15", "shares_per_denomination": "40", "offered_shares_per_denomination": "44"})
    );
    let less = offer(json!({"new_shares_per_denomination": "39", "cash": "50000.00"}));
    let answer = service.record(&other, "inducements", less).await;
    assert_figures(
        &answer["inducement"],
        json!({"accounting": "extinguishment", "unmet_criteria": ["shares_of_compared_terms"]}),
    );
    // More than a year after the change the existing terms are those that count.
    let later = offer(json!({"acceptance_date": "2026-03-02", "effective_date": "2026-03-02"}));
    let answer = service.record(&other, "inducements", later).await;
    assert_eq!(answer["inducement"].get("compared_terms"), None);
}

async fn terms_that_are_not_on_record_can_be_stated(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let mut criteria = all_met();
    criteria["shares_per_denomination_one_year_before"] = json!("25");
    let answer = service.record(&issue, "inducements", offer(json!({"criteria": criteria}))).await;
    assert_figures(
        &answer["inducement"],
        json!({"accounting": "extinguishment", "unmet_criteria": ["shares_of_compared_terms"]}),
    );
    assert_eq!(answer["inducement"]["compared_terms"]["shares_per_denomination"], json!("25"));
}

async fn before_the_amendment_all_shares_of_the_original_terms_are_issued(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let criteria = json!({"standard": "before_asu_2024_04", "limited_time": true, "preserves_form_and_amount": true,
        "substantive_at_issuance": false, "substantive_at_acceptance": false});
    let answer = service.record(&issue, "inducements", offer(json!({"criteria": criteria}))).await;
    assert_figures(&answer["inducement"], json!({"accounting": "induced_conversion"}));
    let less = offer(json!({"criteria": criteria, "new_shares_per_denomination": "18", "cash": "20000.00"}));
    let answer = service.record(&issue, "inducements", less).await;
    assert_figures(
        &answer["inducement"],
        json!({"accounting": "extinguishment", "unmet_criteria": ["shares_of_compared_terms"]}),
    );
    let mut amended = criteria.clone();
    amended["standard"] = json!("asu_2024_04");
    let answer = service.record(&issue, "inducements", offer(json!({"criteria": amended}))).await;
    assert_eq!(answer["inducement"]["unmet_criteria"], json!(["substantive_at_issuance", "substantive_at_acceptance"]));
    let mut unknown = criteria;
    unknown["standard"] = json!("ifrs");
    let refused = service.post(&on(&issue, "inducements"), &offer(json!({"criteria": unknown}))).await;
    refused.refused_at("invalid_field", "/criteria/standard");
}

/// 2,000 shares at 55, 2,500 of cash and 1,000 of warrants against 100,000 with 1,500 of unpaid interest: a loss of 12,000.
async fn an_acceptance_that_fails_at_settlement_is_an_extinguishment_and_its_expense_is_taken_back(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"acceptance_date": "2025-02-10", "principal": "100000.00", "cash": "2500.00",
        "other_consideration": {"description": "Warrants", "fair_value": "1000.00"}, "criteria": all_met()});
    let accepted = service.record(&issue, "inducements", body).await;
    assert_eq!(accepted["inducement"]["expense"], json!("3500.00"));
    let mut criteria = all_met();
    criteria["substantive_at_acceptance"] = json!(false);
    let mut settle =
        json!({"acceptance": accepted["event"]["id"], "effective_date": "2025-04-15", "criteria": criteria});
    service.post(&on(&issue, "inducements"), &settle).await.refused_at("invalid_field", "/share_price");
    settle["share_price"] = json!("55");
    let answer = service.record(&issue, "inducements", settle).await;
    assert_figures(
        &answer["inducement"],
        json!({"accounting": "extinguishment", "unmet_criteria": ["substantive_at_acceptance"],
            "extinguishment_gain_loss": "-12000.00"}),
    );
    assert_eq!(answer["conversion"]["gain_loss"], json!("-12000.00"));
    let lines = lines_of(last_batch(&answer), "inducement");
    for line in [
        ("accrued_inducement", "debit", "3500.00"),
        ("debt_conversion_expense", "credit", "3500.00"),
        ("loss_on_extinguishment", "debit", "12000.00"),
        ("cash", "credit", "2500.00"),
        ("cash", "credit", "1000.00"),
    ] {
        assert!(lines.contains(&line), "{line:?} is not in {lines:?}");
    }
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-04-15").await;
    let of = |role: &str| {
        let row = array(&balance["rows"]).iter().find(|row| row["account_role"] == json!(role));
        text(&row.expect("a row")["balance"]).to_owned()
    };
    assert_eq!((of("accrued_inducement"), of("debt_conversion_expense")), ("0.00".to_owned(), "0.00".to_owned()));
    assert_eq!(service.carrying_value(&issue, "2025-04-15").await["status"], json!("tied"));
}

/// 100,000 with 2,266.67 of interest (136 of 180 days) against 110,000 of shares and 500: it would have been a loss of 8,233.33.
async fn the_answer_shows_what_the_other_accounting_would_be(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "inducements", offer(json!({}))).await;
    assert_figures(
        &answer["inducement"],
        json!({"accounting": "induced_conversion", "expense": "500.00", "extinguishment_gain_loss": "-8233.33"}),
    );
    assert_eq!(answer["conversion"]["gain_loss"], json!("0.00"));
}
