//! Each tie of the books is broken once in the database, by hand: a close refuses and names it.

use serde_json::{Value, json};

use super::periods::{close, closed, in_the_way, path};
use crate::support::client::{Service, on_both_engines, text};

on_both_engines! {
    a_booked_balance_that_is_changed_is_named
    an_outstanding_balance_that_is_changed_is_named
    an_entry_that_is_changed_is_named
    a_journal_line_that_is_changed_is_named
    an_expense_that_is_changed_is_named
    a_part_of_an_entry_that_is_changed_is_named
    an_opening_that_is_changed_is_named
    a_close_that_is_changed_is_found
}

/// An issue at a premium with costs that is accrued through January; its id.
async fn accrued(service: &Service) -> String {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "1040000.00", "issue_costs": "9000.00"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    issue
}

/// What stands in the way of closing January: code, issue, amount and what the detail must say.
async fn check(service: &Service, expected: &[(&str, Option<&str>, &str, &str)]) {
    let found = in_the_way(&close(service, "2025-01", json!({})).await);
    let shown: Vec<String> = found.iter().map(Value::to_string).collect();
    assert_eq!(found.len(), expected.len(), "{shown:#?}");
    for (item, (code, issue, amount, detail)) in found.iter().zip(expected) {
        assert_eq!(item["code"], json!(code), "{shown:#?}");
        assert_eq!(item["bond_issue"].as_str(), *issue, "{shown:#?}");
        assert_eq!((&item["amount"], &item["currency"]), (&json!(amount), &json!("USD")), "{shown:#?}");
        assert_eq!(item["date"], json!("2025-01-31"));
        assert!(text(&item["detail"]).contains(detail), "{detail}: {shown:#?}");
    }
    assert_eq!(json!(found), service.read(&path("2025-01")).await["in_the_way"]);
    // Nothing of this can be waived, and nothing was locked.
    assert!(found.iter().all(|item| item.get("expected").is_none()));
    assert_eq!(service.read("/v1/entities/ACME/periods").await["closed_through"], Value::Null);
}

const CARRYING: &str = "carrying_value_does_not_tie";
const ROLLFORWARD: &str = "rollforward_does_not_tie";

async fn a_booked_balance_that_is_changed_is_named(service: Service) {
    let id = accrued(&service).await;
    let issue = Some(id.as_str());
    let newest = "where posting_date = '2025-01-31'";
    let changes =
        "premium_discount = premium_discount + 5, interest_payable = interest_payable - 7, equity_component = 3";
    service.tamper("booked", &format!("set {changes} {newest}")).await;
    check(
        &service,
        &[
            (CARRYING, issue, "0.05", "premium or discount of CB-1"),
            (CARRYING, issue, "-0.07", "interest payable of CB-1"),
            (CARRYING, issue, "0.03", "equity component of CB-1"),
            (ROLLFORWARD, issue, "-0.05", "closing = booked: carrying amount"),
            (ROLLFORWARD, issue, "0.07", "closing = booked: interest payable"),
            (ROLLFORWARD, issue, "-0.03", "closing = booked: equity component"),
            (ROLLFORWARD, None, "-0.05", "closing = booked: carrying amount"),
            (ROLLFORWARD, None, "0.07", "closing = booked: interest payable"),
            (ROLLFORWARD, None, "-0.03", "closing = booked: equity component"),
        ],
    )
    .await;
}

/// The accrual of the close would post the difference: it is named all the same.
async fn an_outstanding_balance_that_is_changed_is_named(service: Service) {
    let id = accrued(&service).await;
    service.tamper("booked", "set issue_costs = issue_costs + 1 where posting_date = '2025-01-31'").await;
    let found = in_the_way(&close(&service, "2025-02", json!({})).await);
    assert_eq!((&found[0]["code"], &found[0]["amount"]), (&json!(CARRYING), &json!("0.01")));
    service.tamper("booked", "set issue_costs = issue_costs - 1 where posting_date = '2025-01-31'").await;
    service.tamper("position", "set principal = principal + 100").await;
    let found = in_the_way(&close(&service, "2025-01", json!({})).await);
    assert_eq!((&found[0]["code"], &found[0]["amount"]), (&json!(CARRYING), &json!("-1.00")), "{found:?}");
    assert_eq!(found[0]["bond_issue"], json!(id));
    service.tamper("position", "set principal = principal - 100").await;
    closed(&service, "2025-01").await;
}

