//! Journal batches: their counters, and how they are read.

use std::collections::BTreeMap;

use serde_json::json;

use super::inducements::all_met;
use crate::support::client::{Service, array, assert_fields, items, on_both_engines, text};
use crate::support::ledger::check_batch;

on_both_engines! {
    counters_have_no_gaps_whatever_was_refused_between
    a_batch_reads_back_as_it_was_answered
    numbers_count_within_the_fiscal_year_of_the_posting_date
    batches_are_listed_in_order_and_by_status
    every_line_says_how_it_came_about
    batches_are_cut_to_the_lines_that_the_ledger_takes
}

/// A year in the life of an issue, with refusals and previews in between.
async fn year(service: &Service) -> String {
    let issue = service.issue(json!({"proceeds": "970000.00", "issue_costs": "10000.00"})).await;
    let path = |kind: &str| crate::support::client::on(&issue, kind);
    for (kind, body, status) in [
        ("accruals", json!({"through": "2025-03-31"}), 201),
        ("conversions", json!({"effective_date": "2025-04-10", "principal": "10.00"}), 422),
        ("conversions", json!({"effective_date": "2025-02-10", "principal": "50000.00"}), 201),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"}), 201),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"}), 409),
        ("conversions", json!({"effective_date": "2025-08-10", "principal": "9000000.00"}), 409),
        ("conversions", json!({"effective_date": "2025-08-10", "principal": "100000.00"}), 201),
        ("accruals", json!({"through": "2025-07-31"}), 200),
        ("accruals", json!({"through": "2026-01-31"}), 201),
    ] {
        service.post_with(&format!("{}?validate_only=true", path(kind)), &body, &[]).await;
        let answer = service.post(&path(kind), &body).await;
        assert_eq!(answer.status, status, "{kind} {body}: {}", answer.json());
    }
    let body = json!({"acceptance_date": "2026-02-03", "effective_date": "2026-02-20", "principal": "100000.00",
        "cash": "1000.00", "criteria": all_met()});
    service.record(&issue, "inducements", body).await;
    issue
}

async fn counters_have_no_gaps_whatever_was_refused_between(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = year(&service).await;
    let batches = service.batches().await;
    batches.iter().for_each(check_batch);
    // Of the entity: its creation, its mapping, and eight events.
    let events = items(&service.read(&crate::support::client::on(&issue, "events")).await);
    let sequences: Vec<_> = events.iter().map(|event| event["sequence"].as_i64().expect("a sequence")).collect();
    assert_eq!(sequences, (3..10).collect::<Vec<_>>());
    let mut numbers: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for batch in &batches {
        let (year, number) =
            text(&batch["number"]).strip_prefix("ACME-").and_then(|rest| rest.split_once('-')).expect("a number");
        assert_eq!(year, &text(&batch["posting_date"])[..4]);
        numbers.entry(year).or_default().push(number);
    }
    for (year, mut numbers) in numbers {
        numbers.sort_unstable();
        let expected: Vec<_> = (1..=numbers.len()).map(|number| format!("{number:06}")).collect();
        assert_eq!(numbers, expected, "{year}");
    }
    let releases: Vec<_> =
        service.releases().await.iter().map(|release| release["release"].as_u64().expect("a release")).collect();
    assert_eq!(releases, (1..=batches.len() as u64).collect::<Vec<_>>());
}

