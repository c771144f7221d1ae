//! What holders get at conversion: fractions of shares, cash, and both.

use serde_json::json;

use super::conversions::{last_batch, textbook};
use crate::support::client::{Service, assert_figures, on, on_both_engines};
use crate::support::ledger::lines;

on_both_engines! {
    a_fraction_of_a_share_is_paid_in_cash_or_dropped
    a_cash_settlement_may_exceed_the_carrying_amount
    a_combination_gives_cash_and_the_rest_in_shares
    cash_above_the_carrying_amount_reduces_capital_without_a_loss
    figures_that_contradict_the_settlement_are_refused
    an_observation_period_settles_a_part_a_day
    days_that_cannot_be_observed_are_refused
}

/// 3 bonds x 20.55 are 61.65 shares; 0.65 x 45.50 is 29.575, rounded away from zero.
async fn a_fraction_of_a_share_is_paid_in_cash_or_dropped(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20.55", "share_par_value": "0.01"});
    let issue = service.issue(json!({"conversion": conversion})).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "3000.00"});
    let refused = service.post(&on(&issue, "conversions"), &body).await;
    let detail = refused.refused_at("share_price_required", "/share_price");
    assert!(detail.contains("61.65") && detail.contains("round_down"), "{detail}");

    let mut priced = body.clone();
    priced["share_price"] = json!("45.50");
    let answer = service.record(&issue, "conversions", priced).await;
    let expected = [
        ("bonds_payable", "debit", "3000.00"),
        ("cash", "credit", "29.58"),
        ("common_stock", "credit", "0.61"),
        ("additional_paid_in_capital", "credit", "2969.81"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_figures(&answer["conversion"], json!({"shares_issued": "61", "cash_in_lieu": "29.58", "cash": "0.00"}));

    let mut dropped = body;
    dropped["fractional_shares"] = json!("round_down");
    let answer = service.record(&issue, "conversions", dropped).await;
    let expected = [
        ("bonds_payable", "debit", "3000.00"),
        ("common_stock", "credit", "0.61"),
        ("additional_paid_in_capital", "credit", "2999.39"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_figures(&answer["conversion"], json!({"shares_issued": "61", "cash_in_lieu": "0.00"}));
}

/// 2,000 shares at 52.50 are 105,000 for bonds of 100,000, stated or computed.
async fn a_cash_settlement_may_exceed_the_carrying_amount(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("additional_paid_in_capital", "debit", "5000.00"),
        ("cash", "credit", "105000.00"),
    ];
    for settled in [
        json!({"effective_date": "2025-01-15", "principal": "100000.00",
            "settlement": {"type": "cash", "cash": "105000.00"}}),
        json!({"effective_date": "2025-01-15", "principal": "100000.00", "share_price": "52.50",
            "settlement": {"type": "cash"}}),
    ] {
        let answer = service.record(&issue, "conversions", settled).await;
        assert_eq!(lines(last_batch(&answer)), expected);
        assert_figures(
            &answer["conversion"],
            json!({"shares_issued": "0", "cash": "105000.00", "common_stock": "0.00",
                "additional_paid_in_capital": "-5000.00", "gain_loss": "0.00"}),
        );
    }
}

/// Of 105,000 in value, 100,000 in cash leaves 5,000: 95 shares at 52.50 and 12.50 for the fraction.
async fn a_combination_gives_cash_and_the_rest_in_shares(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "combination"});
    let issue = service.issue(json!({"conversion": conversion})).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "100000.00", "share_price": "52.50",
        "settlement": {"type": "combination", "cash": "100000.00"}});
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("additional_paid_in_capital", "debit", "13.45"),
        ("cash", "credit", "100000.00"),
        ("cash", "credit", "12.50"),
        ("common_stock", "credit", "0.95"),
    ];
    let mut found = lines(last_batch(&answer));
    found.sort_by_key(|(role, side, _)| (*side != "debit", *role != "bonds_payable", *role));
    assert_eq!(found, expected);
    assert_figures(&answer["conversion"], json!({"shares_issued": "95", "cash_in_lieu": "12.50"}));

    // Terms that settle in a combination need to be told the cash.
    let bare = json!({"effective_date": "2025-01-15", "principal": "100000.00", "share_price": "52.50"});
    service.post(&on(&issue, "conversions"), &bare).await.refused_at("invalid_field", "/settlement/cash");
}

