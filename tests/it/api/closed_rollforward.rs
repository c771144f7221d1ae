//! The rollforward of a fiscal period as it was closed, and as it is now.

use serde_json::{Value, json};

use super::periods::{close, closed, path, reopen};
use crate::support::client::{Service, array, assert_figures, on_both_engines, text};

on_both_engines! {
    as_closed_is_the_same_bytes_whatever_comes_later
    the_last_close_counts
    what_changed_since_the_close_is_listed
    waivers_are_printed
    a_period_stands_for_its_days_and_nothing_else
}

fn of(period: &str, view: &str) -> String {
    format!("/v1/entities/ACME/rollforward?period={period}&view={view}")
}

async fn bytes(service: &Service, address: &str) -> Vec<u8> {
    let answer = service.get(address).await;
    answer.done();
    answer.bytes
}

async fn conversion(service: &Service, issue: &str, date: &str) -> Value {
    service.record(issue, "conversions", json!({"effective_date": date, "principal": "100000.00"})).await
}

async fn as_closed_is_the_same_bytes_whatever_comes_later(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "1040000.00"})).await;
    closed(&service, "2025-01").await;
    let answer = closed(&service, "2025-02").await;
    let csv = format!("{}&format=csv", of("2025-02", "as_closed"));
    let (january, february) = (of("2025-01", "as_closed"), of("2025-02", "as_closed"));
    let before = [bytes(&service, &january).await, bytes(&service, &february).await, service.get(&csv).await.bytes];
    let report = service.read(&february).await;
    assert_figures(
        &report,
        json!({"period": "2025-02", "view": "as_closed", "from": "2025-02-01", "to": "2025-02-28", "waivers": [],
            "closed_at": answer["recorded_at"], "known_at": answer["recorded_at"]}),
    );
    // What reports did not say when periods were closed first, they do not say of closed ones later.
    assert!(report.get("changed_since_close").is_none() && report.get("comparative_asked").is_none());
    // The close's own accrual is in it.
    let closing = array(&report["total"]).last().expect("a closing line").clone();
    // 46 days of 30/360 from 15 January to the boundary of 1 March, at 166.666... a day.
    assert_eq!(closing["interest_payable"], json!("7666.67"));
    // As closed is the default, and the same as known at the close.
    assert_eq!(service.get("/v1/entities/ACME/rollforward?period=2025-02").await.bytes, before[1]);
    let known = text(&report["known_at"]);
    let days = format!("/v1/entities/ACME/rollforward?from=2025-02-01&to=2025-02-28&known_at={known}");
    assert_eq!(service.read(&days).await["total"], report["total"]);
    conversion(&service, &issue, "2025-01-20").await;
    conversion(&service, &issue, "2025-02-20").await;
    closed(&service, "2025-03").await;
    reopen(&service, "2025-03").await.done();
    service.issue(json!({"reference": "EUR-1", "currency": "EUR"})).await;
    let after = [bytes(&service, &january).await, bytes(&service, &february).await, service.get(&csv).await.bytes];
    assert!(before == after);
}

async fn the_last_close_counts(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let first = closed(&service, "2025-02").await;
    let as_closed = of("2025-02", "as_closed");
    let before = service.read(&as_closed).await;
    let january = service.read(&of("2025-01", "as_closed")).await;
    assert_eq!(january["closed_at"], first["recorded_at"], "the first close closes what is before");
    reopen(&service, "2025-02").await.done();
    service.get(&as_closed).await.problem(409, "period_open");
    conversion(&service, &issue, "2025-02-10").await;
    let current = service.read(&of("2025-02", "current")).await;
    assert_eq!(current["closed_at"], first["recorded_at"]);
    assert!(!array(&current["changed_since_close"]).is_empty());
    let second = closed(&service, "2025-02").await;
    let after = service.read(&as_closed).await;
    assert_eq!(after["closed_at"], second["recorded_at"]);
    let principal = |report: &Value| array(&report["total"]).last().expect("a line")["principal"].clone();
    assert_eq!([principal(&before), principal(&after)], [json!("1000000.00"), json!("900000.00")]);
    // January was not opened, and is as it was; the first close of February is still there by its time.
    assert_eq!(service.read(&of("2025-01", "as_closed")).await, january);
    let known = text(&first["recorded_at"]);
    let days = format!("/v1/entities/ACME/rollforward?from=2025-02-01&to=2025-02-28&known_at={known}");
    assert_eq!(service.read(&days).await["total"], before["total"]);
    let current = service.read(&of("2025-02", "current")).await;
    assert_eq!(current["changed_since_close"], json!([]));
}