async fn a_batch_reads_back_as_it_was_answered(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "970000.00", "isin": "XS000PARWR19"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    let body = json!({"effective_date": "2025-02-10", "principal": "50000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    for batch in array(&answer["journal_batches"]) {
        let read = service.get(&format!("/v1/journal-batches/{}", text(&batch["id"]))).await;
        assert!(!read.header("etag").is_empty());
        assert_eq!(read.done(), *batch);
    }
    for id in ["ACME.0199a3f2-7c00-7000-8000-000000000001", "nonsense", issue.as_str()] {
        service.get(&format!("/v1/journal-batches/{id}")).await.problem(404, "not_found");
    }
}

async fn numbers_count_within_the_fiscal_year_of_the_posting_date(service: Service) {
    let body = json!({"code": "ACME", "name": "Acme", "functional_currency": "USD", "fiscal_year_end": "06-30"});
    service.post("/v1/entities", &body).await.created();
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-08-31"})).await;
    let numbers: Vec<_> = array(&answer["journal_batches"])
        .iter()
        .map(|batch| (text(&batch["posting_date"]), text(&batch["number"])))
        .collect();
    let expected = [
        ("2025-01-31", "ACME-2025-000002"),
        ("2025-02-28", "ACME-2025-000003"),
        ("2025-03-31", "ACME-2025-000004"),
        ("2025-04-30", "ACME-2025-000005"),
        ("2025-05-31", "ACME-2025-000006"),
        ("2025-06-30", "ACME-2025-000007"),
        ("2025-07-31", "ACME-2026-000001"),
        ("2025-08-31", "ACME-2026-000002"),
    ];
    assert_eq!(numbers, expected);
}

async fn batches_are_listed_in_order_and_by_status(service: Service) {
    service.entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let page = service.read("/v1/journal-batches?entity=ACME").await;
    assert_fields(&page, "items next_cursor");
    let order: Vec<_> = items(&page)
        .iter()
        .map(|batch| (batch["sequence"].as_i64(), text(&batch["posting_date"]).to_owned()))
        .collect();
    assert_eq!(order.len(), 3);
    assert!(order.is_sorted());
    let of = async |status: &str| {
        items(&service.read(&format!("/v1/journal-batches?entity=ACME&status={status}")).await).len()
    };
    assert_eq!((of("ready").await, of("released").await), (3, 0));
    let accounts = crate::support::client::all_accounts();
    service.put(&crate::support::client::mapping_path("ACME", "2025-02-01"), &accounts).await.done();
    assert_eq!((of("ready").await, of("released").await), (2, 1));
    // No batch is acknowledged before that can be said; the status is one all the same.
    assert_eq!((of("acknowledged").await, of("rejected").await), (0, 0));
    service.get("/v1/journal-batches?entity=ACME&status=done").await.problem(400, "malformed_query");
    service.get("/v1/journal-batches").await.problem(400, "malformed_query");
    service.get("/v1/journal-batches?entity=NOBODY").await.problem(404, "not_found");
}

/// Figures of a derivation are amounts in major units, as everywhere: the accrual of 2,666.67 must not say 266667.
async fn every_line_says_how_it_came_about(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let line = &answer["journal_batches"][0]["entries"][0]["lines"][0];
    assert!(text(&line["derivation"]["paragraph"]).starts_with("ASC 835-30"), "{line}");
    let figures = line["derivation"]["figures"].as_object().expect("figures");
    assert!(figures.values().any(|figure| figure == "2666.67"), "{line}");
}

/// Accruals of these issues have two lines each, or four where a discount is amortised: 2, 4, 4, 2 and 2.
async fn batches_are_cut_to_the_lines_that_the_ledger_takes(service: Service) {
    let mut entity = json!({"code": "ACME", "name": "Acme Ferries, Inc.", "functional_currency": "USD", "framework": "us_gaap",
        "fiscal_year_end": "12-31", "max_lines_per_batch": 1});
    let path = crate::support::client::ENTITIES;
    assert!(
        service.post(path, &entity).await.refused_at("invalid_field", "/max_lines_per_batch").contains("two lines")
    );
    entity["max_lines_per_batch"] = json!(5);
    assert_eq!(service.post(path, &entity).await.created()["max_lines_per_batch"], json!(5));
    assert_eq!(service.read("/v1/entities/ACME").await["max_lines_per_batch"], json!(5));
    for (reference, proceeds) in
        [("1", "1000000.00"), ("2", "990000.00"), ("3", "980000.00"), ("4", "1000000.00"), ("5", "1000000.00")]
    {
        service.issue(json!({"reference": reference, "proceeds": proceeds})).await;
    }
    let answer = service.post("/v1/entities/ACME/accruals", &json!({"through": "2025-01-31"})).await.created();
    let lines: Vec<_> = array(&answer["journal_batches"]).iter().map(|batch| &batch["totals"]["lines"]).collect();
    assert_eq!(lines, [&json!(2), &json!(4), &json!(4), &json!(4)]);
    let mut numbers: Vec<_> = array(&answer["journal_batches"]).iter().map(|batch| text(&batch["number"])).collect();
    numbers.dedup();
    assert_eq!(numbers.len(), 4);
    // An entry that is longer stands alone.
    let whole = service.issue(json!({"reference": "6", "proceeds": "970000.00", "issue_costs": "9000.00"})).await;
    let body = json!({"effective_date": "2025-03-01", "principal": "10000.00", "share_price": "50.00"});
    let answer = service.record(&whole, "conversions", body).await;
    let last = array(&answer["journal_batches"]).last().expect("a batch");
    assert_eq!(last["totals"]["entries"], json!(1));
    assert!(last["totals"]["lines"].as_u64() > Some(5), "{last}");
    service.verify().await;
}
