//! A day's conversion notices in one request.

use serde_json::{Value, json};

use crate::support::client::{
    Service, array, assert_fields, assert_figures, change, mapping_path, on, on_both_engines, text,
};

on_both_engines! {
    notices_are_entries_of_one_batch_and_events_of_their_own
    many_notices_in_one_request_are_the_books_of_as_many_requests
    a_preview_is_what_is_posted_and_a_repetition_is_answered_alike
    every_row_that_is_refused_is_pointed_to_and_nothing_is_recorded
    every_row_of_another_shape_is_pointed_to
    a_reference_and_a_surrender_are_named_once
    one_of_several_events_of_a_batch_is_reversed
    what_was_known_between_two_notices_still_ties
    batches_are_cut_between_entries_and_wait_for_accounts_together
    a_list_is_of_one_to_a_thousand
}

const NOTICES: &str = "conversion-notices";

fn notice(date: &str, principal: &str, reference: &str) -> Value {
    json!({"effective_date": date, "principal": principal, "share_price": "51.00", "reference": reference})
}

fn list(notices: impl IntoIterator<Item = Value>) -> Value {
    json!({"conversions": notices.into_iter().collect::<Vec<_>>()})
}

/// 6% at 98 with costs, and 20.3 shares a bond, so that notices have fractions; accrued through June.
async fn accrued(service: &Service) -> String {
    service.mapped_entity("ACME").await;
    issued(service, "CB-1").await
}

async fn issued(service: &Service, reference: &str) -> String {
    let issue = service
        .issue(json!({"reference": reference, "proceeds": "980000.00", "issue_costs": "15000.00",
            "conversion": {"shares_per_denomination": "20.3", "share_par_value": "0.01"}}))
        .await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    issue
}

async fn notices_are_entries_of_one_batch_and_events_of_their_own(service: Service) {
    let issue = accrued(&service).await;
    let body = list((1..=5).map(|at| notice("2025-08-20", "1000.00", &format!("N-{at}"))));
    let answer = service.post(&on(&issue, NOTICES), &body).await.created();
    assert_fields(&answer, "bond_issue items journal_batches");
    let (items, batches) = (array(&answer["items"]), array(&answer["journal_batches"]));
    // July is accrued by a batch of its own.
    assert_eq!(batches.len(), 2);
    let kinds: Vec<&str> = array(&batches[1]["entries"]).iter().map(|entry| text(&entry["kind"])).collect();
    assert_eq!(kinds, ["accrual", "conversion", "conversion", "conversion", "conversion", "conversion"]);
    for (at, item) in items.iter().enumerate() {
        assert_fields(item, "event position_before position_after conversion");
        assert_eq!(item["conversion"]["shares_issued"], json!("20"));
        assert_eq!(array(&batches[1]["entries"])[at + 1]["event"], item["event"]["id"]);
        let first = items[0]["event"]["sequence"].as_u64().expect("a sequence");
        assert_eq!(item["event"]["sequence"], json!(first + at as u64));
    }
    assert_eq!(items[4]["position_after"]["principal"], json!("995000.00"));
    assert_eq!(batches[1]["sequence"], items[4]["event"]["sequence"]);
    assert_figures(
        &service.carrying_value(&issue, "2025-08-20").await,
        json!({"principal": "995000.00", "status": "tied"}),
    );
    let events = service.read(&on(&issue, "events")).await;
    assert_eq!(array(&events["items"]).len(), 7);
    service.verify().await;
    // The next command goes on from what memory holds.
    service.record(&issue, "conversions", notice("2025-08-21", "1000.00", "N-6")).await;
    service.record(&issue, "conversions", notice("2025-05-05", "1000.00", "N-7")).await;
    service.verify().await;
}

/// Backdated ones, some before the accrual and some before each other, surrenders, and those of the day itself.
fn mixed(count: usize) -> Vec<Value> {
    let dates = ["2025-08-20", "2025-03-31", "2025-08-20", "2025-05-02", "2025-07-15", "2025-01-15", "2025-06-30"];
    let row = |at: usize| {
        let mut row = notice(dates[at % dates.len()], &format!("{}000.00", at % 3 + 1), &format!("N-{at}"));
        if at % 11 == 3 && text(&row["effective_date"]) > "2025-02-10" {
            change(&mut row, json!({"conversion_date": "2025-02-10"}));
        }
        if at % 13 == 5 {
            change(&mut row, json!({"conversion_date": "2025-04-01", "effective_date": null, "share_price": null}));
        }
        row
    };
    (0..count).map(row).collect()
}

fn without(document: &Value, names: &[&str]) -> Value {
    match document {
        Value::Array(items) => items.iter().map(|item| without(item, names)).collect(),
        Value::Object(fields) => fields
            .iter()
            .filter(|(name, _)| !names.contains(&name.as_str()))
            .map(|(name, value)| (name.clone(), without(value, names)))
            .collect::<serde_json::Map<_, _>>()
            .into(),
        other => other.clone(),
    }
}

