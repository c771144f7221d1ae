//! Bond issues and opening balances in bulk.

use std::io;

use axum::body::{Body, Bytes};
use axum::http::Method;
use futures_util::stream;
use serde_json::{Value, json};

use crate::support::client::{
    Answer, ISSUES, Service, array, assert_fields, change, items, on_both_engines, terms, text,
};

on_both_engines! {
    json_lines_and_csv_make_the_same_books
    every_wrong_row_is_named_and_nothing_is_recorded
    each_row_is_told_of_and_the_same_file_can_be_sent_again
    a_header_that_is_wrong_is_refused_before_any_row
    cells_are_quoted_and_counted_and_of_utf8
    an_upload_that_is_cut_off_records_nothing
    a_repeated_import_is_answered_as_before
    two_imports_of_one_file_at_once_record_it_once
    what_is_checked_is_not_recorded
    bonds_of_one_series_are_alike_within_a_file
    pages_of_rows_are_one_commit_with_numbers_without_gaps
    what_is_no_import_is_refused
}

const PATH: &str = "/v1/entities/ACME/bond-issue-imports";
const JSON_LINES: &str = "application/jsonl";

async fn import(service: &Service, path: &str, media_type: &str, body: impl Into<Body>) -> Answer {
    let key = service.fresh_key();
    service.send(Method::POST, path, &[("content-type", media_type), ("idempotency-key", &key)], body.into()).await
}

fn lines(rows: &[Value]) -> String {
    rows.iter().map(|row| format!("{row}\n")).collect()
}

fn row(at: usize) -> Value {
    terms(json!({"reference": format!("CB-{at}")}))
}

fn report(answer: &Answer) -> Vec<Value> {
    assert_eq!((answer.status, answer.header("content-type")), (200, JSON_LINES));
    let text = String::from_utf8_lossy(&answer.bytes);
    text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect()
}

/// Line, field and code of each mistake.
#[track_caller]
fn mistakes(problem: &Value) -> Vec<(u64, &str, &str)> {
    let mistake = |error: &'_ Value| error["line"].as_u64().expect("a line");
    array(&problem["errors"])
        .iter()
        .map(|error| (mistake(error), text(&error["pointer"]), text(&error["code"])))
        .collect()
}

async fn issues(service: &Service, entity: &str) -> Vec<Value> {
    items(&service.read(&format!("{ISSUES}?entity={entity}&limit=500")).await)
}

const CSV: &str = "\u{feff}reference,name,currency,principal,denomination,coupon_rate,coupon_frequency,day_count,dated_date,settlement_date,\
    maturity_date,proceeds,record_days,put_dates,conversion.shares_per_denomination,conversion.share_par_value,conversion.no_par,\
    conversion.sale_price_condition,dimensions.plant,opening_balance.date,opening_balance.principal,opening_balance.premium_discount,\
    opening_balance.issue_costs,opening_balance.interest_payable\r\n\
    A-1,\"Notes, \"\"first\"\"\nissue\",USD,1000000.00,1000.00,0.06,2,30/360,2025-01-15,2025-01-15,2030-01-15,980000.00,15,\
    2027-01-15 2028-01-15,20,0.01,,\"{\"\"percent\"\":\"\"130\"\",\"\"days\"\":20,\"\"of_days\"\":30}\",Møre,,,,,\r\n\
    A-2,,USD,500000.00,1000.00,0.05,1,ACT/ACT-ICMA,2025-01-15,2025-01-15,2030-01-15,500000.00,,,20,,true,,,,,,,\r\n\
    A-3,,USD,800000.00,1000.00,0.06,2,30/360,2022-01-15,2022-01-15,2030-01-15,,,,,,,,,2025-06-30,600000.00,-12000.00,-3000.00,16500.00\r\n";

