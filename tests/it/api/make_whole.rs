//! Additional shares of a make-whole table, and adjustments that are carried forward.

use serde_json::{Value, json};

use super::conversions::last_batch;
use crate::support::client::{ISSUES, Service, assert_figures, on, on_both_engines, terms};
use crate::support::ledger::lines_of;

on_both_engines! {
    additional_shares_come_from_the_table_and_are_no_inducement
    the_table_moves_with_the_rate
    a_greatest_number_of_shares_limits_them
    a_table_that_contradicts_itself_is_refused
    small_adjustments_are_carried_forward_until_they_add_up
}

fn with_terms(changes: Value) -> Value {
    let mut conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01"});
    crate::support::client::change(&mut conversion, changes);
    json!({"conversion": conversion})
}

fn table() -> Value {
    json!({"share_prices": ["20", "25", "30"], "rows": [
        {"effective_date": "2025-01-15", "additional_shares": ["10", "5", "0"]},
        {"effective_date": "2026-01-15", "additional_shares": ["6", "3", "0"]},
        {"effective_date": "2030-01-15", "additional_shares": ["0", "0", "0"]}]})
}

fn conversion(event: &str, price: &str) -> Value {
    json!({"effective_date": "2025-07-20", "principal": "100000.00", "share_price": "22.50",
        "make_whole": {"effective_date": event, "share_price": price}})
}

/// On 16 July 2025, 182 of 365 days on, at 22.50: from 7.5 on the first date to 4.5 on the second it is 7.5 - 3 x 182 / 365 = 6.0041.
/// A hundred bonds get 2,600.41 shares.
async fn additional_shares_come_from_the_table_and_are_no_inducement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(with_terms(json!({"make_whole": table()}))).await;
    let answer = service.record(&issue, "conversions", conversion("2025-07-16", "22.50")).await;
    assert_figures(
        &answer["conversion"],
        json!({"additional_shares_per_denomination": "6.0041", "shares_issued": "2600", "cash_in_lieu": "9.23",
            "gain_loss": "0.00", "common_stock": "26.00"}),
    );
    let lines = lines_of(last_batch(&answer), "conversion");
    assert!(lines.iter().all(|(role, ..)| *role != "debt_conversion_expense"), "{lines:?}");
    for (event, price, additional) in [
        ("2025-01-15", "20", "10"),
        ("2025-01-15", "25", "5"),
        ("2025-01-15", "19.99", "0"),
        ("2025-01-15", "30", "0"),
        ("2025-01-15", "30.01", "0"),
    ] {
        let mut body = conversion(event, price);
        body["principal"] = json!("1000.00");
        let answer = service.record(&issue, "conversions", body).await;
        assert_eq!(answer["conversion"]["additional_shares_per_denomination"], json!(additional), "{event} {price}");
    }
    // Without an event there are none.
    let plain = json!({"effective_date": "2025-07-20", "principal": "1000.00"});
    let answer = service.record(&issue, "conversions", plain).await;
    assert_figures(&answer["conversion"], json!({"shares_issued": "20", "additional_shares_per_denomination": null}));
    let late = conversion("2025-07-21", "22.50");
    service.post(&on(&issue, "conversions"), &late).await.refused_at("invalid_field", "/make_whole/effective_date");
    let early = conversion("2025-01-14", "22.50");
    service.post(&on(&issue, "conversions"), &early).await.refused_at("invalid_field", "/make_whole/effective_date");
    let free = conversion("2025-07-16", "0");
    service.post(&on(&issue, "conversions"), &free).await.refused_at("invalid_field", "/make_whole/share_price");
    let bare = service.issue(json!({"reference": "CB-2"})).await;
    let body = conversion("2025-07-16", "22.50");
    service.post(&on(&bare, "conversions"), &body).await.refused_at("invalid_field", "/make_whole");
}

