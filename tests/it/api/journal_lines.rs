//! The journal lines of a period.

use std::collections::BTreeSet;

use futures_util::future::join_all;
use serde_json::{Value, json};

use crate::support::client::{
    Service, all_accounts, assert_fields, items, mapping_path, on, on_both_engines, terms, text,
};
use crate::support::ledger::flat;

on_both_engines! {
    a_period_is_the_lines_of_its_batches_in_order_of_release
    a_batch_that_waits_for_accounts_is_no_part_of_it
    a_batch_that_was_released_again_is_there_once
    lines_are_read_page_by_page_as_they_were_known
    a_csv_is_the_whole_period_with_every_field_and_dimension
    lines_of_one_currency_stand_together
    a_batch_of_many_entries_is_read_in_parts
    a_period_that_cannot_be_is_refused
}

const PATH: &str = "/v1/entities/ACME/journal-lines";

fn period(from: &str, to: &str) -> String {
    format!("{PATH}?from={from}&to={to}")
}

/// The lines of the feed with posting dates in a period.
async fn of_feed(service: &Service, from: &str, to: &str) -> Vec<Value> {
    let releases = service.releases().await;
    let within = |release: &&Value| (from..=to).contains(&text(&release["journal_batch"]["posting_date"]));
    releases.iter().filter(within).flat_map(|release| flat(&release["journal_batch"])).collect()
}

async fn busy(service: &Service) -> String {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"isin": "XS000PARWR19", "dimensions": {"desk": "treasury"}})).await;
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    // Recorded later, posted earlier.
    service.record(&issue, "conversions", json!({"effective_date": "2025-02-10", "principal": "100000.00"})).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-05-10", "principal": "100000.00"})).await;
    issue
}

async fn a_period_is_the_lines_of_its_batches_in_order_of_release(service: Service) {
    busy(&service).await;
    for (from, to) in [
        ("2025-01-01", "2025-12-31"),
        ("2025-02-10", "2025-02-10"),
        ("2025-02-01", "2025-03-31"),
        ("2024-01-01", "2024-12-31"),
    ] {
        let answer = service.read(&format!("{}&limit=500", period(from, to))).await;
        assert_fields(&answer, "entity from to known_at currency other_currencies items next_cursor");
        assert_eq!(items(&answer), of_feed(&service, from, to).await, "{from} to {to}");
    }
    let numbers: Vec<_> = items(&service.read(&period("2025-02-01", "2025-03-31")).await)
        .iter()
        .map(|line| line["release"].as_i64().expect("a release"))
        .collect();
    assert!(numbers.is_sorted() && numbers.len() > 8, "{numbers:?}");
}

async fn a_batch_that_waits_for_accounts_is_no_part_of_it(service: Service) {
    service.entity("ACME").await;
    let mut accounts = all_accounts();
    accounts["accounts"].as_object_mut().expect("accounts").remove("interest_expense");
    service.put(&mapping_path("ACME", "2025-01-01"), &accounts).await.done();
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let year = period("2025-01-01", "2025-12-31");
    let kinds = |lines: Vec<Value>| lines.iter().map(|line| text(&line["kind"]).to_owned()).collect::<Vec<_>>();
    assert_eq!(kinds(items(&service.read(&year).await)), ["issuance"; 2]);
    service.put(&mapping_path("ACME", "2025-01-01"), &all_accounts()).await.done();
    let released = kinds(items(&service.read(&year).await));
    assert!(released.len() > 6 && released[2] == "accrual", "what waited comes after what did not: {released:?}");
    assert_eq!(items(&service.read(&year).await), of_feed(&service, "2025-01-01", "2025-12-31").await);
}

async fn a_batch_that_was_released_again_is_there_once(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let january = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let year = period("2025-01-01", "2025-12-31");
    let first = service.read(&format!("{year}&limit=3")).await;
    let rejected = json!({"revision": 1, "status": "rejected", "reason": "Account 1012 is blocked for posting"});
    let path = format!("/v1/journal-batches/{}/acknowledgement", text(&january["journal_batches"][0]["id"]));
    service.post(&path, &rejected).await.done();
    let mut accounts = all_accounts();
    accounts["accounts"]["interest_expense"]["account"] = json!("7000");
    service.put(&mapping_path("ACME", "2000-01-01"), &accounts).await.done();
    let places = |lines: Vec<Value>| {
        let place = |line: &Value| {
            let number = |name: &str| line[name].as_i64().expect("a number");
            (
                text(&line["posting_date"]).to_owned(),
                number("release"),
                number("revision"),
                text(&line["account"]).to_owned(),
            )
        };
        lines.iter().map(place).collect::<Vec<_>>()
    };
    let place = |date: &str, release, revision, account: &str| (date.to_owned(), release, revision, account.to_owned());
    let issued = [place("2025-01-15", 1, 1, "1000"), place("2025-01-15", 1, 1, "1002")];
    let old = [place("2025-01-31", 2, 1, "1012"), place("2025-01-31", 2, 1, "1007")];
    let february = [place("2025-02-28", 3, 1, "1012"), place("2025-02-28", 3, 1, "1007")];
    let anew = [place("2025-01-31", 4, 2, "7000"), place("2025-01-31", 4, 2, "1007")];
    assert_eq!(places(items(&service.read(&year).await)), [issued.as_slice(), &february, &anew].concat());
    // Whoever began to read before reads on as it was.
    let rest = service.read(&format!("{year}&cursor={}", text(&first["next_cursor"]))).await;
    let before = [items(&first), items(&rest)].concat();
    assert_eq!(places(before), [issued.as_slice(), &old, &february].concat());
}

