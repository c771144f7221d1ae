//! Fiscal periods: closing them, what stands in the way, and opening them again.

use serde_json::{Value, json};

use super::conversions::last_batch;
use crate::support::client::{
    Answer, Service, all_accounts, array, assert_fields, assert_figures, mapping_path, on, on_both_engines, text,
};

on_both_engines! {
    a_close_accrues_every_issue_and_locks
    periods_close_in_order_and_the_last_one_opens_again
    what_is_recorded_later_is_posted_on_the_first_open_day
    what_is_expected_and_not_recorded_stands_in_the_way
    an_event_or_a_waiver_takes_it_out_of_the_way
    puts_are_expected_of_their_own_period_alone
    an_unmapped_role_stands_in_the_way
    a_preview_is_what_is_closed
    the_list_runs_from_the_first_period_to_the_one_after_the_last
    what_cannot_be_is_refused
}

pub fn path(period: &str) -> String {
    format!("/v1/entities/ACME/periods/{period}")
}

pub async fn close(service: &Service, period: &str, body: Value) -> Answer {
    service.post(&format!("{}/close", path(period)), &body).await
}

pub async fn closed(service: &Service, period: &str) -> Value {
    close(service, period, json!({})).await.done()
}

pub async fn reopen(service: &Service, period: &str) -> Answer {
    let body = json!({"reason": "the trustee's notice came late", "name": "A. Controller"});
    service.post(&format!("{}/reopen", path(period)), &body).await
}

/// The codes of what stands in the way, with the date of each.
fn listed(items: &Value) -> Vec<(&str, &str)> {
    array(items).iter().map(|item| (text(&item["code"]), text(&item["date"]))).collect()
}

/// What a close is refused for: in the errors and among the figures.
pub fn in_the_way(answer: &Answer) -> Vec<Value> {
    let problem = answer.problem(409, "period_not_ready");
    let items = array(&problem["figures"]["in_the_way"]).clone();
    let errors = array(&problem["errors"]);
    assert_eq!(errors.len(), items.len(), "{problem}");
    for (error, item) in errors.iter().zip(&items) {
        assert_eq!((&error["code"], &error["detail"]), (&item["code"], &item["detail"]));
        let pointer = if item["expected"].is_null() { "" } else { "/waivers/-" };
        assert_eq!(error["pointer"], json!(pointer));
    }
    items
}

fn waiver(issue: &str, expected: &str, date: &str) -> Value {
    json!({"bond_issue": issue, "expected": expected, "date": date, "reason": "paid by the trustee", "name": "A. Controller"})
}

/// Two issues in one currency and one in another: a batch a month and currency, and one command.
async fn a_close_accrues_every_issue_and_locks(service: Service) {
    service.mapped_entity("ACME").await;
    for (reference, currency) in [("CB-1", "USD"), ("CB-2", "USD"), ("CB-3", "EUR")] {
        service.issue(json!({"reference": reference, "currency": currency})).await;
    }
    let answer = closed(&service, "2025-02").await;
    assert_fields(&answer, "period first_day last_day status sequence recorded_at waivers journal_batches skipped");
    assert_figures(
        &answer,
        json!({"period": "2025-02", "first_day": "2025-02-01", "last_day": "2025-02-28", "status": "closed"}),
    );
    let batches: Vec<(&str, &str, Value)> = array(&answer["journal_batches"])
        .iter()
        .map(|batch| (text(&batch["posting_date"]), text(&batch["currency"]), batch["totals"]["entries"].clone()))
        .collect();
    let expected = [
        ("2025-01-31", "EUR", json!(1)),
        ("2025-01-31", "USD", json!(2)),
        ("2025-02-28", "EUR", json!(1)),
        ("2025-02-28", "USD", json!(2)),
    ];
    assert_eq!(batches, expected);
    let period = service.read(&path("2025-02")).await;
    assert_figures(&period, json!({"status": "closed"}));
    assert_figures(
        &period["close"],
        json!({"period": "2025-02", "sequence": answer["sequence"], "recorded_at": answer["recorded_at"], "waivers": []}),
    );
    // January was closed with it.
    assert_eq!(service.read(&path("2025-01")).await["close"], period["close"]);
    assert_eq!(service.read(&path("2025-03")).await["status"], json!("open"));
    service.verify().await;
}

