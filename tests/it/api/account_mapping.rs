//! From account roles to an entity's own accounts.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::support::client::{ROLES, Service, all_accounts, array, assert_fields, mapping_path, on_both_engines, text};

on_both_engines! {
    a_mapping_resolves_by_the_date_and_names_what_is_missing
    the_later_record_of_a_date_is_in_force
    an_issue_has_accounts_of_its_own_before_the_entitys
    dimensions_of_account_and_issue_stand_on_each_line
    what_is_no_mapping_is_refused
    what_is_missing_for_an_issue_is_what_its_terms_can_need
}

/// What an issue under US GAAP can need: two of the roles are of IFRS, and one is of closing entries.
fn needed() -> Vec<&'static str> {
    let others =
        ["equity_component_of_convertible_bonds", "loss_on_amendment_of_conversion_terms", "retained_earnings"];
    ROLES.iter().copied().filter(|role| !others.contains(role)).collect()
}

const PATH: &str = "/v1/entities/ACME/account-mapping";

async fn a_mapping_resolves_by_the_date_and_names_what_is_missing(service: Service) {
    service.entity("ACME").await;
    let empty = service.read(&format!("{PATH}?as_of=2025-06-30")).await;
    assert_fields(&empty, "accounts missing");
    assert_eq!((&empty["accounts"], &empty["missing"]), (&json!({}), &json!(needed())));

    let cash = json!({"accounts": {"cash": {"account": "1012", "name": "Bank"}}});
    let put = service.put(&mapping_path("ACME", "2025-07-01"), &cash).await.done();
    assert_eq!(put, json!({"accounts": cash["accounts"], "effective_from": "2025-07-01"}));
    let whole = service.put(&mapping_path("ACME", "2026-01-01"), &all_accounts()).await.done();
    for (as_of, accounts, missing) in [
        ("2025-06-30", json!({}), needed().len()),
        ("2025-07-01", cash["accounts"].clone(), needed().len() - 1),
        ("2025-12-31", cash["accounts"].clone(), needed().len() - 1),
        ("2026-01-01", whole["accounts"].clone(), 0),
    ] {
        let resolved = service.read(&format!("{PATH}?as_of={as_of}")).await;
        assert_eq!((&resolved["accounts"], array(&resolved["missing"]).len()), (&accounts, missing), "{as_of}");
    }
    service.get(PATH).await.problem(400, "malformed_query");
    service.get("/v1/entities/NOBODY/account-mapping?as_of=2025-06-30").await.problem(404, "not_found");
}

async fn the_later_record_of_a_date_is_in_force(service: Service) {
    service.entity("ACME").await;
    for account in ["1", "2"] {
        let body = json!({"accounts": {"cash": {"account": account}}});
        service.put(&mapping_path("ACME", "2025-01-01"), &body).await.done();
    }
    // It is the whole mapping: a role that the later one leaves out has no account.
    let resolved = service.read(&format!("{PATH}?as_of=2025-06-30")).await;
    assert_eq!(resolved["accounts"], json!({"cash": {"account": "2"}}));
    let body = json!({"accounts": {"bonds_payable": {"account": "3"}}});
    service.put(&mapping_path("ACME", "2025-01-01"), &body).await.done();
    let resolved = service.read(&format!("{PATH}?as_of=2025-06-30")).await;
    assert_eq!(resolved["accounts"], json!({"bonds_payable": {"account": "3"}}));
}

/// The accounts of a batch's lines by role.
fn accounts(batch: &Value) -> Vec<(&str, &str)> {
    let lines = array(&batch["entries"]).iter().flat_map(|entry| array(&entry["lines"]));
    lines.map(|line| (text(&line["account_role"]), text(&line["account"]))).collect()
}

async fn an_issue_has_accounts_of_its_own_before_the_entitys(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let own = json!({"accounts": {"interest_payable": {"account": "2999-1"}}});
    let path = format!("{}&bond_issue={issue}", mapping_path("ACME", "2025-01-01"));
    service.put(&path, &own).await.done();
    let accrual = json!({"through": "2025-01-31"});
    let mine = service.record(&issue, "accruals", accrual.clone()).await;
    let expected = [("interest_expense", "1012"), ("interest_payable", "2999-1")];
    assert_eq!(accounts(&mine["journal_batches"][0]), expected);
    let theirs = service.record(&other, "accruals", accrual).await;
    let expected = [("interest_expense", "1012"), ("interest_payable", "1007")];
    assert_eq!(accounts(&theirs["journal_batches"][0]), expected);
    // And in one batch for both of them.
    let close = service.post("/v1/entities/ACME/accruals", &json!({"through": "2025-02-28"})).await.created();
    let batch = service.read(&format!("/v1/journal-batches/{}", text(&close["journal_batches"][0]["id"]))).await;
    let mut payable: Vec<_> = accounts(&batch).into_iter().filter(|(role, _)| *role == "interest_payable").collect();
    payable.sort_unstable();
    assert_eq!(payable, [("interest_payable", "1007"), ("interest_payable", "2999-1")]);
    let resolved = service.read(&format!("{PATH}?as_of=2025-06-30&bond_issue={issue}")).await;
    assert_eq!(resolved["accounts"]["interest_payable"]["account"], json!("2999-1"));
    assert_eq!(resolved["accounts"]["cash"]["account"], json!("1000"));
}