fn the_same_rows() -> Vec<Value> {
    let mut taken_over = terms(json!({"reference": "A-3", "principal": "800000.00", "dated_date": "2022-01-15",
        "settlement_date": "2022-01-15", "proceeds": null, "conversion": null}));
    change(
        &mut taken_over,
        json!({"opening_balance": {"date": "2025-06-30", "principal": "600000.00", "premium_discount": "-12000.00",
            "issue_costs": "-3000.00", "interest_payable": "16500.00"}}),
    );
    vec![
        terms(
            json!({"reference": "A-1", "name": "Notes, \"first\"\nissue", "proceeds": "980000.00", "record_days": 15,
            "put_dates": ["2027-01-15", "2028-01-15"], "dimensions": {"plant": "Møre"},
            "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01",
                "sale_price_condition": {"percent": "130", "days": 20, "of_days": 30}}}),
        ),
        terms(json!({"reference": "A-2", "principal": "500000.00", "proceeds": "500000.00", "coupon_rate": "0.05",
            "coupon_frequency": 1, "day_count": "ACT/ACT-ICMA",
            "conversion": {"shares_per_denomination": "20", "no_par": true}})),
        taken_over,
    ]
}

/// The same three issues from either format, in either mode.
async fn json_lines_and_csv_make_the_same_books(service: Service) {
    let mut all = Vec::new();
    for (entity, format, mode) in [
        ("ACME", "csv", "atomic"),
        ("ACMEB", "jsonl", "atomic"),
        ("ACMEC", "csv", "per_row"),
        ("ACMED", "jsonl", "per_row"),
    ] {
        service.mapped_entity(entity).await;
        let mut rows = the_same_rows();
        rows.iter_mut().for_each(|row| change(row, json!({"entity": entity})));
        let (media_type, body) = match format {
            "csv" => ("text/csv; header=present; charset=utf-8", CSV.to_owned()),
            _ => ("application/x-ndjson", format!("\u{feff}{}\n\n", lines(&rows))),
        };
        let path = format!("/v1/entities/{entity}/bond-issue-imports?mode={mode}");
        let answer = import(&service, &path, media_type, body).await;
        if mode == "atomic" {
            let answer = answer.created();
            assert_fields(&answer, "entity recorded first_sequence last_sequence");
            assert_eq!((&answer["recorded"], &answer["last_sequence"]), (&json!(3), &json!(5)), "{answer}");
        } else {
            let report = report(&answer);
            assert_eq!(
                report[3],
                json!({"summary": {"rows": 3, "recorded": 3, "present": 0, "refused": 0}}),
                "{report:?}"
            );
        }
        let plain = |mut issue: Value| {
            change(&mut issue, json!({"id": null, "entity": null}));
            issue
        };
        all.push(issues(&service, entity).await.into_iter().map(plain).collect::<Vec<_>>());
        let report = service.read(&format!("/v1/entities/{entity}/trial-balance?as_of=2025-12-31")).await;
        all.push(array(&report["rows"]).clone());
    }
    assert_eq!((all[0].len(), &all[0][0]["name"]), (3, &json!("Notes, \"first\"\nissue")));
    for other in all.chunks(2) {
        assert_eq!((&other[0], &other[1]), (&all[0], &all[1]));
    }
    service.verify().await;
}

async fn every_wrong_row_is_named_and_nothing_is_recorded(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({"reference": "CB-7"})).await;
    let mut rows: Vec<Value> = (1..=8).map(row).collect();
    change(&mut rows[1], json!({"principal": 1000}));
    change(&mut rows[2], json!({"principal": "1000500.00"}));
    change(&mut rows[3], json!({"reference": "CB-1"}));
    change(&mut rows[4], json!({"entity": "OTHER"}));
    let mut body = lines(&rows).into_bytes();
    body.extend_from_slice(b"{\"reference\": \"CB-\xff\"}\n{\"entity\":\n");
    let problem = import(&service, PATH, JSON_LINES, body).await.problem(422, "rows_refused");
    assert_eq!(
        mistakes(&problem),
        [
            (2, "/principal", "invalid_field"),
            (3, "/principal", "principal_not_multiple_of_denomination"),
            (4, "/reference", "invalid_field"),
            (5, "/entity", "invalid_field"),
            (7, "/reference", "reference_in_use"),
            (9, "", "not_utf8"),
            (10, "", "malformed_json"),
        ]
    );
    assert!(text(&problem["detail"]).starts_with("7 of 10 rows are refused"), "{problem}");
    assert_eq!(issues(&service, "ACME").await.len(), 1);
    // What is only not right now.
    let problem = import(&service, PATH, JSON_LINES, lines(&[row(6), row(7)])).await.problem(409, "rows_in_conflict");
    assert_eq!(mistakes(&problem), [(2, "/reference", "reference_in_use")]);
    assert_eq!(issues(&service, "ACME").await.len(), 1);
    // The numbers go on without a gap.
    let answer = import(&service, PATH, JSON_LINES, lines(&[row(6)])).await.created();
    assert_eq!(answer["first_sequence"], json!(4));
    service.verify().await;
}

