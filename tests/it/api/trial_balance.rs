//! The trial balance of what was posted.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde_json::json;

use crate::support::client::{Service, array, assert_fields, assert_figures, on_both_engines, text};
use crate::support::ledger::{figure, movements};

on_both_engines! {
    it_is_the_sum_of_all_lines_and_balances
    it_shows_what_was_posted_by_the_date
    it_shows_the_accounts_in_force
}

async fn it_is_the_sum_of_all_lines_and_balances(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "1040000.00", "issue_costs": "12345.67"})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let body = json!({"effective_date": "2025-03-03", "principal": "300000.00"});
    service.record(&issue, "conversions", body).await;
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-12-31").await;
    assert_fields(&balance, "entity as_of known_at currency other_currencies rows total_debit total_credit caution");
    assert_eq!(balance["total_debit"], balance["total_credit"]);
    let batches = service.batches().await;
    let mut credits = movements(batches.iter().flat_map(|batch| array(&batch["entries"])));
    let mut sums = (Decimal::ZERO, Decimal::ZERO);
    for row in array(&balance["rows"]) {
        assert_fields(row, "account_role account account_name debit credit balance");
        let (debit, credit) = (figure(&row["debit"]), figure(&row["credit"]));
        assert_eq!(figure(&row["balance"]), debit - credit);
        assert_eq!(Some(credit - debit), credits.remove(text(&row["account_role"])), "{row}");
        sums = (sums.0 + debit, sums.1 + credit);
    }
    assert!(credits.is_empty(), "{credits:?}");
    assert_eq!(sums, (figure(&balance["total_debit"]), figure(&balance["total_credit"])));
}

async fn it_shows_what_was_posted_by_the_date(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    for (as_of, interest) in [
        ("2025-01-14", None),
        ("2025-01-30", None),
        ("2025-01-31", Some("-2666.67")),
        ("2025-03-30", Some("-7666.67")),
        ("2025-03-31", Some("-12666.67")),
    ] {
        let balance = service.read(&format!("/v1/entities/ACME/trial-balance?as_of={as_of}")).await;
        let rows: BTreeMap<_, _> =
            array(&balance["rows"]).iter().map(|row| (text(&row["account_role"]), text(&row["balance"]))).collect();
        assert_eq!(rows.get("interest_payable").copied(), interest, "{as_of}");
    }
}

async fn it_shows_the_accounts_in_force(service: Service) {
    service.entity("ACME").await;
    service.issue(json!({})).await;
    let path = "/v1/entities/ACME/trial-balance?as_of=2025-01-31";
    let cash = |report: &serde_json::Value| report["rows"][0].clone();
    let before = service.read(path).await;
    assert_figures(
        &cash(&before),
        json!({"account_role": "cash", "account": null, "account_name": null, "balance": "1000000.00"}),
    );
    let mapping = json!({"accounts": {"cash": {"account": "1010", "name": "Bank"}}});
    service.put(&crate::support::client::mapping_path("ACME", "2025-01-01"), &mapping).await.done();
    assert_figures(&cash(&service.read(path).await), json!({"account": "1010", "account_name": "Bank"}));
    let known_at = text(&before["known_at"]);
    assert_eq!(service.read(&format!("{path}&known_at={known_at}")).await, before);
    service.get("/v1/entities/NOBODY/trial-balance?as_of=2025-01-31").await.problem(404, "not_found");
}
