//! Commands that are sent at once, and so may be recorded in one commit.

use futures_util::future::{join_all, join3};
use serde_json::json;

use crate::support::client::{Service, on, on_both_engines};

on_both_engines! {
    an_accrual_of_the_entity_and_transactions_on_its_issues_are_recorded_together
}

/// In whichever order they come, each finds the issue as the one before left it.
async fn an_accrual_of_the_entity_and_transactions_on_its_issues_are_recorded_together(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for month in ["2025-01-31", "2025-02-28", "2025-03-31", "2025-04-30"] {
        let (accrual, conversion) =
            (json!({"through": month}), json!({"effective_date": month, "principal": "1000.00"}));
        let path = on(&issue, "conversions");
        let convert = || service.post(&path, &conversion);
        let (first, accrued, rest) = join3(
            join_all((0..3).map(|_| convert())),
            service.post("/v1/entities/ACME/accruals", &accrual),
            join_all((0..4).map(|_| convert())),
        )
        .await;
        assert!(accrued.status == 201 || accrued.status == 200, "{}", accrued.json());
        for converted in first.iter().chain(&rest) {
            converted.created();
        }
    }
    let value = service.carrying_value(&issue, "2025-04-30").await;
    assert_eq!((&value["principal"], &value["status"]), (&json!("972000.00"), &json!("tied")));
}