async fn each_row_is_told_of_and_the_same_file_can_be_sent_again(service: Service) {
    service.mapped_entity("ACME").await;
    let path = format!("{PATH}?mode=per_row");
    let mut rows: Vec<Value> = (0..5).map(row).collect();
    change(&mut rows[1], json!({"principal": "1000500.00"}));
    change(&mut rows[3], json!({"reference": "CB-0"}));
    let told = report(&import(&service, &path, JSON_LINES, lines(&rows)).await);
    let status = |told: &[Value]| {
        told.iter().map(|row| row["status"].as_str().unwrap_or_default().to_owned()).collect::<Vec<_>>()
    };
    // The fourth is the first once more.
    assert_eq!(status(&told), ["recorded", "refused", "recorded", "present", "recorded", ""]);
    assert_eq!(told[3]["bond_issue"], told[0]["bond_issue"]);
    assert_eq!((&told[1]["line"], &told[1]["reference"]), (&json!(2), &json!("CB-1")));
    let problem = &told[1]["problem"];
    assert_eq!(
        (&problem["status"], &problem["errors"][0]["pointer"]),
        (&json!(422), &json!("/principal")),
        "{problem}"
    );
    assert_eq!(told[5]["summary"], json!({"rows": 5, "recorded": 3, "present": 1, "refused": 1}));
    let records = service.read("/v1/entities/ACME").await;
    // Mended and sent again, with one that is now another issue, and one of which nothing can be read.
    change(&mut rows[1], json!({"principal": "1000000.00"}));
    change(&mut rows[2], json!({"coupon_rate": "0.07"}));
    let again = report(&import(&service, &path, JSON_LINES, lines(&rows) + "{}\n").await);
    assert_eq!(status(&again), ["present", "recorded", "refused", "present", "present", "refused", ""]);
    assert_eq!(again[0]["bond_issue"], told[0]["bond_issue"]);
    assert_eq!(
        (&again[2]["problem"]["code"], &again[2]["problem"]["status"]),
        (&json!("reference_in_use"), &json!(409))
    );
    assert_eq!(again[2]["problem"]["figures"]["id"], told[2]["bond_issue"]);
    assert_eq!(issues(&service, "ACME").await.len(), 4);
    assert_eq!(service.read("/v1/entities/ACME").await, records);
    service.verify().await;
}

async fn a_header_that_is_wrong_is_refused_before_any_row(service: Service) {
    service.mapped_entity("ACME").await;
    for mode in ["atomic", "per_row"] {
        let path = format!("{PATH}?mode={mode}");
        let header = "reference,principle,conversion.par,reference,dimensions.\nA-1,1,1,1,1\n";
        let problem = import(&service, &path, "text/csv", header).await.problem(422, "invalid_field");
        let details: Vec<&str> = array(&problem["errors"]).iter().map(|error| text(&error["detail"])).collect();
        for (detail, named) in details.iter().zip(["\"principle\"", "\"conversion.par\"", "twice", "\"dimensions.\""]) {
            assert!(detail.contains(named), "{detail}");
        }
        assert_eq!((details.len(), &problem["errors"][0]["line"]), (4, &json!(1)));
        let problem = import(&service, &path, "text/csv", "").await.problem(422, "invalid_field");
        assert!(text(&problem["detail"]).contains("empty"), "{problem}");
    }
    import(&service, PATH, "text/csv", "reference,name\r\n").await.refused_at("invalid_field", "");
    import(&service, PATH, JSON_LINES, "\n \n").await.refused_at("invalid_field", "");
}

