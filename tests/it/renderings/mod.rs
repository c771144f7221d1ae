//! The representations of a batch other than JSON: each is read back by another library than wrote it, and compared with the JSON line
//! by line, for every kind of entry that the service posts.

pub mod books;
mod sample;
mod table;
mod validators;
mod workbook;
mod xbrl_gl;

use std::collections::BTreeSet;

use axum::body::Body;
use axum::http::Method;
use parwright::accounting::journal::EntryKind;
use parwright::store::Engine;
use serde_json::{Value, json};

use self::books::{Book, accounts, address, kept};
use crate::support::client::{Answer, Service, array, change, mapping_path, on_both_engines, text};

on_both_engines! {
    every_kind_of_entry_stands_in_each_representation_as_in_json
    a_representation_is_chosen_by_accept_or_by_format
    whatever_a_text_holds_it_stays_a_text
}

/// A batch in each representation is what it is in JSON. Gives its XBRL.
async fn check(service: &Service, batch: &Value, entity: &Value, seen: &mut xbrl_gl::Entries) -> String {
    let rendered = async |format: &str| service.get(&format!("{}?format={format}", address(batch))).await;
    let csv = crate::api::csv::table(&rendered("csv").await);
    let (mut header, rows) = table::of(batch);
    header.iter_mut().for_each(|name| *name = table::Expected::Text(name.clone()).as_text());
    let rows: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(table::Expected::as_text).collect()).collect();
    assert_eq!(csv, (header, rows));
    workbook::check(&rendered("xlsx").await.bytes, batch);
    let xml = String::from_utf8(rendered("xbrl-gl").await.bytes).expect("UTF-8");
    xbrl_gl::check(&xml, batch, entity, seen);
    xml
}

/// The kinds of the entries of a batch.
fn kinds(batch: &Value) -> BTreeSet<&str> {
    array(&batch["entries"]).iter().map(|entry| text(&entry["kind"])).collect()
}

async fn every_kind_of_entry_stands_in_each_representation_as_in_json(service: Service) {
    let books = kept(&service).await;
    let (mut all, mut few, mut seen) = (Vec::new(), Vec::new(), xbrl_gl::Entries::new());
    let (mut posted, mut statuses) = (BTreeSet::new(), BTreeSet::new());
    for Book { entity, batches } in &books {
        for batch in batches {
            let xml = check(&service, batch, entity, &mut seen).await;
            // A few are enough for the slower validator: the first of each kind and status, of one engine.
            let known = posted.len() + statuses.len();
            posted.extend(kinds(batch).into_iter().map(str::to_owned));
            statuses.insert(text(&batch["status"]));
            if posted.len() + statuses.len() > known && service.store.engine() == Engine::Sqlite {
                few.push(xml.clone());
            }
            all.push(xml);
        }
    }
    let every: BTreeSet<String> = EntryKind::ALL.iter().map(|kind| kind.name().to_owned()).collect();
    assert_eq!(posted, every);
    assert_eq!(statuses, ["acknowledged", "ready", "rejected", "released"].into());
    let Some(validators) = validators::validators() else { return };
    validators.check(&all, &few);
}