async fn periods_close_in_order_and_the_last_one_opens_again(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    let february = closed(&service, "2025-02").await;
    // The same again is answered the same, whatever the key; with another body it is another close.
    assert_eq!(closed(&service, "2025-02").await, february);
    let count = service.batches().await.len();
    close(&service, "2025-01", json!({})).await.conflict("period_closed");
    let detail = close(&service, "2025-04", json!({})).await.conflict("period_not_next");
    assert!(detail.contains("2025-03"), "{detail}");
    let march = closed(&service, "2025-03").await;
    let detail = reopen(&service, "2025-02").await.conflict("period_not_last_closed");
    assert!(detail.contains("2025-03"), "{detail}");
    let opened = reopen(&service, "2025-03").await.done();
    assert_figures(&opened, json!({"period": "2025-03", "status": "open", "name": "A. Controller"}));
    let period = service.read(&path("2025-03")).await;
    assert_eq!(period["status"], json!("open"));
    assert_eq!(period["reopened"]["reason"], json!("the trustee's notice came late"));
    assert_eq!(period["close"]["sequence"], march["sequence"]);
    // Nothing is left to accrue, and it is another close.
    let again = closed(&service, "2025-03").await;
    assert_eq!(again["journal_batches"], json!([]));
    assert_ne!(again["sequence"], march["sequence"]);
    assert_eq!(service.read(&path("2025-03")).await.get("reopened"), None);
    // The first close opens alone: what was closed together with it stays closed until it is opened too.
    reopen(&service, "2025-03").await.done();
    reopen(&service, "2025-02").await.done();
    assert_eq!(service.read(&path("2025-01")).await["status"], json!("closed"));
    reopen(&service, "2025-01").await.done();
    reopen(&service, "2025-01").await.conflict("period_not_last_closed");
    assert_eq!(service.batches().await.len(), count + 1);
    service.verify().await;
}

/// A conversion of January that is recorded after its close: effective then, posted on 1 March. A reversal of the coupon too.
async fn what_is_recorded_later_is_posted_on_the_first_open_day(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let open =
        service.record(&issue, "conversions", json!({"effective_date": "2025-01-20", "principal": "1000.00"})).await;
    closed(&service, "2025-02").await;
    let late =
        service.record(&issue, "conversions", json!({"effective_date": "2025-01-20", "principal": "1000.00"})).await;
    for batch in array(&late["journal_batches"]) {
        assert_figures(batch, json!({"posting_date": "2025-03-01"}));
    }
    assert_eq!(late["event"]["effective_date"], json!("2025-01-20"));
    let reversal = format!("/v1/journal-batches/{}/reversal", text(&last_batch(&open)["id"]));
    let reversed = service.post(&reversal, &json!({"reason": "the holder withdrew"})).await.created();
    for batch in array(&reversed["journal_batches"]) {
        assert_figures(batch, json!({"posting_date": "2025-03-01"}));
    }
    let refused = service.post(&on(&issue, "accruals"), &json!({"through": "2025-02-28"})).await;
    assert_eq!(refused.status, 200, "nothing is left to accrue in what is closed");
    for day in ["2025-01-31", "2025-02-28", "2025-03-01", "2025-03-31"] {
        assert_eq!(service.carrying_value(&issue, day).await["status"], json!("tied"), "{day}");
    }
    closed(&service, "2025-03").await;
    service.verify().await;
}

/// A coupon of 30,000 on 15 July; what matured on 15 January 2030 with the last coupon; an accepted offer for 100,000.
async fn what_is_expected_and_not_recorded_stands_in_the_way(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let found = in_the_way(&close(&service, "2025-07", json!({})).await);
    assert_eq!(found.len(), 1);
    assert_figures(
        &found[0],
        json!({"code": "coupon_payment_expected", "bond_issue": issue, "reference": "CB-1", "date": "2025-07-15",
            "amount": "30000.00", "currency": "USD", "expected": "coupon_payment"}),
    );
    assert!(text(&found[0]["detail"]).contains("record its payment"), "{}", found[0]);
    // Nothing of a refused close is kept.
    assert_eq!(service.batches().await.len(), 1);
    assert_eq!(service.read(&path("2025-07")).await["status"], json!("open"));
    let offer = json!({"acceptance_date": "2025-06-10", "principal": "100000.00", "cash": "5000.00",
        "criteria": {"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
            "substantive_at_acceptance": true}});
    let accepted = service.record(&issue, "inducements", offer).await;
    let found = in_the_way(&close(&service, "2025-07", json!({})).await);
    let expected = [("coupon_payment_expected", "2025-07-15"), ("inducement_settlement_expected", "2025-06-10")];
    assert_eq!(listed(&json!(found)), expected);
    assert_eq!(found[1]["amount"], json!("100000.00"));
    assert_eq!(json!(found), service.read(&path("2025-07")).await["in_the_way"]);
    let settled = json!({"acceptance": accepted["event"]["id"], "effective_date": "2025-06-20"});
    service.record(&issue, "inducements", settled).await;
    // All coupons but the last are paid; it and 900,000 are due on the day of maturity.
    for year in 2025..2030 {
        for day in ["01-15", "07-15"].into_iter().filter(|day| year > 2025 || *day == "07-15") {
            service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-{day}")})).await;
        }
    }
    let found = in_the_way(&close(&service, "2030-01", json!({})).await);
    assert_eq!(listed(&json!(found)), [("coupon_payment_expected", "2030-01-15"), ("maturity_expected", "2030-01-15")]);
    assert_eq!([&found[0]["amount"], &found[1]["amount"]], [&json!("27000.00"), &json!("900000.00")]);
}