async fn many_notices_in_one_request_are_the_books_of_as_many_requests(service: Service) {
    let together = accrued(&service).await;
    let alone = issued(&service, "CB-2").await;
    let rows = mixed(60);
    let answer = service.post(&on(&together, NOTICES), &list(rows.clone())).await.created();
    let (mut items, mut entries) = (Vec::new(), Vec::new());
    for (at, row) in rows.iter().enumerate() {
        let mut row = row.clone();
        change(&mut row, json!({"reference": format!("S-{at}")}));
        let single = service.record(&alone, "conversions", row).await;
        items.push(without(&single, &["journal_batches", "id", "sequence", "recorded_at", "request_id", "bond_issue"]));
        let of_single = array(&single["journal_batches"]).iter().flat_map(|batch| array(&batch["entries"]).clone());
        entries.extend(of_single);
    }
    let no_ids = ["id", "sequence", "recorded_at", "request_id", "bond_issue"];
    assert_eq!(without(&answer["items"], &no_ids), Value::Array(items));
    // Every entry, whatever batch it stands in.
    let plain = |entries: Vec<Value>| {
        let mut plain: Vec<String> = entries
            .iter()
            .map(|entry| without(entry, &["sequence", "bond_issue", "reference", "event", "dimensions"]).to_string())
            .collect();
        plain.sort();
        plain
    };
    let of_list = array(&answer["journal_batches"]).iter().flat_map(|batch| array(&batch["entries"]).clone()).collect();
    assert_eq!(plain(of_list), plain(entries));
    for as_of in ["2025-01-31", "2025-02-28", "2025-04-30", "2025-06-30", "2025-08-20", "2025-12-31"] {
        for basis in ["effective", "posted"] {
            let of = async |issue: &String| {
                let value = service.read(&format!("{}?as_of={as_of}&basis={basis}", on(issue, "carrying-value"))).await;
                without(&value, &["bond_issue", "reference", "known_at", "event"])
            };
            assert_eq!(of(&together).await, of(&alone).await, "{as_of} {basis}");
        }
    }
    service.verify().await;
}

async fn a_preview_is_what_is_posted_and_a_repetition_is_answered_alike(service: Service) {
    let issue = accrued(&service).await;
    let path = on(&issue, NOTICES);
    let body = list(mixed(9));
    let preview = service.preview(&path, &body).await.done();
    let hash = text(&preview["preview_sha256"]).to_owned();
    let head = ("idempotency-key", "notices-1");
    let answer = service.post_with(&path, &body, &[head, ("if-preview-match", &hash)]).await.created();
    for (item, seen) in array(&answer["items"]).iter().zip(array(&preview["items"])) {
        assert_eq!(item["conversion"], seen["conversion"]);
        assert_eq!(item["position_after"], seen["position_after"]);
    }
    let again = service.post_with(&path, &body, &[head]).await;
    assert_eq!((again.header("idempotent-replayed"), again.created()), ("true", answer));
    let other = list([notice("2025-08-20", "1000.00", "other")]);
    service.post_with(&path, &other, &[head]).await.problem(422, "idempotency_key_reused");
    let stale = [("idempotency-key", "notices-2"), ("if-preview-match", hash.as_str())];
    service.post_with(&path, &other, &stale).await.problem(409, "preview_differs");
    let tag = [("idempotency-key", "notices-3"), ("if-match", "\"another\"")];
    service.post_with(&path, &other, &tag).await.problem(412, "precondition_failed");
    service.post_with(&path, &other, &[]).await.problem(400, "missing_idempotency_key");
}

#[track_caller]
fn errors(problem: &Value) -> Vec<(&str, &str)> {
    array(&problem["errors"]).iter().map(|error| (text(&error["pointer"]), text(&error["code"]))).collect()
}