async fn cells_are_quoted_and_counted_and_of_utf8(service: Service) {
    service.mapped_entity("ACME").await;
    let header = "reference,name,currency,principal,denomination,coupon_rate,coupon_frequency,day_count,dated_date,settlement_date,maturity_date,proceeds,conversion.no_par,conversion.make_whole";
    let tail = "USD,1000000.00,1000.00,0.06,2,30/360,2025-01-15,2025-01-15,2030-01-15,1000000.00";
    let mut body = format!("{header}\nA-1,\"two\nlines\",{tail},,\nA-2,x,{tail},\n").into_bytes();
    body.extend_from_slice(b"A-3,n\xe9e,USD,1,1,1,1,1,1,1,1,1,,\n");
    body.extend_from_slice(
        format!("A-4,,{},,\nA-5,,{tail},yes,\nA-6,,{tail},,[1\n", tail.replace(",2,", ",two,")).as_bytes(),
    );
    let problem = import(&service, PATH, "text/csv", body).await.problem(422, "rows_refused");
    assert_eq!(
        mistakes(&problem),
        [
            (4, "", "invalid_field"),
            (5, "/name", "not_utf8"),
            (6, "/coupon_frequency", "invalid_field"),
            (7, "/conversion/no_par", "invalid_field"),
            (8, "/conversion/make_whole", "invalid_field"),
        ]
    );
    let details: Vec<&str> = array(&problem["errors"]).iter().map(|error| text(&error["detail"])).collect();
    assert!(details[0].contains("13 cells") && details[0].contains("14 columns"), "{details:?}");
    assert!(details[1].contains("\"name\"") && details[1].contains("byte 1"), "{details:?}");
    assert!(details[3].contains("\"conversion.no_par\""), "{details:?}");
    let right = format!("{header}\nA-1,\"two\nlines\",{tail},,\n");
    import(&service, PATH, "text/csv", right).await.created();
}

/// The body ends with an error, as that of a connection that is lost.
async fn an_upload_that_is_cut_off_records_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    for mode in ["atomic", "per_row"] {
        let whole = Bytes::from(lines(&[row(1), row(2)]));
        let pieces = [Ok(whole), Err(io::Error::from(io::ErrorKind::ConnectionReset))];
        let answer =
            import(&service, &format!("{PATH}?mode={mode}"), JSON_LINES, Body::from_stream(stream::iter(pieces))).await;
        answer.problem(400, "malformed_json");
        assert!(issues(&service, "ACME").await.is_empty());
    }
}

async fn a_repeated_import_is_answered_as_before(service: Service) {
    service.mapped_entity("ACME").await;
    let headers = [("content-type", JSON_LINES), ("idempotency-key", "portfolio-1")];
    let body = lines(&[row(1), row(2)]);
    let send = async |body: &str| service.send(Method::POST, PATH, &headers, Body::from(body.to_owned())).await;
    let answer = send(&body).await.created();
    let again = send(&body).await;
    assert_eq!((again.header("idempotent-replayed"), again.created()), ("true", answer));
    send(&lines(&[row(3)])).await.problem(422, "idempotency_key_reused");
    assert_eq!(issues(&service, "ACME").await.len(), 2);
}

/// Both are checked, perhaps before either is written: then the second one is refused while it is.
async fn two_imports_of_one_file_at_once_record_it_once(service: Service) {
    service.mapped_entity("ACME").await;
    let body = lines(&(0..300).map(row).collect::<Vec<_>>());
    let (one, other) = tokio::join!(
        import(&service, PATH, JSON_LINES, body.clone()),
        import(&service, PATH, JSON_LINES, body.clone())
    );
    let (first, second) = if one.status == 201 { (one, other) } else { (other, one) };
    assert_eq!(first.created()["recorded"], json!(300));
    let problem = second.problem(409, "rows_in_conflict");
    assert_eq!(mistakes(&problem)[0], (1, "/reference", "reference_in_use"));
    assert_eq!(issues(&service, "ACME").await.len(), 300);
    service.verify().await;
}

