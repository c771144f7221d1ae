//! Convertible issues of IFRS entities: a liability and an equity component. Each case names its place in the published checks.

use serde_json::{Value, json};

use super::conversions::last_batch;
use crate::support::client::{ISSUES, Service, array, assert_figures, change, on, on_both_engines, terms, text};
use crate::support::ledger::{lines, lines_of};

on_both_engines! {
    what_is_received_is_split_at_the_rate_of_straight_debt
    issue_costs_go_to_both_parts_and_a_conversion_stays_in_equity
    the_price_of_a_repurchase_is_split_as_the_proceeds_were
    terms_that_are_amended_bring_a_loss_on_that_date
    partial_and_backdated_conversions_and_reversals_keep_the_component_in_proportion
    at_maturity_the_component_stays_in_equity
    an_option_that_is_no_equity_is_refused
    a_compound_issue_can_be_taken_over
}

/// IAS 32 Example 9: 2,000 bonds of 1,000 at par, 6% a year for three years, 250 shares a bond; straight debt yields 9%.
fn example_9(changes: Value) -> Value {
    let mut changed = json!({"principal": "2000000.00", "proceeds": "2000000.00", "coupon_rate": "0.06", "coupon_frequency": 1,
        "dated_date": "2025-01-01", "settlement_date": "2025-01-01", "maturity_date": "2028-01-01",
        "straight_debt_rate": "0.09", "conversion": {"shares_per_denomination": "250", "share_par_value": "0.01"}});
    change(&mut changed, changes);
    changed
}

/// IFRS-01: published as 1,848,122 and 151,878 in whole units.
async fn what_is_received_is_split_at_the_rate_of_straight_debt(service: Service) {
    service.ifrs_entity("ACME").await;
    let answer = service.post(ISSUES, &terms(example_9(json!({})))).await.created();
    assert_figures(
        &answer["position_after"],
        json!({"carrying_amount": "1848122.32", "premium_discount": "-151877.68", "equity_component": "151877.68"}),
    );
    let expected = [
        ("cash", "debit", "2000000.00"),
        ("discount_on_bonds_payable", "debit", "151877.68"),
        ("bonds_payable", "credit", "2000000.00"),
        ("equity_component_of_convertible_bonds", "credit", "151877.68"),
    ];
    let mut found = lines(last_batch(&answer));
    found.sort_unstable();
    let mut wanted = expected.to_vec();
    wanted.sort_unstable();
    assert_eq!(found, wanted);
    let rate = text(&answer["effective_rate"]["nominal_annual"]);
    assert!(rate.starts_with("0.0900000"), "{rate}");
    let paragraphs = array(&last_batch(&answer)["entries"][0]["lines"]).iter();
    assert!(paragraphs.map(|line| text(&line["derivation"]["paragraph"])).all(|paragraph| !paragraph.contains("ASC")));
    // IFRS-04 (IAS 32 Example 11): 940 and 60 at 11% semi-annually for ten years.
    let small =
        example_9(json!({"reference": "CB-2", "principal": "1000.00", "proceeds": "1000.00", "coupon_rate": "0.10",
        "coupon_frequency": 2, "maturity_date": "2035-01-01", "straight_debt_rate": "0.11"}));
    let answer = service.post(ISSUES, &terms(small)).await.created();
    assert_figures(&answer["position_after"], json!({"carrying_amount": "940.25", "equity_component": "59.75"}));
}

