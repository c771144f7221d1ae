//! On which dates what is recorded is posted.

use serde_json::json;

use crate::support::client::{ENTITIES, Service, all_accounts, array, mapping_path, on, on_both_engines, text};
use crate::support::ledger::lines;

on_both_engines! {
    an_events_own_accrual_is_cut_at_closes_and_ends_on_the_events_date
    the_day_after_a_close_has_nothing_left_to_accrue
    events_may_lie_in_the_future
    years_of_weeks_cut_where_their_periods_end
}

/// From 2025-01-15: 16 days to the close of January, then 19 to 2025-02-20, on which the conversion is posted too.
async fn an_events_own_accrual_is_cut_at_closes_and_ends_on_the_events_date(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-02-20", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let batches = array(&answer["journal_batches"]);
    let shape: Vec<(&str, &str, Vec<&str>)> = batches
        .iter()
        .map(|batch| {
            let kinds = array(&batch["entries"]).iter().map(|entry| text(&entry["kind"])).collect();
            (text(&batch["posting_date"]), text(&batch["effective_date"]), kinds)
        })
        .collect();
    let expected =
        [("2025-01-31", "2025-01-31", vec!["accrual"]), ("2025-02-20", "2025-02-20", vec!["accrual", "conversion"])];
    assert_eq!(shape, expected);
    assert_eq!(lines(&batches[0])[0], ("interest_expense", "debit", "2666.67"));
    assert_eq!(lines(&batches[1])[0], ("interest_expense", "debit", "3166.66"));
    // One command, one sequence, one event.
    let sequences: Vec<_> = batches.iter().map(|batch| batch["sequence"].clone()).collect();
    assert_eq!(sequences, [answer["event"]["sequence"].clone(), answer["event"]["sequence"].clone()]);
    let entries = batches.iter().flat_map(|batch| array(&batch["entries"]));
    assert!(entries.into_iter().all(|entry| entry["event"] == answer["event"]["id"]));
}

async fn the_day_after_a_close_has_nothing_left_to_accrue(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-02-01", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let batches = array(&answer["journal_batches"]);
    let dates: Vec<_> = batches.iter().map(|batch| text(&batch["posting_date"])).collect();
    assert_eq!(dates, ["2025-01-31", "2025-02-01"]);
    let kinds: Vec<_> = array(&batches[1]["entries"]).iter().map(|entry| text(&entry["kind"])).collect();
    assert_eq!(kinds, ["conversion"]);
}

async fn events_may_lie_in_the_future(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"maturity_date": "2095-01-15"})).await;
    let body = json!({"effective_date": "2094-12-31", "principal": "1000000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_eq!(answer["position_after"]["principal"], json!("0.00"));
    let last = array(&answer["journal_batches"]).last().expect("a batch");
    assert_eq!(last["posting_date"], json!("2094-12-31"));
}

/// Years end on the Saturday nearest to 31 January: 2025 on 1 February. The first quarter of 2026 has four weeks to 1 March, four to 29
/// March and five to 3 May.
async fn years_of_weeks_cut_where_their_periods_end(service: Service) {
    let entity = json!({"code": "ACME", "name": "Acme Ferries, Inc.", "functional_currency": "USD", "fiscal_year_end": "01-31",
        "framework": "us_gaap",
        "fiscal_calendar": {"weeks": "4-4-5", "weekday": "saturday", "ends": "nearest_month_end"}});
    assert_eq!(service.post(ENTITIES, &entity).await.created(), entity);
    assert_eq!(service.read("/v1/entities/ACME").await, entity);
    service.put(&mapping_path("ACME", "2000-01-01"), &all_accounts()).await.done();
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    let batches = array(&answer["journal_batches"]);
    let found: Vec<_> = batches.iter().map(|batch| (text(&batch["number"]), text(&batch["posting_date"]))).collect();
    let expected = [
        ("ACME-2025-000002", "2025-02-01"),
        ("ACME-2026-000001", "2025-03-01"),
        ("ACME-2026-000002", "2025-03-29"),
        ("ACME-2026-000003", "2025-03-31"),
    ];
    assert_eq!(found, expected);
    // 17 days from 15 January through 1 February at 166.666... a day.
    assert_eq!(lines(&batches[0])[0], ("interest_expense", "debit", "2833.33"));
    let path = on(&issue, "reclassifications");
    let refused = service.post(&path, &json!({"balance_sheet_date": "2025-04-30"})).await;
    assert!(refused.refused_at("invalid_field", "/balance_sheet_date").contains("2025-05-03"));
    service.post(&path, &json!({"balance_sheet_date": "2025-05-03"})).await.done();
}
