//! The tables that a spreadsheet reads; `renderings` has those of batches.

use serde_json::json;

use crate::support::client::{Answer, Service, array, on_both_engines, text};

on_both_engines! {
    carrying_values_and_rollforward_are_tables_with_totals
}

/// Header and rows of an answer.
#[track_caller]
pub fn table(answer: &Answer) -> (Vec<String>, Vec<Vec<String>>) {
    assert_eq!((answer.status, answer.header("content-type")), (200, "text/csv; charset=utf-8; header=present"));
    let text = String::from_utf8(answer.bytes.clone()).expect("UTF-8");
    let mut reader = ::csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let rows: Vec<Vec<String>> =
        reader.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect();
    // A line may end within a quoted cell, and in any way; between rows it ends with CRLF (RFC 4180).
    let cells = || rows.iter().flatten().chain(&header);
    let between = |end: &str| text.matches(end).count() - cells().map(|cell| cell.matches(end).count()).sum::<usize>();
    assert_eq!((between("\r\n"), between("\n")), (rows.len() + 1, rows.len() + 1));
    (header, rows)
}

async fn carrying_values_and_rollforward_are_tables_with_totals(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({"proceeds": "1040000.00"})).await;
    service.issue(json!({"reference": "CB-2"})).await;
    let path = "/v1/entities/ACME/carrying-values?as_of=2025-03-31";
    let json = service.read(path).await;
    let (header, rows) = table(&service.get(&format!("{path}&format=csv")).await);
    let names = json["total"].as_object().expect("components").keys();
    for name in names {
        let place = header.iter().position(|column| column == name);
        let place = place.unwrap_or_else(|| panic!("no column {name} in {header:?}"));
        let amounts: Vec<&str> = rows.iter().map(|row| row[place].as_str()).collect();
        let mut expected: Vec<&str> = array(&json["items"]).iter().map(|item| text(&item[name])).collect();
        expected.push(text(&json["total"][name]));
        assert_eq!(amounts, expected, "{name}");
    }
    assert_eq!(rows[2][0], "total");

    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-03-31";
    let json = service.read(path).await;
    let (header, rows) = table(&service.get(&format!("{path}&format=csv")).await);
    assert!(header.iter().any(|column| column == "movement"));
    let lines: usize = array(&json["issues"]).iter().map(|issue| array(&issue["lines"]).len()).sum();
    assert_eq!(rows.len(), lines + array(&json["total"]).len());
}