/// US-10 of the published checks: the rule was read (ASC 470-20-40-4), the figures are derived. Principal in cash and 5,000 shares for a
/// carrying amount of 985,000: the balance to capital is negative, and there is no loss.
async fn cash_above_the_carrying_amount_reduces_capital_without_a_loss(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(textbook(json!({"issue_costs": "15000.00"}))).await;
    let body = json!({"effective_date": "2025-01-01", "principal": "1000000.00",
        "settlement": {"type": "combination", "cash": "1000000.00", "shares": "5000"}});
    let answer = service.record(&issue, "conversions", body).await;
    let mut found = lines(last_batch(&answer));
    found.sort_unstable();
    let expected = [
        ("additional_paid_in_capital", "debit", "15050.00"),
        ("bonds_payable", "debit", "1000000.00"),
        ("cash", "credit", "1000000.00"),
        ("common_stock", "credit", "50.00"),
        ("debt_issue_costs", "credit", "15000.00"),
    ];
    assert_eq!(found, expected);
    assert_figures(
        &answer["conversion"],
        json!({"carrying_amount": "985000.00", "issue_costs": "-15000.00", "shares_issued": "5000",
            "additional_paid_in_capital": "-15050.00", "gain_loss": "0.00"}),
    );
}

async fn figures_that_contradict_the_settlement_are_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for (settlement, pointer) in [
        (json!({"type": "physical", "cash": "1.00"}), "/settlement"),
        (json!({"type": "cash", "cash": "1.00", "shares": "1"}), "/settlement/shares"),
        (json!({"type": "cash"}), "/settlement/cash"),
        (json!({"type": "cash", "cash": "-1.00"}), "/settlement/cash"),
        (json!({"type": "combination", "shares": "1"}), "/settlement/cash"),
        (json!({"type": "combination", "cash": "1.00"}), "/settlement/shares"),
        (json!({"type": "combination", "cash": "1.00", "shares": "-1"}), "/settlement/shares"),
    ] {
        let body = json!({"effective_date": "2025-01-15", "principal": "1000.00", "settlement": settlement});
        service.post(&on(&issue, "conversions"), &body).await.refused_at("invalid_field", pointer);
    }
}

/// 100 bonds of 20 shares over four days: at 40, 50, 60 and 50 they are worth 80,000, 100,000, 120,000 and 100,000. With 100,000 in
/// cash specified a quarter of 80,000 + 100,000 + 100,000 + 100,000 is cash; the third day leaves a quarter of 20,000 / 60 in shares.
async fn an_observation_period_settles_a_part_a_day(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "combination"});
    let issue = service.issue(json!({"conversion": conversion})).await;
    let days = json!([{"date": "2025-02-03", "price": "40"}, {"date": "2025-02-04", "price": "50"},
        {"date": "2025-02-05", "price": "60"}, {"date": "2025-02-06", "price": "50"}]);
    let mut body = json!({"effective_date": "2025-02-07", "principal": "100000.00", "daily_prices": days,
        "settlement": {"type": "combination", "cash": "100000.00"}});
    let answer = service.record(&issue, "conversions", body.clone()).await;
    // 83.333... shares: 83, and a third of one at the last day's 50.
    assert_figures(
        &answer["conversion"],
        json!({"shares_issued": "83", "cash": "95000.00", "cash_in_lieu": "16.67", "gain_loss": "0.00"}),
    );
    body["settlement"] = json!({"type": "cash"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_figures(&answer["conversion"], json!({"shares_issued": "0", "cash": "100000.00", "cash_in_lieu": "0.00"}));
}

async fn days_that_cannot_be_observed_are_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let day = |date: &str, price: &str| json!({"date": date, "price": price});
    let (first, second) = (day("2025-02-03", "40"), day("2025-02-04", "50"));
    let cash = json!({"type": "cash"});
    for (days, settlement, pointer) in [
        (json!([second, first]), &cash, "/daily_prices/1/date"),
        (json!([first, first]), &cash, "/daily_prices/1/date"),
        (json!([day("2025-02-03", "0")]), &cash, "/daily_prices/0/price"),
        (json!([first, day("2025-02-10", "50")]), &cash, "/effective_date"),
        (json!([first, second]), &json!({"type": "physical"}), "/daily_prices"),
        (json!([first, second]), &json!({"type": "cash", "cash": "5.00"}), "/settlement/cash"),
        (json!([first, second]), &json!({"type": "combination"}), "/settlement/cash"),
        (json!([first, second]), &json!({"type": "combination", "cash": "5.00", "shares": "1"}), "/settlement/shares"),
    ] {
        let body = json!({"effective_date": "2025-02-07", "principal": "100000.00", "daily_prices": days,
            "settlement": settlement});
        let detail = service.post(&on(&issue, "conversions"), &body).await.refused_at("invalid_field", pointer);
        assert!(detail.len() > 25, "{detail}");
    }
}