async fn what_is_checked_is_not_recorded(service: Service) {
    service.mapped_entity("ACME").await;
    let path = format!("{PATH}?validate_only=true");
    let headers = [("content-type", JSON_LINES)];
    let answer = service.send(Method::POST, &path, &headers, Body::from(lines(&[row(1), row(2)]))).await;
    assert_eq!(report(&answer), [json!({"summary": {"rows": 2}})]);
    let answer = service.send(Method::POST, &path, &headers, Body::from(lines(&[row(1), row(1)]))).await;
    assert_eq!(mistakes(&answer.problem(422, "rows_refused")), [(2, "/reference", "invalid_field")]);
    assert!(issues(&service, "ACME").await.is_empty());
}

async fn bonds_of_one_series_are_alike_within_a_file(service: Service) {
    service.mapped_entity("ACME").await;
    let of_series = |at: usize, coupon: &str| {
        let mut row = row(at);
        change(&mut row, json!({"series": "NOTES", "coupon_rate": coupon}));
        row
    };
    let rows = [of_series(1, "0.06"), of_series(2, "0.06"), of_series(3, "0.05")];
    let problem = import(&service, PATH, JSON_LINES, lines(&rows)).await.problem(422, "rows_refused");
    assert_eq!(mistakes(&problem), [(3, "/series", "invalid_field")]);
    import(&service, PATH, JSON_LINES, lines(&rows[..2])).await.created();
    let told = report(&import(&service, &format!("{PATH}?mode=per_row"), JSON_LINES, lines(&rows)).await);
    let status: Vec<&Value> = told.iter().map(|row| &row["status"]).collect();
    assert_eq!(status[..3], ["present", "present", "refused"]);
    let converted = json!({"effective_date": "2025-03-15", "principal": "3000.00", "share_price": "50.00"});
    service.post("/v1/entities/ACME/series/NOTES/conversions", &converted).await.created();
}

async fn pages_of_rows_are_one_commit_with_numbers_without_gaps(service: Service) {
    service.mapped_entity("ACME").await;
    let rows: Vec<Value> = (1..=520).map(row).collect();
    let answer = import(&service, PATH, JSON_LINES, lines(&rows)).await.created();
    assert_eq!((&answer["first_sequence"], &answer["last_sequence"]), (&json!(3), &json!(522)));
    // What was recorded by the same writer before and after goes on from it.
    let issue = service.issue(json!({"reference": "CB-next"})).await;
    let converted = json!({"effective_date": "2025-03-15", "principal": "1000.00", "share_price": "50.00"});
    service.record(&issue, "conversions", converted).await;
    let releases = service.releases().await;
    let numbers: Vec<u64> = releases.iter().map(|release| release["release"].as_u64().expect("a number")).collect();
    assert_eq!(numbers, (1..=numbers.len() as u64).collect::<Vec<_>>());
    assert!(numbers.len() > 521);
    service.verify().await;
}

async fn what_is_no_import_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let body = || lines(&[row(1)]);
    import(&service, PATH, "application/json", body()).await.problem(415, "unsupported_media_type");
    import(&service, PATH, "text/csv; charset=latin1", body()).await.problem(415, "unsupported_media_type");
    let headers = [("content-type", JSON_LINES)];
    service.send(Method::POST, PATH, &headers, body().into()).await.problem(400, "missing_idempotency_key");
    import(&service, &format!("{PATH}?mode=some"), JSON_LINES, body()).await.problem(400, "malformed_query");
    let both = format!("{PATH}?mode=per_row&validate_only=true");
    import(&service, &both, JSON_LINES, body()).await.problem(400, "malformed_query");
    for mode in ["atomic", "per_row"] {
        let path = format!("/v1/entities/NOBODY/bond-issue-imports?mode={mode}");
        import(&service, &path, JSON_LINES, body()).await.problem(404, "not_found");
    }
}