async fn lines_are_read_page_by_page_as_they_were_known(service: Service) {
    let issue = busy(&service).await;
    let year = period("2025-01-01", "2025-12-31");
    let all = items(&service.read(&format!("{year}&limit=500")).await);
    for limit in [1, 3, 7, all.len() - 1, all.len()] {
        let (mut address, mut seen) = (format!("{year}&limit={limit}"), Vec::new());
        loop {
            let answer = service.get(&address).await;
            let page = answer.done();
            assert!(items(&page).len() <= limit);
            seen.extend(items(&page));
            let Some(cursor) = page["next_cursor"].as_str() else { break };
            assert!(answer.header("link").contains(cursor));
            address = format!("{year}&limit={limit}&cursor={cursor}");
        }
        assert_eq!(seen, all, "{limit}");
    }
    // What is posted meanwhile is not on the pages that follow.
    let first = service.read(&format!("{year}&limit=5")).await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    let cursor = text(&first["next_cursor"]);
    let rest = service.read(&format!("{year}&limit=500&cursor={cursor}")).await;
    assert_eq!([items(&first), items(&rest)].concat(), all);
    assert_eq!(rest["known_at"], first["known_at"]);
    assert!(items(&service.read(&format!("{year}&limit=500")).await).len() > all.len());
    let other = period("2025-01-01", "2025-11-30");
    service.get(&format!("{other}&cursor={cursor}")).await.problem(400, "malformed_query");
}

async fn a_csv_is_the_whole_period_with_every_field_and_dimension(service: Service) {
    busy(&service).await;
    let mut accounts = all_accounts();
    accounts["accounts"]["cash"]["dimensions"] = json!({"bank": "First", "desk": "unset"});
    service.put(&mapping_path("ACME", "2025-05-01"), &accounts).await.done();
    service
        .issue(json!({"reference": "CB-2", "dated_date": "2025-06-15", "settlement_date": "2025-06-15",
        "maturity_date": "2030-06-15"}))
        .await;
    for (from, to, dimensions) in [("2025-01-01", "2025-12-31", "bank desk"), ("2025-02-01", "2025-03-31", "desk")] {
        let written = service.get(&format!("{}&format=csv", period(from, to))).await;
        assert_eq!((written.status, written.header("content-type")), (200, "text/csv; charset=utf-8; header=present"));
        assert!(written.headers.get("content-length").is_none(), "it is sent while it is read");
        let mut reader = csv::Reader::from_reader(written.bytes.as_slice());
        let columns = "number revision release entity posting_date effective_date currency entry kind line account account_name \
                       account_role debit credit bond_issue reference isin event memo content_sha256";
        let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
        assert_eq!(header.join(" "), format!("{columns} {dimensions}"));
        let rows: Vec<Vec<String>> =
            reader.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect();
        let cell = |line: &Value, name: &String| match line.get(name).or_else(|| line["dimensions"].get(name)) {
            None | Some(Value::Null) => String::new(),
            Some(Value::String(text)) => text.clone(),
            Some(number) => number.to_string(),
        };
        let expected = of_feed(&service, from, to).await;
        let expected: Vec<Vec<String>> =
            expected.iter().map(|line| header.iter().map(|name| cell(line, name)).collect()).collect();
        assert_eq!(rows, expected);
    }
    let empty = service.get(&format!("{}&format=csv", period("2024-01-01", "2024-12-31"))).await;
    assert_eq!(empty.bytes.iter().filter(|byte| **byte == b'\n').count(), 1, "a header alone");
}

