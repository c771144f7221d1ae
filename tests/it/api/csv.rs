//! The tables that a ledger or a spreadsheet reads.

use serde_json::json;

use crate::support::client::{Answer, Service, array, on_both_engines, text};

on_both_engines! {
    a_batch_is_a_row_a_line
    carrying_values_and_rollforward_are_tables_with_totals
    a_text_that_a_spreadsheet_would_run_is_made_harmless
}

/// Header and rows of an answer.
#[track_caller]
fn table(answer: &Answer) -> (Vec<String>, Vec<Vec<String>>) {
    assert_eq!((answer.status, answer.header("content-type")), (200, "text/csv; charset=utf-8; header=present"));
    let text = String::from_utf8(answer.bytes.clone()).expect("UTF-8");
    assert_eq!(text.matches("\r\n").count(), text.matches('\n').count(), "RFC 4180 ends lines with CRLF");
    let mut reader = ::csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let header = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let rows = reader.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect();
    (header, rows)
}

async fn a_batch_is_a_row_a_line(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"isin": "XS000PARWR19"})).await;
    let body = json!({"effective_date": "2025-01-20", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let batch = array(&answer["journal_batches"]).last().expect("a batch");
    let path = format!("/v1/journal-batches/{}", text(&batch["id"]));
    let (header, rows) = table(&service.get(&format!("{path}?format=csv")).await);
    let columns = "number revision release entity posting_date effective_date currency entry kind line account account_name \
                   account_role debit credit bond_issue reference isin event memo content_sha256";
    assert_eq!(header, columns.split_whitespace().collect::<Vec<_>>());
    let of =
        |row: &[String], name: &str| row[header.iter().position(|column| column == name).expect("a column")].clone();
    let mut expected = Vec::new();
    for entry in array(&batch["entries"]) {
        for line in array(&entry["lines"]) {
            let on = |side: &str| if line["side"] == json!(side) { text(&line["amount"]) } else { "" };
            expected.push([
                text(&entry["kind"]),
                text(&line["account"]),
                text(&line["account_role"]),
                on("debit"),
                on("credit"),
            ]);
        }
    }
    let found: Vec<_> = rows
        .iter()
        .map(|row| ["kind", "account", "account_role", "debit", "credit"].map(|name| of(row, name)))
        .collect();
    assert_eq!(found, expected);
    for row in &rows {
        assert_eq!(of(row, "number"), text(&batch["number"]));
        assert_eq!(of(row, "release"), batch["release"].to_string());
        assert_eq!(of(row, "posting_date"), "2025-01-20");
        assert_eq!(of(row, "isin"), "XS000PARWR19");
        assert_eq!(of(row, "content_sha256"), text(&batch["content_sha256"]));
    }
    let headers = [("accept", "text/csv")];
    let accepted = service.send(axum::http::Method::GET, &path, &headers, axum::body::Body::empty()).await;
    assert_eq!(table(&accepted).1, rows);
    let headers = [("accept", "image/png")];
    let refused = service.send(axum::http::Method::GET, &path, &headers, axum::body::Body::empty()).await;
    refused.problem(406, "not_acceptable");
    service.get(&format!("{path}?format=pdf")).await.problem(400, "malformed_query");
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

async fn a_text_that_a_spreadsheet_would_run_is_made_harmless(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({"reference": "=HYPERLINK(\"x\"),\"y\""})).await;
    let batch = text(&service.batches().await[0]["id"]).to_owned();
    let (header, rows) = table(&service.get(&format!("/v1/journal-batches/{batch}?format=csv")).await);
    let reference = header.iter().position(|column| column == "reference").expect("a column");
    assert!(!rows.is_empty() && rows.iter().all(|row| row[reference] == "'=HYPERLINK(\"x\"),\"y\""), "{rows:?}");
}