async fn dimensions_of_account_and_issue_stand_on_each_line(service: Service) {
    service.entity("ACME").await;
    let mut mapping = all_accounts();
    mapping["accounts"]["cash"]["dimensions"] = json!({"bank": "First", "desk": "unset"});
    service.put(&mapping_path("ACME", "2025-01-01"), &mapping).await.done();
    let terms = crate::support::client::terms(json!({"dimensions": {"desk": "treasury", "programme": "2025-A"}}));
    let issued = service.post("/v1/bond-issues", &terms).await.created();
    let lines = array(&issued["journal_batches"][0]["entries"][0]["lines"]);
    let of = |role: &str| lines.iter().find(|line| line["account_role"] == json!(role)).expect("a line");
    let cash = json!({"bank": "First", "desk": "treasury", "programme": "2025-A"});
    assert_eq!(of("cash")["dimensions"], cash, "the issue's own come last");
    assert_eq!(of("bonds_payable")["dimensions"], json!({"desk": "treasury", "programme": "2025-A"}));
    let id = text(&issued["journal_batches"][0]["id"]);
    assert_eq!(service.read(&format!("/v1/journal-batches/{id}")).await, issued["journal_batches"][0]);
}

async fn what_is_no_mapping_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let path = mapping_path("ACME", "2025-01-01");
    for (body, pointer) in [
        (json!({"accounts": {"petty_cash": {"account": "1"}}}), "/accounts"),
        (json!({"accounts": {"cash": {"account": " "}}}), "/accounts"),
        (json!({"accounts": {"cash": {"account": 1010}}}), "/accounts/cash/account"),
        (json!({"accounts": {"cash": {"number": "1012"}}}), "/accounts/cash/number"),
        (json!({"accounts": {"cash": {}}}), "/accounts/cash/account"),
        (json!({}), "/accounts"),
    ] {
        service.put(&path, &body).await.refused_at("invalid_field", pointer);
    }
    let cash = json!({"accounts": {"cash": {"account": "1"}}});
    service.put(PATH, &cash).await.problem(400, "malformed_query");
    service
        .put(&format!("{path}&bond_issue=OTHER.0199a3f2-7c00-7000-8000-000000000001"), &cash)
        .await
        .problem(404, "not_found");
    service
        .put(&format!("{path}&bond_issue=ACME.0199a3f2-7c00-7000-8000-000000000001"), &cash)
        .await
        .problem(404, "not_found");
    service.put(&mapping_path("NOBODY", "2025-01-01"), &cash).await.problem(404, "not_found");
    let resolved = service.read(&format!("{PATH}?as_of=2025-06-30")).await;
    assert_eq!(resolved["accounts"], all_accounts()["accounts"], "nothing of it was kept");
}

/// A straight zero-coupon issue needs no shares and no interest payable; a compound one under IFRS has an equity component.
async fn what_is_missing_for_an_issue_is_what_its_terms_can_need(service: Service) {
    service.entity("ACME").await;
    let always = [
        "cash",
        "bonds_payable",
        "premium_on_bonds_payable",
        "discount_on_bonds_payable",
        "debt_issue_costs",
        "current_portion_of_bonds_payable",
        "interest_expense",
        "gain_on_extinguishment",
        "loss_on_extinguishment",
    ];
    let straight = json!({"reference": "Z-1", "coupon_rate": "0", "coupon_frequency": 0, "proceeds": "800000.00", "conversion": null});
    let convertible = [
        "interest_receivable",
        "interest_payable",
        "accrued_inducement",
        "common_stock",
        "additional_paid_in_capital",
        "treasury_stock",
        "debt_conversion_expense",
    ];
    for (changes, more) in [(straight, &[] as &[&str]), (json!({}), &convertible)] {
        let issue = service.issue(changes).await;
        let resolved = service.read(&format!("{PATH}?as_of=2025-06-30&bond_issue={issue}")).await;
        let missing: BTreeSet<&str> = array(&resolved["missing"]).iter().map(text).collect();
        assert_eq!(missing, always.iter().chain(more).copied().collect());
    }
    service.ifrs_entity("EURO").await;
    let path = "/v1/entities/EURO/account-mapping?as_of=1999-12-31";
    let missing = service.read(path).await;
    assert!(array(&missing["missing"]).contains(&json!("equity_component_of_convertible_bonds")), "{missing}");
    assert!(!array(&missing["missing"]).contains(&json!("debt_conversion_expense")), "{missing}");
}
