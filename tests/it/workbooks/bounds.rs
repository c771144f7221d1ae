//! How long a workbook may be, and how many are made at a time.

use std::time::Duration;

use parwright::export::xlsx::MOST_ROWS;
use parwright::http::resource::Workbooks;
use serde_json::{Value, json};

use crate::support::client::{Answer, Service, on_both_engines, text};

on_both_engines! {
    a_workbook_that_is_too_long_is_refused_before_it_is_computed
    a_workbook_that_fits_by_its_counts_may_be_too_long_by_a_little
}

const DAYS: &str = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";

async fn xlsx(service: &Service) -> Answer {
    service.get(&format!("{DAYS}&format=xlsx")).await
}

fn rows(most: u32) -> Workbooks {
    Workbooks::new(most, 1, Duration::ZERO)
}

/// What a refusal says.
fn refused(answer: Answer) -> String {
    text(&answer.problem(406, "not_acceptable")["detail"]).to_owned()
}

/// An issue with a coupon a month over twenty years, accrued for half a year.
async fn recorded(service: &Service) {
    service.mapped_entity("ACME").await;
    let monthly = json!({"coupon_frequency": 12, "maturity_date": "2045-01-15", "conversion": null});
    let issue = service.issue(monthly).await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
}

async fn a_workbook_that_is_too_long_is_refused_before_it_is_computed(service: Service) {
    recorded(&service).await;
    let of = |batches: &[Value], what: &str| -> u64 {
        batches.iter().map(|batch| batch["totals"][what].as_u64().expect("a count")).sum()
    };
    let batches = service.batches().await;
    let (lines, entries) = (of(&batches, "lines"), of(&batches, "entries"));
    assert!(entries == 7 && lines < 30, "{entries} entries, {lines} lines");
    // A line that cannot be read fails whatever comes to it.
    let service = service.bounded(rows(u32::MAX));
    assert_eq!(xlsx(&service).await.status, 200);
    service.tamper("line", "set derivation = '~' where account_role = 'bonds_payable'").await;
    xlsx(&service).await.problem(500, "internal");
    let more = "ask for csv or json, or for fewer days";
    let service = service.bounded(rows(10));
    let detail = format!("the sheet Journals would have {lines} rows or more, and a worksheet holds 10; {more}");
    assert_eq!(refused(xlsx(&service).await), detail);
    // Twenty years of months, less the first period, and the closing.
    let service = service.bounded(rows(200));
    let detail = format!("the sheet Schedule would have 240 rows or more, and a worksheet holds 200; {more}");
    assert_eq!(refused(xlsx(&service).await), detail);
}

async fn a_workbook_that_fits_by_its_counts_may_be_too_long_by_a_little(mut service: Service) {
    recorded(&service).await;
    for (most, status) in [(240, 406), (244, 406), (300, 200), (MOST_ROWS, 200)] {
        service = service.bounded(rows(most));
        let answer = xlsx(&service).await;
        assert_eq!(answer.status, status, "{most}");
        if status == 406 {
            let detail = refused(answer);
            let expected = format!("the sheet Schedule would have more than the {most} rows that a worksheet holds");
            assert!(detail.starts_with(&expected), "{detail}");
        }
    }
    let service = service.bounded(rows(10));
    assert_eq!(service.get(&format!("{DAYS}&format=csv")).await.status, 200);
    service.read(DAYS).await;
}

#[tokio::test]
async fn who_waits_too_long_for_a_workbook_is_told_to_ask_again() {
    let service = Service::sqlite().await;
    recorded(&service).await;
    let workbooks = Workbooks::new(MOST_ROWS, 1, Duration::ZERO);
    let service = service.bounded(workbooks.clone());
    let turn = workbooks.turn().await.expect("nobody has it");
    let answer = xlsx(&service).await;
    assert_eq!(answer.header("retry-after"), "1");
    answer.problem(503, "unavailable");
    // Nothing else waits.
    service.read(DAYS).await;
    assert_eq!(service.get(&format!("{DAYS}&format=csv")).await.status, 200);
    drop(turn);
    assert_eq!(xlsx(&service).await.status, 200);
    assert_eq!(xlsx(&service).await.status, 200, "the turn before it has ended");
}

#[tokio::test]
async fn who_waits_for_a_workbook_gets_it_when_another_is_done() {
    let service = Service::sqlite().await;
    recorded(&service).await;
    let workbooks = Workbooks::new(MOST_ROWS, 1, Duration::MAX);
    let service = service.bounded(workbooks.clone());
    let turn = workbooks.turn().await.expect("nobody has it");
    let (first, second, ()) = tokio::join!(xlsx(&service), xlsx(&service), async { drop(turn) });
    assert_eq!((first.status, second.status), (200, 200));
    assert!(first.bytes == second.bytes);
}