async fn an_entry_that_is_changed_is_named(service: Service) {
    let id = accrued(&service).await;
    let issue = Some(id.as_str());
    let change = "set issue_costs = issue_costs + 2, interest_payable = interest_payable + 4 where kind = 'accrual'";
    service.tamper("entry", change).await;
    check(
        &service,
        &[
            (ROLLFORWARD, issue, "0.02", "closing = booked: carrying amount"),
            (ROLLFORWARD, issue, "0.04", "closing = booked: interest payable"),
            (ROLLFORWARD, None, "0.02", "closing = booked: carrying amount"),
            (ROLLFORWARD, None, "0.04", "closing = booked: interest payable"),
            (ROLLFORWARD, None, "0.02", "closing = trial balance: carrying amount"),
            (ROLLFORWARD, None, "0.04", "closing = trial balance: interest payable"),
            (ROLLFORWARD, None, "-0.02", "amortization = premium, discount and issue costs amortized"),
        ],
    )
    .await;
}

async fn a_journal_line_that_is_changed_is_named(service: Service) {
    accrued(&service).await;
    let of_accrual = "where amount < 0 and account_role = 'interest_payable'";
    service.tamper("line", &format!("set amount = amount - 6 {of_accrual}")).await;
    service.tamper("line", "set amount = amount + 8 where account_role = 'bonds_payable'").await;
    check(
        &service,
        &[
            (ROLLFORWARD, None, "0.08", "closing = trial balance: carrying amount"),
            (ROLLFORWARD, None, "-0.06", "closing = trial balance: interest payable"),
        ],
    )
    .await;
}

async fn an_expense_that_is_changed_is_named(service: Service) {
    accrued(&service).await;
    service.tamper("entry", "set expense = expense + 9 where kind = 'accrual'").await;
    check(
        &service,
        &[
            (ROLLFORWARD, None, "0.09", "expense of the movements = trial balance of the period"),
            (ROLLFORWARD, None, "0.09", "coupon + amortization = trial balance of the period: interest expense"),
            (ROLLFORWARD, None, "0.09", "amortization = premium, discount and issue costs amortized"),
        ],
    )
    .await;
    service.tamper("entry", "set expense = expense - 9 where kind = 'accrual'").await;
    closed(&service, "2025-01").await;
}

async fn a_part_of_an_entry_that_is_changed_is_named(service: Service) {
    let issue = accrued(&service).await;
    let body = json!({"effective_date": "2025-01-31", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    let of_conversion = "where movement = 'conversion'";
    for (column, ties) in [
        ("common_stock", &["common stock = trial balance of the period"][..]),
        ("paid_in_capital", &["paid-in capital = trial balance of the period"]),
        ("gain_loss", &["gain or loss = trial balance of the period"]),
        // It is taken out of the rest of the expense.
        (
            "debt_conversion_expense",
            &[
                "coupon + amortization = trial balance of the period: interest expense",
                "debt conversion expense = trial balance of the period",
            ],
        ),
    ] {
        service.tamper("entry", &format!("set {column} = {column} + 3 {of_conversion}")).await;
        let found = in_the_way(&close(&service, "2025-01", json!({})).await);
        let named: Vec<&str> = found.iter().map(|item| text(&item["detail"])).collect();
        assert_eq!(named.len(), ties.len(), "{named:#?}");
        for (detail, tie) in named.iter().zip(ties) {
            assert!(detail.contains(tie), "{tie}: {named:#?}");
        }
        service.tamper("entry", &format!("set {column} = {column} - 3 {of_conversion}")).await;
    }
    closed(&service, "2025-01").await;
}

async fn an_opening_that_is_changed_is_named(service: Service) {
    let issue = accrued(&service).await;
    closed(&service, "2025-01").await;
    service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let newest = "where posting_date = '2025-01-31'";
    let change = "set premium_discount = premium_discount + 5, interest_payable = interest_payable - 7";
    service.tamper("booked", &format!("{change} {newest}")).await;
    let found = in_the_way(&close(&service, "2025-02", json!({})).await);
    let named: Vec<&str> = found.iter().map(|item| text(&item["detail"])).collect();
    assert_eq!(named.len(), 2, "{named:#?}");
    assert!(named[0].contains("opening = booked the day before: carrying amount"), "{named:#?}");
    assert!(named[1].contains("opening = booked the day before: interest payable"), "{named:#?}");
    assert_eq!((&found[0]["amount"], &found[1]["amount"]), (&json!("-0.05"), &json!("0.07")));
}

async fn a_close_that_is_changed_is_found(service: Service) {
    accrued(&service).await;
    closed(&service, "2025-01").await;
    service.verify().await;
    service.tamper("period_close", "set waivers = '[ ]'").await;
    let breaks = service.breaks().await;
    assert_eq!(breaks, ["ACME: the hash of the close of 2025-01 does not fit"]);
    service.tamper("period_close", "set waivers = '[]'").await;
    service.tamper("entity_head", "set closed_through = null").await;
    let breaks = service.breaks().await;
    assert_eq!(breaks, ["ACME: the head is closed through nothing, and its closes through 2025-01-31"]);
}