/// After two shares for one, 11.25 is what 22.50 was, and the additional shares are twice 6.0041096, to four decimals.
async fn the_table_moves_with_the_rate(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(with_terms(json!({"make_whole": table()}))).await;
    let split = json!({"effective_date": "2025-07-01", "reason": "split", "shares_before": "1", "shares_after": "2",
        "share_par_value": "0.005"});
    service.record(&issue, "rate-adjustments", split).await;
    let answer = service.record(&issue, "conversions", conversion("2025-07-16", "11.25")).await;
    assert_figures(
        &answer["conversion"],
        json!({"additional_shares_per_denomination": "12.0082", "shares_issued": "5200"}),
    );
}

async fn a_greatest_number_of_shares_limits_them(service: Service) {
    service.mapped_entity("ACME").await;
    let mut limited = table();
    limited["most_shares_per_denomination"] = json!("25");
    let issue = service.issue(with_terms(json!({"make_whole": limited}))).await;
    let answer = service.record(&issue, "conversions", conversion("2025-07-16", "22.50")).await;
    assert_figures(&answer["conversion"], json!({"additional_shares_per_denomination": "5", "shares_issued": "2500"}));
}

async fn a_table_that_contradicts_itself_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let row = |date: &str, shares: Value| json!({"effective_date": date, "additional_shares": shares});
    for (changed, pointer) in [
        (json!({"share_prices": []}), "/conversion/make_whole/rows"),
        (json!({"share_prices": ["25", "20", "30"]}), "/conversion/make_whole/share_prices"),
        (json!({"share_prices": ["0", "20", "30"]}), "/conversion/make_whole/share_prices"),
        (
            json!({"rows": [row("2026-01-15", json!(["1", "1", "1"])), row("2025-01-15", json!(["1", "1", "1"]))]}),
            "/conversion/make_whole/rows",
        ),
        (json!({"rows": [row("2025-01-15", json!(["1", "1"]))]}), "/conversion/make_whole/rows"),
        (json!({"rows": [row("2025-01-15", json!(["1", "-1", "0"]))]}), "/conversion/make_whole/rows"),
        (json!({"most_shares_per_denomination": "19"}), "/conversion/make_whole/most_shares_per_denomination"),
    ] {
        let mut wrong = table();
        crate::support::client::change(&mut wrong, changed);
        let body = terms(with_terms(json!({"make_whole": wrong})));
        service.post(ISSUES, &body).await.refused_at("invalid_field", pointer);
    }
    let body = terms(with_terms(json!({"minimum_adjustment": "0.2"})));
    service.post(ISSUES, &body).await.refused_at("invalid_field", "/conversion/minimum_adjustment");
}

/// Dividends of 0.10 on 20.00: 20 x 20 / 19.90 = 20.1005, half a percent, carried; then 20.1005 x 20 / 19.90 = 20.2015, more than one.
async fn small_adjustments_are_carried_forward_until_they_add_up(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(with_terms(json!({"minimum_adjustment": "0.01"}))).await;
    let dividend = |date: &str| json!({"effective_date": date, "reason": "cash_dividend", "market_price": "20.00", "dividend_per_share": "0.10"});
    let answer = service.record(&issue, "rate-adjustments", dividend("2025-03-01")).await;
    assert_figures(
        &answer["rate_adjustment"],
        json!({"shares_per_denomination": "20", "carried_shares_per_denomination": "20.1005"}),
    );
    let convert = |date: &str| json!({"effective_date": date, "principal": "100000.00", "share_price": "20"});
    let before = service.record(&issue, "conversions", convert("2025-03-10")).await;
    assert_eq!(before["conversion"]["shares_issued"], json!("2000"));
    let answer = service.record(&issue, "rate-adjustments", dividend("2025-06-01")).await;
    assert_figures(
        &answer["rate_adjustment"],
        json!({"shares_per_denomination_before": "20", "shares_per_denomination": "20.2015",
            "carried_shares_per_denomination": null}),
    );
    let after = service.record(&issue, "conversions", convert("2025-06-10")).await;
    assert_eq!(after["conversion"]["shares_issued"], json!("2020"));
    // Without a least adjustment in the terms each counts.
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let answer = service.record(&other, "rate-adjustments", dividend("2025-03-01")).await;
    assert_eq!(answer["rate_adjustment"]["shares_per_denomination"], json!("20.1005"));
}
