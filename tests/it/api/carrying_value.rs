//! Carrying values, of one issue and of all.

use serde_json::json;

use crate::support::client::{Service, array, assert_fields, assert_figures, items, on_both_engines, text};

on_both_engines! {
    a_value_shows_what_is_booked_and_unaccrued_and_that_it_ties
    the_posted_basis_shows_what_is_booked
    balances_follow_the_accrual_cutoff
    a_value_is_projected_after_what_is_known_and_nothing_before_settlement
    all_values_of_a_currency_add_up_and_name_the_others
}

const COMPONENTS: &str = "principal premium_discount issue_costs carrying_amount interest_payable interest_receivable";

async fn a_value_shows_what_is_booked_and_unaccrued_and_that_it_ties(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"reference": "CB-7"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let value = service.carrying_value(&issue, "2025-02-28").await;
    assert_fields(
        &value,
        "bond_issue reference currency as_of known_at basis boundary principal premium_discount issue_costs carrying_amount \
         interest_due interest_accrued interest_payable interest_receivable accrued_through booked unaccrued \
         reconciling_items unexplained status",
    );
    for part in ["booked", "unaccrued", "unexplained"] {
        assert_fields(&value[part], COMPONENTS);
    }
    assert_figures(
        &value,
        json!({"bond_issue": issue, "reference": "CB-7", "currency": "USD", "as_of": "2025-02-28", "basis": "effective",
            "boundary": "2025-03-01", "interest_accrued": "7666.67", "accrued_through": "2025-01-31", "status": "tied",
            "reconciling_items": []}),
    );
    assert_eq!(value["booked"]["interest_payable"], json!("2666.67"));
    assert_eq!(value["unaccrued"]["interest_payable"], json!("5000.00"));
    assert!(value["unexplained"].as_object().expect("components").values().all(|part| *part == json!("0.00")));
}

async fn the_posted_basis_shows_what_is_booked(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "950000.00"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let path = format!("/v1/bond-issues/{issue}/carrying-value?as_of=2025-05-20");
    let posted = service.read(&format!("{path}&basis=posted")).await;
    let effective = service.read(&format!("{path}&basis=effective")).await;
    assert_eq!(posted["basis"], json!("posted"));
    for component in COMPONENTS.split(' ') {
        assert_eq!(posted[component], posted["booked"][component], "{component}");
    }
    assert_eq!(posted["interest_accrued"], json!("2666.67"));
    assert_eq!(posted["booked"], effective["booked"]);
    assert_ne!(posted["premium_discount"], effective["premium_discount"]);
    service.get(&format!("{path}&basis=booked")).await.problem(400, "malformed_query");
}

/// 30/360 from 2025-01-15: through 2025-02-09 are 25 days to the boundary of the next day, 24 to the date itself. Coupon dates show the
/// schedule's own row under either.
async fn balances_follow_the_accrual_cutoff(service: Service) {
    service.mapped_entity("ACME").await;
    for (cutoff, boundary, accrued) in [("through_date", "2025-02-10", "4166.67"), ("to_date", "2025-02-09", "4000.00")]
    {
        let issue = service.issue(json!({"reference": cutoff, "accrual_cutoff": cutoff})).await;
        let value = service.carrying_value(&issue, "2025-02-09").await;
        assert_figures(&value, json!({"boundary": boundary, "interest_accrued": accrued, "interest_due": "0.00"}));
        let value = service.carrying_value(&issue, "2025-07-15").await;
        assert_figures(
            &value,
            json!({"boundary": "2025-07-15", "interest_accrued": "0.00", "interest_due": "30000.00"}),
        );
        let value = service.carrying_value(&issue, "2025-01-15").await;
        assert_figures(&value, json!({"boundary": "2025-01-15", "interest_payable": "0.00"}));
    }
}

async fn a_value_is_projected_after_what_is_known_and_nothing_before_settlement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"maturity_date": "2095-01-15"})).await;
    let value = service.carrying_value(&issue, "2090-01-31").await;
    assert_eq!(value["projected"], json!(true));
    let value = service.carrying_value(&issue, "2025-01-20").await;
    assert!(value.get("projected").is_none() && value.get("overdue").is_none(), "{value}");
    let value = service.carrying_value(&issue, "2025-01-14").await;
    assert_figures(
        &value,
        json!({"principal": "0.00", "interest_payable": "0.00", "accrued_through": null, "status": "tied"}),
    );
    for query in ["", "?as_of=2025-02-30", "?as_of=20250131", "?as_of=2025-01-31&as_of=2025-01-31"] {
        let answer = service.get(&format!("/v1/bond-issues/{issue}/carrying-value{query}")).await;
        let detail = answer.problem(400, "malformed_query");
        assert!(text(&detail["detail"]).contains("as_of"), "{detail}");
    }
}

async fn all_values_of_a_currency_add_up_and_name_the_others(service: Service) {
    service.mapped_entity("ACME").await;
    let premium = service.issue(json!({"proceeds": "1040000.00"})).await;
    let discount = service
        .issue(
            json!({"reference": "CB-2", "principal": "500000.00", "proceeds": "480000.00", "issue_costs": "5000.00"}),
        )
        .await;
    let euro = service.issue(json!({"reference": "CB-3", "currency": "EUR"})).await;
    let path = "/v1/entities/ACME/carrying-values?as_of=2025-01-15";
    let values = service.read(path).await;
    assert_fields(&values, "entity as_of known_at basis currency other_currencies items total next_cursor");
    assert_figures(
        &values,
        json!({"entity": "ACME", "as_of": "2025-01-15", "currency": "USD", "other_currencies": ["EUR"], "next_cursor": null}),
    );
    assert_eq!(
        values["total"],
        json!({"principal": "1500000.00", "premium_discount": "20000.00", "issue_costs": "-5000.00",
            "carrying_amount": "1515000.00", "interest_payable": "0.00", "interest_receivable": "0.00"})
    );
    let mut ids: Vec<_> = items(&values).iter().map(|value| text(&value["bond_issue"]).to_owned()).collect();
    ids.sort_unstable();
    let mut expected = [premium, discount];
    expected.sort_unstable();
    assert_eq!(ids, expected);
    for value in items(&values) {
        let one = service.carrying_value(text(&value["bond_issue"]), "2025-01-15").await;
        assert_eq!(one, value);
    }
    let euros = service.read(&format!("{path}&currency=EUR")).await;
    assert_figures(&euros, json!({"currency": "EUR", "other_currencies": ["USD"]}));
    assert_eq!(euros["items"][0]["bond_issue"], json!(euro));
    let page = service.read(&format!("{path}&limit=1")).await;
    assert_eq!((array(&page["items"]).len(), &page["total"]), (1, &values["total"]), "the total is of all items");
    service.get(&format!("{path}&currency=XXX9")).await.problem(400, "malformed_query");
    service.get("/v1/entities/NOBODY/carrying-values?as_of=2025-01-15").await.problem(404, "not_found");
}