async fn every_row_that_is_refused_is_pointed_to_and_nothing_is_recorded(service: Service) {
    let issue = accrued(&service).await;
    let path = on(&issue, NOTICES);
    service.record(&issue, "conversions", notice("2025-06-01", "600000.00", "before")).await;
    let (books, records) = (service.carrying_value(&issue, "2025-08-31").await, service.batches().await.len());
    // Of 400,000 the second row takes 300,000: what is too much for the third is not for the fourth.
    let mut body = list([
        notice("2025-08-20", "500.00", "a"),
        notice("2025-08-20", "300000.00", "b"),
        notice("2025-08-20", "200000.00", "c"),
        notice("2025-08-20", "90000.00", "d"),
        notice("2024-08-20", "1000.00", "e"),
        notice("2025-02-20", "1000.00", "before"),
        json!({"effective_date": "2025-08-20", "principal": "1000.00", "reference": "f"}),
        notice("2025-05-01", "20000.00", "g"),
    ]);
    let problem = service.post(&path, &body).await.problem(422, "rows_refused");
    assert_eq!(
        errors(&problem),
        [
            ("/conversions/0/principal", "principal_not_multiple_of_denomination"),
            ("/conversions/2/principal", "exceeds_outstanding"),
            ("/conversions/4/effective_date", "before_settlement"),
            ("/conversions/5/reference", "reference_in_use"),
            ("/conversions/6/share_price", "share_price_required"),
            ("/conversions/7", "later_event_in_the_way"),
        ]
    );
    service.preview(&path, &body).await.problem(422, "rows_refused");
    assert_eq!(service.carrying_value(&issue, "2025-08-31").await, books);
    assert_eq!(service.batches().await.len(), records);
    // All are right in themselves.
    let rows = body["conversions"].as_array_mut().expect("a list");
    let kept = [rows[1].clone(), rows[2].clone(), rows[3].clone()];
    let problem = service.post(&path, &list(kept.clone())).await.problem(409, "rows_in_conflict");
    assert_eq!(errors(&problem), [("/conversions/1/principal", "exceeds_outstanding")]);
    assert!(text(&problem["detail"]).contains("1 of 3 rows"), "{problem}");
    let right = list([kept[0].clone(), kept[2].clone()]);
    service.post(&path, &right).await.created();
    service.verify().await;
}

