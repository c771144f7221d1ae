//! Conversions by the market value method, and with treasury shares. Both are common practice; the figures are worked by hand.

use serde_json::json;

use super::conversions::last_batch;
use crate::support::client::{Service, array, assert_figures, change, on, on_both_engines};
use crate::support::ledger::lines;

on_both_engines! {
    shares_at_market_value_leave_a_gain_or_loss
    treasury_shares_leave_at_their_cost
    the_policy_and_the_cost_must_be_stated
}

/// 100,000 of bonds at par for 2,000 shares: at 52.00 they are worth 104,000, at 45.00 they are worth 90,000.
async fn shares_at_market_value_leave_a_gain_or_loss(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let mut body = json!({"effective_date": "2025-01-15", "principal": "100000.00", "share_price": "52.00",
        "method": "market_value", "policy_basis": "Accounting manual 4.2: conversion after the terms were amended"});
    let answer = service.record(&issue, "conversions", body.clone()).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("loss_on_extinguishment", "debit", "4000.00"),
        ("common_stock", "credit", "20.00"),
        ("additional_paid_in_capital", "credit", "103980.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_figures(
        &answer["conversion"],
        json!({"common_stock": "20.00", "treasury_stock": "0.00", "additional_paid_in_capital": "103980.00",
            "gain_loss": "-4000.00"}),
    );
    let stated = array(&last_batch(&answer)["entries"][0]["lines"]).iter();
    let figures = |line: &serde_json::Value| line["derivation"]["figures"]["policy_basis"].clone();
    assert!(stated.map(figures).any(|basis| basis == body["policy_basis"]), "{answer}");

    change(&mut body, json!({"share_price": "45.00"}));
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("common_stock", "credit", "20.00"),
        ("additional_paid_in_capital", "credit", "89980.00"),
        ("gain_on_extinguishment", "credit", "10000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_eq!(service.carrying_value(&issue, "2025-01-15").await["status"], json!("tied"));
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31").await;
    let found = array(&report["total"]).iter().find(|line| line["movement"] == json!("conversion"));
    assert_figures(
        found.expect("a line"),
        json!({"principal": "-200000.00", "gain_loss": "6000.00", "shares": "4000"}),
    );
}

/// 2,000 treasury shares for 100,000 of bonds: at a cost of 30 paid-in capital takes the rest, at 60 it gives it.
async fn treasury_shares_leave_at_their_cost(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = |cost: &str| {
        json!({"effective_date": "2025-01-15", "principal": "100000.00", "settled_with": "treasury_shares",
            "treasury_cost_per_share": cost})
    };
    let answer = service.record(&issue, "conversions", body("30")).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("treasury_stock", "credit", "60000.00"),
        ("additional_paid_in_capital", "credit", "40000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_figures(
        &answer["conversion"],
        json!({"common_stock": "0.00", "treasury_stock": "60000.00", "gain_loss": "0.00"}),
    );

    let answer = service.record(&issue, "conversions", body("60")).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("additional_paid_in_capital", "debit", "20000.00"),
        ("treasury_stock", "credit", "120000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);

    let mut both = body("60");
    change(&mut both, json!({"method": "market_value", "policy_basis": "Accounting manual 4.2", "share_price": "52"}));
    let answer = service.record(&issue, "conversions", both).await;
    let expected = [
        ("bonds_payable", "debit", "100000.00"),
        ("additional_paid_in_capital", "debit", "16000.00"),
        ("loss_on_extinguishment", "debit", "4000.00"),
        ("treasury_stock", "credit", "120000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
}

async fn the_policy_and_the_cost_must_be_stated(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let before = service.batches().await.len();
    for (changes, pointer) in [
        (json!({"method": "market_value", "share_price": "52"}), "/policy_basis"),
        (json!({"method": "market_value", "share_price": "52", "policy_basis": " "}), "/policy_basis"),
        (json!({"method": "market_value", "policy_basis": "Accounting manual 4.2"}), "/share_price"),
        (json!({"policy_basis": "Accounting manual 4.2"}), "/policy_basis"),
        (json!({"settled_with": "treasury_shares"}), "/treasury_cost_per_share"),
        (json!({"treasury_cost_per_share": "30"}), "/treasury_cost_per_share"),
        (json!({"settled_with": "treasury_shares", "treasury_cost_per_share": "-30"}), "/treasury_cost_per_share"),
    ] {
        let mut body = json!({"effective_date": "2025-01-15", "principal": "100000.00"});
        change(&mut body, changes);
        let detail = service.post(&on(&issue, "conversions"), &body).await.refused_at("invalid_field", pointer);
        assert!(detail.len() > 30, "{detail}");
    }
    assert_eq!(service.batches().await.len(), before);
}