async fn lines_of_one_currency_stand_together(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    service.issue(json!({"reference": "EN-1", "currency": "EUR", "conversion": null})).await;
    let year = period("2025-01-01", "2025-12-31");
    for (query, currency, other) in
        [("", "USD", "EUR"), ("&currency=USD", "USD", "EUR"), ("&currency=EUR", "EUR", "USD")]
    {
        let lines = service.read(&format!("{year}{query}")).await;
        assert_eq!((&lines["currency"], &lines["other_currencies"]), (&json!(currency), &json!([other])));
        assert_eq!(items(&lines).len(), 2);
        assert!(items(&lines).iter().all(|line| line["currency"] == json!(currency)));
        let written = service.get(&format!("{year}{query}&format=csv")).await;
        assert_eq!(String::from_utf8_lossy(&written.bytes).matches(currency).count(), 2);
    }
    assert_eq!(items(&service.read(&format!("{year}&currency=JPY")).await), [Value::Null; 0]);
    service.get(&format!("{year}&currency=XXQ")).await.problem(400, "malformed_query");
}

/// More entries than are read at once, between batches of few.
async fn a_batch_of_many_entries_is_read_in_parts(service: Service) {
    service.mapped_entity("ACME").await;
    let numbers: Vec<usize> = (0..1_040).collect();
    for some in numbers.chunks(40) {
        let bodies = some.iter().map(|number| {
            let changes = json!({"reference": format!("SN-{number:04}"), "conversion": null, "dimensions": {"n": number.to_string()}});
            let (service, body) = (&service, terms(changes));
            async move { service.post("/v1/bond-issues", &body).await.created() }
        });
        join_all(bodies).await;
    }
    service.post("/v1/entities/ACME/accruals", &json!({"through": "2025-02-28"})).await.created();
    let from_february = period("2025-01-31", "2025-02-28");
    let (mut address, mut seen) = (format!("{from_february}&limit=500"), Vec::new());
    loop {
        let page = service.read(&address).await;
        seen.extend(items(&page));
        let Some(cursor) = page["next_cursor"].as_str() else { break };
        address = format!("{from_february}&limit=500&cursor={cursor}");
    }
    assert_eq!(seen.len(), 2 * 2 * 1_040);
    let place = |line: &Value| ["release", "entry", "line"].map(|name| line[name].as_i64().expect("a number"));
    let places: Vec<_> = seen.iter().map(place).collect();
    assert!(places.is_sorted_by(|left, right| left < right), "each once and in order");
    assert_eq!(seen.iter().map(|line| text(&line["reference"])).collect::<BTreeSet<_>>().len(), 1_040);
    assert!(seen.iter().all(|line| format!("SN-{:0>4}", text(&line["dimensions"]["n"])) == text(&line["reference"])));
    let layout = json!({"columns": [{"field": "release"}, {"field": "entry"}, {"field": "line"}, {"field": "amount"}], "header": false,
        "encoding": "iso-8859-1"});
    service.put("/v1/entities/ACME/layouts/places", &layout).await.done();
    let written = service.get(&format!("{}&format=csv&layout=places", period("2025-01-01", "2025-12-31"))).await;
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(written.bytes.as_slice());
    let all: Vec<[i64; 3]> = reader
        .records()
        .map(|row| row.expect("a row"))
        .map(|row| [0, 1, 2].map(|at| row[at].parse().expect("a number")))
        .collect();
    assert_eq!(all.len(), 2 * 1_040 + places.len(), "the issuances stand before");
    assert!(all.is_sorted_by(|left, right| left < right) && all.ends_with(&places));
}

async fn a_period_that_cannot_be_is_refused(service: Service) {
    let issue = busy(&service).await;
    for (query, code) in [
        ("from=2025-02-01&to=2025-01-31", "malformed_query"),
        ("from=2025-02-01", "malformed_query"),
        ("to=2025-02-01", "malformed_query"),
        ("from=2025-02-30&to=2025-03-01", "malformed_query"),
        ("from=2025-01-01&to=2025-12-31&format=csv&limit=5", "malformed_query"),
        ("from=2025-01-01&to=2025-12-31&limit=0", "malformed_query"),
        ("from=2025-01-01&to=2025-12-31&cursor=x", "malformed_query"),
        ("from=2025-01-01&to=2025-12-31&format=pdf", "malformed_query"),
        ("from=2025-01-01&to=2025-12-31&period=1", "unknown_query_parameter"),
    ] {
        service.get(&format!("{PATH}?{query}")).await.problem(400, code);
    }
    let first = service.read(&format!("{}&limit=1", period("2025-01-01", "2025-12-31"))).await;
    let csv = format!("{}&format=csv&cursor={}", period("2025-01-01", "2025-12-31"), text(&first["next_cursor"]));
    let problem = service.get(&csv).await.problem(400, "malformed_query");
    assert!(text(&problem["detail"]).contains("all lines of the period"), "{problem}");
    service.get("/v1/entities/NOBODY/journal-lines?from=2025-01-01&to=2025-12-31").await.problem(404, "not_found");
    let headers = [("accept", "image/png")];
    let refused = service
        .send(axum::http::Method::GET, &period("2025-01-01", "2025-12-31"), &headers, axum::body::Body::empty())
        .await;
    refused.problem(406, "not_acceptable");
    service.get(&on(&issue, "events")).await.done();
}