/// Effective in February and posted in March: it changes neither the days of February nor those of January, but is of February.
async fn what_changed_since_the_close_is_listed(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    closed(&service, "2025-02").await;
    let late = conversion(&service, &issue, "2025-02-10").await;
    let current = service.read(&of("2025-02", "current")).await;
    assert_eq!(current["total"], service.read(&of("2025-02", "as_closed")).await["total"]);
    let found: Vec<(&str, &str, &str)> = array(&current["changed_since_close"])
        .iter()
        .map(|item| {
            assert_eq!((&item["bond_issue"], &item["event"]), (&json!(issue), &late["event"]["id"]));
            assert_figures(
                item,
                json!({"batch": "ACME-2025-000004", "reference": "CB-1", "posting_date": "2025-03-01"}),
            );
            (text(&item["kind"]), text(&item["effective_date"]), text(&item["amounts"]["principal"]))
        })
        .collect();
    let expected = [("catch_up", "2025-02-28", "0.00"), ("conversion", "2025-02-10", "-100000.00")];
    assert_eq!(found, expected);
    let march = service.read(&of("2025-03", "current")).await;
    assert!(march.get("changed_since_close").is_none() && march.get("closed_at").is_none(), "{march}");
    assert_eq!(service.read(&of("2025-01", "current")).await["changed_since_close"], json!([]));
    closed(&service, "2025-03").await;
    // Of March, since its own close: nothing.
    assert_eq!(service.read(&of("2025-03", "current")).await["changed_since_close"], json!([]));
    let foreign = format!("{}&currency=EUR", of("2025-02", "current"));
    assert_eq!(service.read(&foreign).await["changed_since_close"], json!([]));
}

async fn waivers_are_printed(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let waivers = json!([{"bond_issue": issue, "expected": "coupon_payment", "date": "2025-07-15",
        "reason": "holders agreed to wait", "name": "A. Controller"}]);
    close(&service, "2025-07", json!({"waivers": waivers})).await.done();
    for view in ["as_closed", "current"] {
        assert_eq!(service.read(&of("2025-07", view)).await["waivers"], waivers);
    }
    assert_eq!(service.read(&path("2025-07")).await["close"]["waivers"], waivers);
    // In a table it is a row of its own, last, that no sum of a column counts.
    let (header, rows) = super::csv::table(&service.get(&format!("{}&format=csv", of("2025-07", "as_closed"))).await);
    let last = rows.last().expect("a row");
    let expected = [
        ("bond_issue", issue.as_str()),
        ("reference", "CB-1"),
        ("currency", "USD"),
        ("from", "2025-07-01"),
        ("to", "2025-07-31"),
        ("movement", "waiver"),
        ("waived", "coupon_payment"),
        ("waived_date", "2025-07-15"),
        ("waiver_reason", "holders agreed to wait"),
        ("waiver_name", "A. Controller"),
    ];
    let filled = header.iter().zip(last).filter(|(_, cell)| !cell.is_empty());
    assert_eq!(filled.map(|(name, cell)| (name.as_str(), cell.as_str())).collect::<Vec<_>>(), expected);
    assert!(rows[..rows.len() - 1].iter().all(|row| row[5] != "waiver" && row[header.len() - 4..].concat().is_empty()));
}

async fn a_period_stands_for_its_days_and_nothing_else(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    let address = "/v1/entities/ACME/rollforward";
    for query in [
        "",
        "from=2025-01-01",
        "to=2025-01-31",
        "period=2025-01&from=2025-01-01",
        "period=2025-01&from=2025-01-01&to=2025-01-31",
        "from=2025-01-01&to=2025-01-31&view=current",
        "view=current",
        "period=2025-01&view=past",
        "period=2025-01&known_at=2025-01-01T00:00:00Z",
    ] {
        service.get(&format!("{address}?{query}")).await.problem(400, "malformed_query");
    }
    service.get(&format!("{address}?period=2025-1")).await.refused_at("invalid_field", "/period");
    service.get(&format!("{address}?period=2025-01")).await.problem(409, "period_open");
    let report = service.read(&of("2025-01", "current")).await;
    assert_figures(&report, json!({"view": "current", "waivers": []}));
    service.get("/v1/entities/NONE/rollforward?period=2025-01").await.problem(404, "not_found");
}