async fn every_row_of_another_shape_is_pointed_to(service: Service) {
    let issue = accrued(&service).await;
    let path = on(&issue, NOTICES);
    let mut rows: Vec<Value> = (0..4).map(|at| notice("2025-08-20", "1000.00", &format!("{at}"))).collect();
    change(&mut rows[0], json!({"principal": 1000}));
    change(&mut rows[2], json!({"date": "2025-08-20"}));
    rows[3] = json!(["2025-08-20"]);
    let problem = service.post(&path, &list(rows)).await.problem(422, "invalid_field");
    assert_eq!(
        errors(&problem),
        [
            ("/conversions/0/principal", "invalid_field"),
            ("/conversions/2/date", "invalid_field"),
            ("/conversions/3", "invalid_field"),
        ]
    );
    let headers = [("idempotency-key", "shape")];
    for (body, pointer) in [
        (r#"{"conversions": 5}"#, "/conversions"),
        (r#"{"conversions": [{"principal":"1","principal":"2"}]}"#, "/conversions/0/principal"),
        (r#"{"conversions": [], "conversions": []}"#, "/conversions"),
        (r#"{"conversion": []}"#, "/conversion"),
        ("{}", "/conversions"),
    ] {
        let problem = service.post_bytes(&path, body, &headers).await.problem(422, "invalid_field");
        assert_eq!(problem["errors"][0]["pointer"], json!(pointer), "{body}");
    }
}

async fn a_reference_and_a_surrender_are_named_once(service: Service) {
    let issue = accrued(&service).await;
    let path = on(&issue, NOTICES);
    let surrender = json!({"conversion_date": "2025-07-01", "principal": "5000.00", "reference": "S"});
    let surrendered = service.record(&issue, "conversions", surrender).await;
    let settle =
        json!({"surrender": surrendered["event"]["id"], "effective_date": "2025-07-20", "share_price": "51.00"});
    let body = list([
        notice("2025-08-20", "1000.00", "a"),
        settle.clone(),
        notice("2025-08-20", "1000.00", "a"),
        settle.clone(),
    ]);
    let problem = service.post(&path, &body).await.problem(422, "rows_refused");
    assert_eq!(
        errors(&problem),
        [("/conversions/2/reference", "invalid_field"), ("/conversions/3/surrender", "surrender_already_settled")]
    );
    service.post(&path, &list([notice("2025-08-20", "1000.00", "a"), settle.clone()])).await.created();
    let problem = service.post(&path, &list([settle])).await.problem(409, "rows_in_conflict");
    assert_eq!(errors(&problem), [("/conversions/0/surrender", "surrender_already_settled")]);
    service
        .post(&on(&issue, "conversions"), &notice("2025-08-21", "1000.00", "a"))
        .await
        .problem(409, "reference_in_use");
    service.verify().await;
}

async fn one_of_several_events_of_a_batch_is_reversed(service: Service) {
    let issue = accrued(&service).await;
    let rows = (1..=3).map(|at| notice("2025-08-20", &format!("{at}000.00"), &format!("N-{at}")));
    let answer = service.post(&on(&issue, NOTICES), &list(rows)).await.created();
    let batch = &array(&answer["journal_batches"])[1];
    let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    let mut body = json!({"reason": "The notice was withdrawn"});
    service.post(&path, &body).await.refused_at("invalid_field", "/event");
    change(&mut body, json!({"event": "ACME.nobody"}));
    service.post(&path, &body).await.refused_at("invalid_field", "/event");
    let event = &answer["items"][1]["event"]["id"];
    change(&mut body, json!({"event": event}));
    let reversed = service.post(&path, &body).await.created();
    assert_eq!(reversed["reversal"]["reversed_event"], *event);
    assert_eq!(reversed["journal_batches"][0]["reverses"], batch["id"]);
    assert_figures(
        &service.carrying_value(&issue, "2025-08-20").await,
        json!({"principal": "996000.00", "status": "tied"}),
    );
    service.post(&path, &body).await.conflict("already_reversed");
    // Its reference is free again, and the others can be reversed too.
    service.record(&issue, "conversions", notice("2025-08-20", "2000.00", "N-2")).await;
    change(&mut body, json!({"event": answer["items"][2]["event"]["id"]}));
    service.post(&path, &body).await.created();
    assert_figures(
        &service.carrying_value(&issue, "2025-08-20").await,
        json!({"principal": "997000.00", "status": "tied"}),
    );
    service.verify().await;
}

/// A time between two of them shows those that were recorded by then, in every report.
async fn what_was_known_between_two_notices_still_ties(service: Service) {
    let issue = accrued(&service).await;
    let rows = (1..=3).map(|at| notice(["2025-08-20", "2025-05-20"][at % 2], "1000.00", &format!("N-{at}")));
    let answer = service.post(&on(&issue, NOTICES), &list(rows)).await.created();
    let known = text(&answer["items"][1]["event"]["recorded_at"]);
    let value = service.read(&format!("{}?as_of=2025-08-20&known_at={known}", on(&issue, "carrying-value"))).await;
    assert_figures(&value, json!({"principal": "998000.00", "status": "tied", "known_at": known}));
    let period = format!("from=2025-01-01&to=2025-12-31&known_at={known}");
    let report = service.read(&format!("/v1/entities/ACME/rollforward?{period}")).await;
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
    let balance = service.read(&format!("/v1/entities/ACME/trial-balance?as_of=2025-12-31&known_at={known}")).await;
    let payable = array(&balance["rows"]).iter().find(|row| row["account_role"] == json!("bonds_payable"));
    assert_eq!(payable.expect("a row")["debit"], json!("2000.00"), "{balance}");
}

async fn batches_are_cut_between_entries_and_wait_for_accounts_together(service: Service) {
    let entity = json!({"code": "ACME", "name": "Acme Ferries, Inc.", "functional_currency": "USD",
        "framework": "us_gaap", "fiscal_year_end": "12-31", "max_lines_per_batch": 12});
    service.post("/v1/entities", &entity).await.created();
    let issue = issued(&service, "CB-1").await;
    let rows = (0..10).map(|at| notice("2025-06-30", "1000.00", &format!("N-{at}")));
    // Not by the client's own checks, which know one batch a date.
    let headers = [("idempotency-key", "cut")];
    let answer = service.post_bytes(&on(&issue, NOTICES), list(rows).to_string(), &headers).await.created();
    let batches = array(&answer["journal_batches"]);
    assert!(batches.len() > 3, "{}", batches.len());
    for batch in batches {
        assert!(batch["totals"]["lines"].as_u64().expect("a count") <= 12);
        assert_eq!((&batch["status"], &batch["posting_date"]), (&json!("ready"), &json!("2025-06-30")));
    }
    let entries = batches.iter().flat_map(|batch| array(&batch["entries"]));
    assert_eq!(entries.filter(|entry| entry["kind"] == json!("conversion")).count(), 10);
    service.put(&mapping_path("ACME", "2000-01-01"), &crate::support::client::all_accounts()).await.done();
    let batch = service.read(&format!("/v1/journal-batches/{}", text(&batches[0]["id"]))).await;
    assert_eq!(batch["status"], json!("released"));
    service.verify().await;
}

async fn a_list_is_of_one_to_a_thousand(service: Service) {
    let issue = accrued(&service).await;
    let path = on(&issue, NOTICES);
    service.post(&path, &list([])).await.refused_at("invalid_field", "/conversions");
    let many = |count: usize| list((0..count).map(|at| notice("2025-08-20", "1000.00", &format!("N-{at}"))));
    service.post(&path, &many(1_001)).await.refused_at("invalid_field", "/conversions");
    // Longer than what other addresses take.
    let body = format!("{}{}", many(1_000), " ".repeat(2 << 20));
    let answer = service.post_bytes(&path, body, &[("idempotency-key", "many")]).await.created();
    array(&answer["journal_batches"]).iter().for_each(crate::support::ledger::check_batch);
    assert_eq!(array(&answer["items"])[999]["position_after"]["principal"], json!("0.00"));
    service.verify().await;
}