async fn an_event_or_a_waiver_takes_it_out_of_the_way(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"maturity_date": "2025-07-15"})).await;
    let waivers = json!({"waivers": [waiver(&issue, "maturity", "2025-07-15")]});
    let found = in_the_way(&close(&service, "2025-07", waivers.clone()).await);
    assert_eq!(listed(&json!(found)), [("coupon_payment_expected", "2025-07-15")]);
    // Recorded, though paid after the last day.
    let paid = json!({"coupon_date": "2025-07-15", "paid_on": "2025-08-01"});
    service.record(&issue, "coupon-payments", paid).await;
    let answer = close(&service, "2025-07", waivers.clone()).await.done();
    assert_eq!(answer["waivers"], waivers["waivers"]);
    assert_eq!(service.read(&path("2025-07")).await["close"]["waivers"], waivers["waivers"]);
    assert_eq!(close(&service, "2025-07", waivers).await.done(), answer);
    close(&service, "2025-07", json!({})).await.conflict("period_closed");
    // What was waived is expected again by the next close.
    let found = in_the_way(&close(&service, "2025-08", json!({})).await);
    assert_eq!(listed(&json!(found)), [("maturity_expected", "2025-07-15")]);
    let redemption =
        json!({"effective_date": "2025-07-15", "paid_on": "2025-09-03", "principal": "1000000.00", "kind": "maturity"});
    service.record(&issue, "redemptions", redemption).await;
    closed(&service, "2025-08").await;
    closed(&service, "2025-09").await;
    service.verify().await;
}

async fn puts_are_expected_of_their_own_period_alone(service: Service) {
    service.mapped_entity("ACME").await;
    let terms = json!({"put_dates": ["2025-03-15", "2025-05-15", "2025-06-15"], "amortization_end": "2025-03-15",
        "coupon_rate": "0", "coupon_frequency": 0, "compounding_frequency": 12, "proceeds": "990000.00"});
    let issue = service.issue(terms).await;
    closed(&service, "2025-02").await;
    let found = in_the_way(&close(&service, "2025-03", json!({})).await);
    assert_eq!(listed(&json!(found)), [("put_expected", "2025-03-15")]);
    assert_eq!(found[0]["amount"], json!("1000000.00"));
    let none_put = json!({"waivers": [waiver(&issue, "put", "2025-03-15")]});
    close(&service, "2025-03", none_put).await.done();
    // A put that nobody used is not asked about again.
    closed(&service, "2025-04").await;
    let put = json!({"effective_date": "2025-05-16", "principal": "400000.00", "kind": "put"});
    service.record(&issue, "redemptions", put).await;
    closed(&service, "2025-05").await;
    let found = in_the_way(&close(&service, "2025-06", json!({})).await);
    assert_eq!(listed(&json!(found)), [("put_expected", "2025-06-15")]);
    assert_eq!(found[0]["amount"], json!("600000.00"));
}

/// The issuance waits for an account of cash, and the accrual of the close would for one of interest payable.
async fn an_unmapped_role_stands_in_the_way(service: Service) {
    service.entity("ACME").await;
    let mut accounts = all_accounts();
    for role in ["cash", "interest_payable"] {
        accounts["accounts"].as_object_mut().expect("accounts").remove(role);
    }
    service.put(&mapping_path("ACME", "2000-01-01"), &accounts).await.done();
    service.issue(json!({})).await;
    let found = in_the_way(&close(&service, "2025-01", json!({})).await);
    assert_eq!(listed(&json!(found)), [("unmapped_role", "2025-01-15"), ("unmapped_role", "2025-01-31")]);
    assert_eq!(found[0]["batch"], json!("ACME-2025-000001"));
    assert!(text(&found[0]["detail"]).contains("cash"), "{}", found[0]);
    assert!(text(&found[1]["detail"]).contains("interest_payable"), "{}", found[1]);
    service.put(&mapping_path("ACME", "2000-01-01"), &all_accounts()).await.done();
    closed(&service, "2025-01").await;
}

