//! Induced conversions, accepted and settled in one request.

use serde_json::{Value, json};

use super::conversions::{last_batch, textbook};
use crate::support::client::{Service, array, assert_fields, assert_figures, on, on_both_engines};
use crate::support::ledger::{lines, lines_of};

on_both_engines! {
    more_shares_are_an_expense_at_their_fair_value
    the_expense_stands_though_the_bonds_trade_below_their_face
    accepted_and_settled_on_two_dates_makes_two_batches
    a_mix_of_shares_cash_and_other_consideration_adds_up
    a_failed_criterion_makes_an_extinguishment
    an_extinguishment_can_be_a_gain
    a_price_is_required_when_shares_change
    an_offer_that_gives_nothing_more_is_none
}

/// The answers that make an induced conversion.
pub fn all_met() -> Value {
    json!({"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
        "substantive_at_acceptance": true})
}

/// The bond of the published examples: 1,000 into 40 shares without par value, with the coupon of 2026-01-01 paid.
async fn published_bond(service: &Service, coupon_rate: &str) -> String {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(textbook(json!({"principal": "1000.00", "proceeds": "1000.00", "coupon_rate": coupon_rate,
            "conversion": {"shares_per_denomination": "40", "no_par": true}})))
        .await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-01-01"})).await;
    issue
}

/// US-01 (FAS 84 appendix A, example 1): 50 instead of 40 shares at 40. The figures are recalled from memory; dates are assumed.
async fn more_shares_are_an_expense_at_their_fair_value(service: Service) {
    let issue = published_bond(&service, "0.10").await;
    let body = json!({"acceptance_date": "2026-01-01", "effective_date": "2026-01-01", "principal": "1000.00",
        "new_shares_per_denomination": "50", "acceptance_share_price": "40", "criteria": all_met()});
    let answer = service.record(&issue, "inducements", body).await;
    assert_fields(&answer, "event position_before position_after inducement conversion journal_batches");
    assert_eq!(
        answer["inducement"],
        json!({"expense": "400.00", "fair_value_transferred": "2000.00", "fair_value_existing_terms": "1600.00",
            "accounting": "induced_conversion"})
    );
    assert_eq!(array(&answer["journal_batches"]).len(), 1, "one date, one batch");
    let batch = last_batch(&answer);
    let expense = [("debt_conversion_expense", "debit", "400.00"), ("additional_paid_in_capital", "credit", "400.00")];
    assert_eq!(lines_of(batch, "inducement"), expense);
    let conversion = [("bonds_payable", "debit", "1000.00"), ("common_stock", "credit", "1000.00")];
    assert_eq!(lines_of(batch, "conversion"), conversion);
    assert_figures(&answer["conversion"], json!({"shares_issued": "50", "gain_loss": "0.00"}));
    assert_eq!(answer["event"]["kind"], json!("inducement"));
}

/// US-02 (FAS 84 appendix A, example 2): the same at 12. Recalled from memory.
async fn the_expense_stands_though_the_bonds_trade_below_their_face(service: Service) {
    let issue = published_bond(&service, "0.04").await;
    let body = json!({"acceptance_date": "2026-01-01", "effective_date": "2026-01-01", "principal": "1000.00",
        "new_shares_per_denomination": "50", "acceptance_share_price": "12", "criteria": all_met()});
    let answer = service.record(&issue, "inducements", body).await;
    assert_figures(
        &answer["inducement"],
        json!({"expense": "120.00", "fair_value_transferred": "600.00", "fair_value_existing_terms": "480.00"}),
    );
    let expected = [
        ("debt_conversion_expense", "debit", "120.00"),
        ("additional_paid_in_capital", "credit", "120.00"),
        ("bonds_payable", "debit", "1000.00"),
        ("common_stock", "credit", "1000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_eq!(last_batch(&answer)["statement_effects"]["net_income"], json!("-120.00"));
}

/// Ten days' interest of 30/360 at 10% on 1,000 is 2.78, forfeited to capital.
async fn accepted_and_settled_on_two_dates_makes_two_batches(service: Service) {
    let issue = published_bond(&service, "0.10").await;
    let body = json!({"acceptance_date": "2026-01-01", "effective_date": "2026-01-11", "principal": "1000.00",
        "cash": "60.00", "criteria": all_met()});
    let answer = service.record(&issue, "inducements", body).await;
    let batches = array(&answer["journal_batches"]);
    let dates: Vec<_> = batches.iter().map(|batch| batch["posting_date"].clone()).collect();
    assert_eq!(dates, ["2026-01-01", "2026-01-11"]);
    let accepted = [("debt_conversion_expense", "debit", "60.00"), ("accrued_inducement", "credit", "60.00")];
    assert_eq!(lines(&batches[0]), accepted);
    let settled = [
        ("bonds_payable", "debit", "1000.00"),
        ("interest_payable", "debit", "2.78"),
        ("accrued_inducement", "debit", "60.00"),
        ("common_stock", "credit", "1002.78"),
        ("cash", "credit", "60.00"),
    ];
    assert_eq!(lines_of(&batches[1], "conversion"), settled);
    assert_eq!(answer["inducement"]["fair_value_transferred"], Value::Null);
    assert_eq!(answer["event"]["effective_date"], json!("2026-01-11"));
}

/// 100 bonds: 2,100 shares for 2,000, at 30.005 is 63,010.50 against 60,010.00; with 500 and 250.25 the expense is 3,750.75.
async fn a_mix_of_shares_cash_and_other_consideration_adds_up(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"acceptance_date": "2025-01-15", "effective_date": "2025-01-15", "principal": "100000.00",
        "new_shares_per_denomination": "21", "acceptance_share_price": "30.005", "cash": "500.00",
        "other_consideration": {"description": "Warrants", "fair_value": "250.25"}, "criteria": all_met()});
    let answer = service.record(&issue, "inducements", body).await;
    assert_figures(
        &answer["inducement"],
        json!({"expense": "3750.75", "fair_value_transferred": "63760.75", "fair_value_existing_terms": "60010.00"}),
    );
    let batch = last_batch(&answer);
    let accepted = [
        ("debt_conversion_expense", "debit", "3750.75"),
        ("accrued_inducement", "credit", "750.25"),
        ("additional_paid_in_capital", "credit", "3000.50"),
    ];
    assert_eq!(lines_of(batch, "inducement"), accepted);
    let settled = [
        ("bonds_payable", "debit", "100000.00"),
        ("accrued_inducement", "debit", "750.25"),
        ("common_stock", "credit", "21.00"),
        ("additional_paid_in_capital", "credit", "99979.00"),
        ("cash", "credit", "500.00"),
        ("cash", "credit", "250.25"),
    ];
    assert_eq!(lines_of(batch, "conversion"), settled);
}

