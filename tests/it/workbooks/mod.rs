//! The rollforward as a workbook: computed anew by LibreOffice it is, cell by cell, what the service said; with another coupon rate among
//! its inputs it is what the service says of an issue that was recorded with that rate; and whatever is broken in it is found by the one
//! cell that says whether everything holds.

mod bounds;
pub mod cells;
mod change;
mod portfolio;
mod print;
mod structure;

use self::cells::{Book, differences};
use crate::renderings::books::kept;
use crate::support::client::{Service, on_both_engines};
use crate::support::office::recalculated;

on_both_engines! {
    a_workbook_computed_anew_is_what_the_service_said
    every_kind_of_entry_is_computed_or_stated_and_ties
}

/// The workbook of an entity's days.
pub async fn workbook(service: &Service, entity: &str, (from, to): (&str, &str), currency: &str) -> Vec<u8> {
    let path = format!("/v1/entities/{entity}/rollforward?from={from}&to={to}&currency={currency}&format=xlsx");
    let answer = service.get(&path).await;
    assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
    answer.bytes
}

/// Has workbooks computed anew and compares every cell; each of a currency with so many decimals.
pub fn check_recalculated(workbooks: &[(Vec<u8>, i32)]) {
    for (bytes, _) in workbooks {
        assert_eq!(Book::read(bytes).overall(), "holds");
    }
    let files: Vec<Vec<u8>> = workbooks.iter().map(|(bytes, _)| bytes.clone()).collect();
    let Some(anew) = recalculated(&files) else { return };
    for ((bytes, decimals), anew) in workbooks.iter().zip(anew) {
        let (said, computed) = (Book::read(bytes), Book::read(&anew));
        let found = differences(&said, &computed, *decimals, |_, _, _| false);
        assert!(found.is_empty(), "{} cells differ: {:#?}", found.len(), &found[..found.len().min(20)]);
        assert_eq!(computed.overall(), "holds");
    }
}

async fn a_workbook_computed_anew_is_what_the_service_said(service: Service) {
    service.mapped_entity("ACME").await;
    let issues = portfolio::issued(&service, "ACME", None).await;
    portfolio::further(&service, "ACME").await;
    portfolio::live(&service, "ACME", &issues).await;
    let mut workbooks = Vec::new();
    for days in [
        ("2025-01-01", "2026-03-31"),
        ("2025-06-01", "2025-12-31"),
        ("2025-07-15", "2025-07-15"),
        ("2026-02-01", "2027-12-31"),
        ("2024-12-31", "2024-12-31"),
        ("2020-01-01", "2020-12-31"),
    ] {
        workbooks.push((workbook(&service, "ACME", days, "USD").await, 2));
    }
    let stated = |bytes: &[u8]| {
        let book = Book::read(bytes);
        let basis = |row| book.under("Events", row, "Figures").to_string();
        book.rows("Events").map(basis).filter(|basis| !basis.is_empty() && basis != "computed").collect::<Vec<_>>()
    };
    // What these issues live through has rules, all of them: only what was taken over of interest is as it was told.
    assert_eq!(stated(&workbooks[0].0), Vec::<String>::new());
    assert_eq!(stated(&workbooks[1].0), Vec::<String>::new());
    check_recalculated(&workbooks);
}

async fn every_kind_of_entry_is_computed_or_stated_and_ties(service: Service) {
    kept(&service).await;
    let mut workbooks = Vec::new();
    for (entity, currency, decimals) in [
        ("ACME", "USD", 2),
        ("BETA", "USD", 2),
        ("GAMMA", "USD", 2),
        ("ACME", "JPY", 0),
        ("ACME", "KWD", 3),
        ("ACME", "CLF", 4),
    ] {
        for days in [("2025-01-01", "2030-12-31"), ("2025-04-01", "2026-01-31")] {
            workbooks.push((workbook(&service, entity, days, currency).await, decimals));
        }
    }
    check_recalculated(&workbooks);
}

/// The books of one engine are those of the other, and so are their workbooks.
#[tokio::test]
async fn the_workbook_of_one_engine_is_that_of_the_other() {
    let Some(postgres) = Service::postgres().await else { return };
    let sqlite = Service::sqlite().await;
    let mut workbooks = Vec::new();
    for service in [&sqlite, &postgres] {
        service.mapped_entity("ACME").await;
        let issues = portfolio::issued(service, "ACME", None).await;
        portfolio::live(service, "ACME", &issues).await;
        let bytes = workbook(service, "ACME", ("2025-02-01", "2026-02-28"), "USD").await;
        assert!(bytes == workbook(service, "ACME", ("2025-02-01", "2026-02-28"), "USD").await, "the same bytes again");
        workbooks.push(Book::read(&bytes));
    }
    // Ids and times are each engine's own.
    let is_own = |sheet: &str, heading: &str, row: u32| {
        (sheet == "Inputs" && heading == "Bond issue") || (sheet == "Rollforward" && row == 1)
    };
    let found = differences(&workbooks[0], &workbooks[1], 2, is_own);
    assert!(found.is_empty(), "{found:#?}");
}

/// More days than there is anything in, and an entity without issues.
#[tokio::test]
async fn an_entity_without_issues_has_a_workbook_too() {
    let service = Service::sqlite().await;
    service.entity("ACME").await;
    let bytes = workbook(&service, "ACME", ("2025-01-01", "2025-12-31"), "USD").await;
    check_recalculated(&[(bytes, 2)]);
    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31&format=pdf";
    let refused = service.get(path).await.problem(400, "malformed_query");
    assert!(refused["detail"].as_str().is_some_and(|detail| detail.contains("xlsx")), "{refused}");
}