async fn a_representation_is_chosen_by_accept_or_by_format(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    let batch = service.batches().await.remove(0);
    let path = address(&batch);
    let ask = async |query: &str, accept: &str| {
        let headers = [("accept", accept)];
        service.send(Method::GET, &format!("{path}{query}"), &headers, Body::empty()).await
    };
    let (csv, workbook) = (
        "text/csv; charset=utf-8; header=present",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    );
    let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
    for (query, accept, media, extension) in [
        ("", "*/*", "application/json", ""),
        ("", "application/*", "application/json", ""),
        ("", browser, "text/html; charset=utf-8", ""),
        ("", "text/csv", csv, "csv"),
        ("", "application/xbrl-instance+xml", "application/xbrl-instance+xml", "xml"),
        ("", "application/xml", "application/xml", "xml"),
        ("", workbook, workbook, "xlsx"),
        (
            "",
            "application/json;q=0.2, text/csv;q=0.1, application/xbrl-instance+xml;q=0.3",
            "application/xbrl-instance+xml",
            "xml",
        ),
        ("?format=json", "text/csv", "application/json", ""),
        ("?format=csv", "image/png", csv, "csv"),
        ("?format=xbrl-gl", "application/json", "application/xbrl-instance+xml", "xml"),
        ("?format=xml", "application/json", "application/xml", "xml"),
        ("?format=xlsx", "application/json", workbook, "xlsx"),
        ("?format=html", "application/json", "text/html; charset=utf-8", ""),
    ] {
        let answer = ask(query, accept).await;
        let said = (answer.status, answer.header("content-type"), answer.header("vary"));
        assert_eq!(said, (200, media, "accept"), "{query} {accept}");
        check_headers(&service, &answer, &format!("{path}{query}"), accept).await;
        let file = format!("attachment; filename=\"ACME-2025-000001.{extension}\"");
        assert_eq!(answer.header("content-disposition"), if extension.is_empty() { "" } else { &file });
    }
    assert_eq!(ask("", "application/xml").await.bytes, ask("?format=xbrl-gl", "*/*").await.bytes);
    let refused = ask("", "image/png, application/pdf").await.problem(406, "not_acceptable");
    for media in ["application/json", "text/csv", "application/xbrl-instance+xml", "application/xml", workbook] {
        assert!(text(&refused["detail"]).contains(media), "{refused}");
    }
    let refused = ask("?format=pdf", "*/*").await.problem(400, "malformed_query");
    let there_is = "the query parameter \"format\": expected \"json\", \"csv\", \"xbrl-gl\", \"xml\", \"xlsx\" or \"html\", found \"pdf\"";
    assert_eq!(text(&refused["detail"]), there_is);
    for format in ["csv", "xbrl-gl", "xlsx"] {
        let unknown = format!("/v1/journal-batches/ACME.0199a3f2-7c00-7000-8000-000000000001?format={format}");
        service.get(&unknown).await.problem(404, "not_found");
    }
}

/// Each representation has a tag of its own, by which it is known, and is for this caller alone.
async fn check_headers(service: &Service, answer: &Answer, path: &str, accept: &str) {
    assert_eq!(answer.header("cache-control"), "private, no-cache");
    let headers = [("accept", accept), ("if-none-match", answer.header("etag"))];
    let again = service.send(Method::GET, path, &headers, Body::empty()).await;
    assert_eq!((again.status, again.bytes.len(), again.header("vary")), (304, 0, "accept"));
}

/// Markup, quotes, ends of lines, formulas, an escape of workbooks, characters beyond 16 bits, and control characters, which XML 1.0 does
/// not hold: in the references of issues, names and numbers of accounts, and names and values of dimensions.
async fn whatever_a_text_holds_it_stays_a_text(service: Service) {
    service.entity("ACME").await;
    let texts = [
        "=HYPERLINK(\"x\"),\"y\"",
        "+1",
        "-2",
        "@SUM(A1)",
        "\tTAB",
        "\rCR",
        "<b>&amp;</b> ]]> 'quoted'",
        "two\r\nlines\nand a half",
        "bell \u{7} escape \u{1b} unit \u{1f} noncharacter \u{fffe}",
        "_x0041_ \u{1f6a2} \u{e9}",
        " blanks around ",
    ];
    let mut mapping = accounts();
    for (account, text) in mapping["accounts"].as_object_mut().expect("accounts").values_mut().zip(texts) {
        let dimensions = json!({text: text, "line": text});
        change(account, json!({"account": text, "name": text, "dimensions": dimensions}));
    }
    service.put(&mapping_path("ACME", "2000-01-01"), &mapping).await.done();
    for text in texts {
        let issue = service.issue(json!({"reference": text, "proceeds": "990000.00", "issue_costs": "1000.00"})).await;
        let conversion = json!({"effective_date": "2025-03-10", "principal": "1000.00", "reference": text});
        service.record(&issue, "conversions", conversion).await;
    }
    let entity = service.read("/v1/entities/ACME").await;
    let (mut all, mut seen) = (Vec::new(), xbrl_gl::Entries::new());
    for batch in service.batches().await {
        all.push(check(&service, &batch, &entity, &mut seen).await);
    }
    if let Some(validators) = validators::validators() {
        validators.check(&all, &[]);
    }
}