fn failing(criterion: &str, share_price: &str) -> Value {
    let mut criteria = all_met();
    criteria[criterion] = json!(false);
    json!({"acceptance_date": "2025-01-15", "effective_date": "2025-01-15", "principal": "100000.00",
        "new_shares_per_denomination": "25", "acceptance_share_price": share_price, "share_price": share_price,
        "criteria": criteria})
}

/// 2,500 shares at 45 are 112,500 for bonds of 100,000: a loss of 12,500, and no conversion expense.
async fn a_failed_criterion_makes_an_extinguishment(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for criterion in
        ["limited_time", "preserves_form_and_amount", "substantive_at_issuance", "substantive_at_acceptance"]
    {
        let answer = service.record(&issue, "inducements", failing(criterion, "45")).await;
        assert_eq!(answer["inducement"]["accounting"], json!("extinguishment"), "{criterion}");
        assert_eq!(answer["conversion"]["gain_loss"], json!("-12500.00"));
        let mut found = lines(last_batch(&answer));
        found.sort_unstable();
        let expected = [
            ("additional_paid_in_capital", "credit", "112475.00"),
            ("bonds_payable", "debit", "100000.00"),
            ("common_stock", "credit", "25.00"),
            ("loss_on_extinguishment", "debit", "12500.00"),
        ];
        assert_eq!(found, expected, "{criterion}");
    }
    let mut unpriced = failing("limited_time", "45");
    unpriced.as_object_mut().expect("an object").remove("share_price");
    service.post(&on(&issue, "inducements"), &unpriced).await.refused_at("invalid_field", "/share_price");
}

/// 2,500 shares at 32 are 80,000 for bonds of 100,000 on which 1,500 of interest is forfeited: a gain of 21,500.
async fn an_extinguishment_can_be_a_gain(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let mut body = failing("limited_time", "32");
    body["acceptance_date"] = json!("2025-04-15");
    body["effective_date"] = json!("2025-04-15");
    let answer = service.record(&issue, "inducements", body).await;
    assert_eq!(answer["conversion"]["gain_loss"], json!("21500.00"));
    let mut found = lines_of(last_batch(&answer), "inducement");
    found.sort_unstable();
    let expected = [
        ("additional_paid_in_capital", "credit", "79975.00"),
        ("bonds_payable", "debit", "100000.00"),
        ("common_stock", "credit", "25.00"),
        ("gain_on_extinguishment", "credit", "21500.00"),
        ("interest_payable", "debit", "1500.00"),
    ];
    assert_eq!(found, expected);
}

async fn a_price_is_required_when_shares_change(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"acceptance_date": "2025-01-15", "effective_date": "2025-01-15", "principal": "100000.00",
        "new_shares_per_denomination": "25", "criteria": all_met()});
    let refused = service.post(&on(&issue, "inducements"), &body).await;
    refused.refused_at("invalid_field", "/acceptance_share_price");
    for missing in ["acceptance_date", "principal", "criteria"] {
        let mut body = body.clone();
        body["acceptance_share_price"] = json!("30");
        body.as_object_mut().expect("an object").remove(missing);
        let refused = service.post(&on(&issue, "inducements"), &body).await;
        refused.refused_at("invalid_field", &format!("/{missing}"));
    }
}

async fn an_offer_that_gives_nothing_more_is_none(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let offer = |changes: Value| {
        let mut body = json!({"acceptance_date": "2025-01-15", "effective_date": "2025-01-15",
            "principal": "100000.00", "criteria": all_met()});
        crate::support::client::change(&mut body, changes);
        body
    };
    let path = on(&issue, "inducements");
    service.post(&path, &offer(json!({}))).await.refused_at("invalid_field", "/cash");
    service.post(&path, &offer(json!({"cash": "-1.00"}))).await.refused_at("invalid_field", "/cash");
    let fewer = offer(json!({"new_shares_per_denomination": "19", "acceptance_share_price": "30"}));
    service.post(&path, &fewer).await.refused_at("invalid_field", "/criteria/preserves_form_and_amount");
    let late = offer(json!({"cash": "1.00", "acceptance_date": "2025-01-16"}));
    service.post(&path, &late).await.refused_at("invalid_field", "/effective_date");
}