/// IFRS-03: costs of 100,000 in proportion; published as 144,284 of equity, and 1,909,944 of liability at the end of the second year.
async fn issue_costs_go_to_both_parts_and_a_conversion_stays_in_equity(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(example_9(json!({"issue_costs": "100000.00"}))).await;
    let value = service.carrying_value(&issue, "2025-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "1755716.20", "equity_component": "144283.80", "status": "tied"}));
    let value = service.carrying_value(&issue, "2027-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "1909943.72", "equity_component": "144283.80", "status": "tied"}));
    let body = json!({"effective_date": "2027-01-01", "principal": "2000000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_figures(
        &answer["conversion"],
        json!({"carrying_amount": "1909943.72", "common_stock": "5000.00", "additional_paid_in_capital": "2049227.52",
            "gain_loss": "0.00"}),
    );
    let moved = lines_of(last_batch(&answer), "conversion");
    assert!(moved.contains(&("equity_component_of_convertible_bonds", "debit", "144283.80")), "{moved:?}");
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-01-01&to=2027-12-31").await;
    let line = |movement: &str| {
        array(&report["total"]).iter().find(|line| line["movement"] == json!(movement)).expect("a line").clone()
    };
    assert_eq!(line("issuance")["equity_component"], json!("144283.80"));
    assert_eq!(line("conversion")["equity_component"], json!("-144283.80"));
    assert_eq!(line("closing").get("equity_component"), None);
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
    // The costs of the equity component may be stated.
    let stated = example_9(json!({"reference": "CB-2", "issue_costs": "100000.00", "equity_issue_costs": "10000.00"}));
    let answer = service.post(ISSUES, &terms(stated)).await.created();
    assert_figures(&answer["position_after"], json!({"issue_costs": "-90000.00", "equity_component": "141877.68"}));
}

/// IFRS-05 (IAS 32 Example 11): bought back for 1,700 after five years, when straight debt yields 8%: a loss of 119, and 559 beyond the
/// component stay in equity (in whole units; 118.80 and 559.14 here).
async fn the_price_of_a_repurchase_is_split_as_the_proceeds_were(service: Service) {
    service.ifrs_entity("ACME").await;
    let terms = example_9(json!({"principal": "1000.00", "proceeds": "1000.00", "coupon_rate": "0.10",
        "coupon_frequency": 2, "maturity_date": "2035-01-01", "straight_debt_rate": "0.11"}));
    let issue = service.issue(terms).await;
    let mut body = json!({"effective_date": "2030-01-01", "principal": "1000.00", "consideration": "1700.00"});
    let refused = service.post(&on(&issue, "repurchases"), &body).await;
    refused.refused_at("invalid_field", "/straight_debt_rate");
    body["straight_debt_rate"] = json!("0.08");
    let answer = service.record(&issue, "repurchases", body).await;
    assert_figures(
        &answer["repurchase"],
        json!({"carrying_amount": "962.31", "gain_loss": "-118.80", "equity_component": "59.75",
            "equity_consideration": "618.89", "equity_difference": "-559.14"}),
    );
    let found = lines_of(last_batch(&answer), "repurchase");
    for line in [
        ("equity_component_of_convertible_bonds", "debit", "59.75"),
        ("additional_paid_in_capital", "debit", "559.14"),
        ("loss_on_extinguishment", "debit", "118.80"),
        ("cash", "credit", "1700.00"),
    ] {
        assert!(found.contains(&line), "{line:?} is not in {found:?}");
    }
    let value = service.carrying_value(&issue, "2030-01-01").await;
    assert_figures(&value, json!({"carrying_amount": "0.00", "equity_component": null, "status": "tied"}));
}

/// IFRS-06 (IAS 32 Example 12): the conversion price falls from 25 to 20 while a share is worth 40; ten more shares for 1,000, 400.
async fn terms_that_are_amended_bring_a_loss_on_that_date(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service
        .issue(example_9(json!({"principal": "1000.00", "proceeds": "1000.00",
        "conversion": {"shares_per_denomination": "40", "no_par": true}})))
        .await;
    let amended = json!({"amendment_date": "2026-01-01", "principal": "1000.00", "new_shares_per_denomination": "50",
        "acceptance_share_price": "40"});
    let mut accepted = amended.clone();
    change(&mut accepted, json!({"amendment_date": null, "acceptance_date": "2026-01-01"}));
    service.post(&on(&issue, "inducements"), &accepted).await.refused_at("invalid_field", "/criteria");
    accepted["criteria"] = super::inducements::all_met();
    service.post(&on(&issue, "inducements"), &accepted).await.refused_at("invalid_field", "/amendment_date");
    let answer = service.record(&issue, "inducements", amended).await;
    assert_figures(&answer["inducement"], json!({"expense": "400.00", "accounting": "amended_terms"}));
    let expected = [
        ("loss_on_amendment_of_conversion_terms", "debit", "400.00"),
        ("additional_paid_in_capital", "credit", "400.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    let settle = json!({"acceptance": answer["event"]["id"], "effective_date": "2026-03-01"});
    let settled = service.record(&issue, "inducements", settle).await;
    assert_figures(&settled["conversion"], json!({"shares_issued": "50", "gain_loss": "0.00"}));
    assert_eq!(service.carrying_value(&issue, "2026-03-01").await["status"], json!("tied"));
}

async fn partial_and_backdated_conversions_and_reversals_keep_the_component_in_proportion(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(example_9(json!({"issue_costs": "100000.00"}))).await;
    let convert = |date: &str, principal: &str| json!({"effective_date": date, "principal": principal});
    service.record(&issue, "conversions", convert("2026-05-10", "333000.00")).await;
    service.record(&issue, "accruals", json!({"through": "2026-09-30"})).await;
    let late = service.record(&issue, "conversions", convert("2025-11-20", "7000.00")).await;
    service.record(&issue, "conversions", convert("2026-10-05", "1000.00")).await;
    // 144,283.80 x 1,659 of 2,000 bonds.
    let value = service.carrying_value(&issue, "2026-12-31").await;
    assert_figures(&value, json!({"equity_component": "119683.41", "status": "tied"}));
    let named = &array(&late["journal_batches"])[0];
    let path = format!("/v1/journal-batches/{}/reversal", text(&named["id"]));
    service.post(&path, &json!({"reason": "Never surrendered"})).await.created();
    for as_of in ["2025-11-19", "2025-11-20", "2026-05-10", "2026-09-30", "2026-10-05", "2026-12-31"] {
        assert_eq!(service.carrying_value(&issue, as_of).await["status"], json!("tied"), "{as_of}");
    }
    let value = service.carrying_value(&issue, "2026-12-31").await;
    assert_figures(&value, json!({"equity_component": "120188.41"}));
    service.verify().await;
}

async fn at_maturity_the_component_stays_in_equity(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(example_9(json!({}))).await;
    for year in 2026..=2028 {
        service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    let repay = json!({"effective_date": "2028-01-01", "principal": "2000000.00", "kind": "maturity"});
    let answer = service.record(&issue, "redemptions", repay).await;
    assert_figures(&answer["redemption"], json!({"gain_loss": "0.00", "equity_difference": "151877.68"}));
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2028-01-01").await;
    let of = |role: &str| {
        let row = array(&balance["rows"]).iter().find(|row| row["account_role"] == json!(role));
        text(&row.expect("a row")["balance"]).to_owned()
    };
    assert_eq!(of("equity_component_of_convertible_bonds"), "0.00");
    assert_eq!(of("additional_paid_in_capital"), "-151877.68");
    assert_eq!(service.carrying_value(&issue, "2028-01-01").await["status"], json!("tied"));
}

async fn an_option_that_is_no_equity_is_refused(service: Service) {
    service.ifrs_entity("ACME").await;
    let conversion = |settlement: &str| json!({"shares_per_denomination": "250", "share_par_value": "0.01", "settlement": settlement});
    for (changes, code, pointer) in [
        (json!({"conversion": conversion("cash")}), "not_supported", "/conversion/settlement"),
        (json!({"conversion": conversion("combination")}), "not_supported", "/conversion/settlement"),
        (json!({"currency": "EUR"}), "not_supported", "/currency"),
        (json!({"straight_debt_rate": null}), "invalid_field", "/straight_debt_rate"),
        (json!({"straight_debt_rate": "0.05"}), "invalid_field", "/straight_debt_rate"),
        (json!({"straight_debt_rate": "9"}), "invalid_field", "/straight_debt_rate"),
        (json!({"issue_costs": "100.00", "equity_issue_costs": "100.01"}), "invalid_field", "/equity_issue_costs"),
        (json!({"conversion": null}), "invalid_field", "/straight_debt_rate"),
    ] {
        let mut body = terms(example_9(json!({})));
        change(&mut body, changes);
        service.post(ISSUES, &body).await.refused_at(code, pointer);
    }
}

async fn a_compound_issue_can_be_taken_over(service: Service) {
    service.ifrs_entity("ACME").await;
    let mut body = terms(example_9(json!({})));
    change(
        &mut body,
        json!({"proceeds": null, "opening_balance": {"date": "2027-01-01", "principal": "1000000.00",
        "premium_discount": "-40000.00", "issue_costs": "-5000.00", "interest_payable": "0.00",
        "equity_component": "72000.00"}}),
    );
    let answer = service.post(ISSUES, &body).await.created();
    let issue = text(&answer["id"]);
    assert_eq!(answer["position_after"]["equity_component"], json!("72000.00"));
    let convert = json!({"effective_date": "2027-06-01", "principal": "250000.00"});
    service.record(issue, "conversions", convert).await;
    let value = service.carrying_value(issue, "2027-06-01").await;
    assert_figures(&value, json!({"equity_component": "54000.00", "status": "tied"}));
}