async fn a_preview_is_what_is_closed(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let address = format!("{}/close", path("2025-01"));
    let preview = service.preview(&address, &json!({})).await.done();
    assert_figures(&preview, json!({"sequence": null, "recorded_at": null, "status": "closed"}));
    assert_eq!(array(&preview["journal_batches"]).len(), 1);
    assert_eq!(service.read(&path("2025-01")).await["status"], json!("open"));
    let key = service.fresh_key();
    let conditions = |key| [("idempotency-key", key), ("if-preview-match", text(&preview["preview_sha256"]))];
    service.record(&issue, "conversions", json!({"effective_date": "2025-01-20", "principal": "1000.00"})).await;
    service.post_with(&address, &json!({}), &conditions(&key)).await.problem(409, "preview_differs");
    service.preview(&format!("{}/close", path("2025-09")), &json!({})).await.problem(409, "period_not_ready");
    let answer = service.post_with(&address, &json!({}), &[("idempotency-key", "close-1")]).await;
    let again = service.post_with(&address, &json!({}), &[("idempotency-key", "close-1")]).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(answer.done(), again.done());
    // A key that was given to a close is replayed even when the period is open again.
    let opened =
        service.preview(&format!("{}/reopen", path("2025-01")), &json!({"reason": "r", "name": "n"})).await.done();
    assert_figures(&opened, json!({"status": "open", "sequence": null}));
    reopen(&service, "2025-01").await.done();
    let again = service.post_with(&address, &json!({}), &[("idempotency-key", "close-1")]).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(service.read(&path("2025-01")).await["status"], json!("open"));
}

async fn the_list_runs_from_the_first_period_to_the_one_after_the_last(service: Service) {
    service.mapped_entity("ACME").await;
    let address = "/v1/entities/ACME/periods";
    assert_eq!(service.read(address).await, json!({"entity": "ACME", "closed_through": null, "items": []}));
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-02-10"})).await;
    let names = |list: &Value| -> Vec<String> {
        array(&list["items"])
            .iter()
            .map(|item| format!("{} {}", text(&item["period"]), text(&item["status"])))
            .collect()
    };
    let list = service.read(address).await;
    assert_eq!(names(&list), ["2025-01 open", "2025-02 open", "2025-03 open"]);
    assert_eq!(list["items"][0]["in_the_way"], json!([]));
    assert_eq!(list["items"][1].get("in_the_way"), None);
    closed(&service, "2025-06").await;
    let list = service.read(address).await;
    assert_eq!(names(&list).len(), 7);
    assert_eq!(list["closed_through"], json!("2025-06-30"));
    assert_eq!(listed(&list["items"][6]["in_the_way"]), [("coupon_payment_expected", "2025-07-15")]);
}

async fn what_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for name in ["2025-13", "2025-00", "25-01", "2025", "January"] {
        close(&service, name, json!({})).await.refused_at("invalid_field", "/period");
        service.get(&path(name)).await.refused_at("invalid_field", "/period");
        reopen(&service, name).await.refused_at("invalid_field", "/period");
    }
    reopen(&service, "2025-01").await.conflict("period_not_last_closed");
    let coupon = |field: &str, value: &str| {
        let mut waiver = waiver(&issue, "coupon_payment", "2025-07-15");
        waiver[field] = json!(value);
        json!({"waivers": [waiver]})
    };
    for (body, pointer) in [
        (coupon("reason", " "), "/waivers/0/reason"),
        (coupon("name", ""), "/waivers/0/name"),
        (coupon("date", "2025-07-14"), "/waivers/0"),
        (coupon("expected", "put"), "/waivers/0"),
        (coupon("expected", "dividend"), "/waivers/0/expected"),
        (coupon("bond_issue", "ACME.other"), "/waivers/0"),
        (json!({"waiver": []}), "/waiver"),
    ] {
        close(&service, "2025-07", body).await.refused_at("invalid_field", pointer);
    }
    // Each waiver is of one thing.
    let twice = json!({"waivers": [waiver(&issue, "coupon_payment", "2025-07-15"), waiver(&issue, "coupon_payment", "2025-07-15")]});
    close(&service, "2025-07", twice).await.refused_at("invalid_field", "/waivers/1");
    service
        .post_with(&format!("{}/close", path("2025-01")), &json!({}), &[])
        .await
        .problem(400, "missing_idempotency_key");
    for path in ["/v1/entities/NONE/periods", "/v1/entities/NONE/periods/2025-01"] {
        service.get(path).await.problem(404, "not_found");
    }
    service.post("/v1/entities/NONE/periods/2025-01/close", &json!({})).await.problem(404, "not_found");
    assert_eq!(service.read("/v1/entities/ACME/periods").await["closed_through"], Value::Null);
}
