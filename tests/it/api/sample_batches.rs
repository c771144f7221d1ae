//! The rehearsal of an import: a batch of every kind, of which nothing is in the books.

use std::collections::BTreeSet;

use parwright::accounting::journal::EntryKind;
use parwright::audit::verify::verify;
use serde_json::{Value, json};

use crate::support::client::{
    ENTITIES, ROLES, Service, all_accounts, array, assert_fields, change, items, mapping_path, on_both_engines, text,
};
use crate::support::ledger::check_batch;

on_both_engines! {
    every_kind_has_a_sample_under_every_framework_and_in_every_kind_of_currency
    samples_are_what_the_same_requests_post
    ifrs_samples_are_what_the_same_requests_post
    accounts_are_those_mapped_today
    nothing_of_a_sample_is_in_the_books
    samples_are_written_by_a_layout_too
}

const PATH: &str = "/v1/entities/ACME/sample-batches";

async fn entity(service: &Service, code: &str, framework: &str, currency: &str, fiscal_year_end: &str) {
    let body = json!({"code": code, "name": "Ferries", "functional_currency": currency, "framework": framework,
        "fiscal_year_end": fiscal_year_end});
    service.post(ENTITIES, &body).await.created();
    service.put(&mapping_path(code, "2000-01-01"), &all_accounts()).await.done();
}

fn kinds(batch: &Value) -> BTreeSet<&str> {
    array(&batch["entries"]).iter().map(|entry| text(&entry["kind"])).collect()
}

async fn every_kind_has_a_sample_under_every_framework_and_in_every_kind_of_currency(service: Service) {
    let mut number = 0;
    for framework in ["us_gaap", "ifrs"] {
        for (currency, fiscal_year_end) in [("JPY", "03-31"), ("USD", "12-31"), ("KWD", "02-28"), ("CLF", "09-30")] {
            number += 1;
            let code = format!("E{number}");
            entity(&service, &code, framework, currency, fiscal_year_end).await;
            let samples = service.read(&format!("/v1/entities/{code}/sample-batches")).await;
            assert_fields(&samples, "sample items");
            assert_eq!(samples["sample"], json!(true));
            let batches = items(&samples);
            assert_eq!(batches.len(), EntryKind::ALL.len(), "{framework} {currency}");
            for (batch, kind) in batches.iter().zip(EntryKind::ALL) {
                let mut expected = BTreeSet::from([kind.name()]);
                if kind == EntryKind::Inducement {
                    expected.insert("conversion"); // of the same day
                }
                assert_eq!(kinds(batch), expected, "{framework} {currency}");
                check_sample(batch, &code, currency);
            }
            assert_eq!(batches.iter().map(|batch| text(&batch["id"])).collect::<BTreeSet<_>>().len(), batches.len());
            check_reversal(&batches);
            check_roles(&batches, framework);
            assert_eq!(
                service.read(&format!("/v1/entities/{code}/sample-batches")).await,
                samples,
                "it is the same again"
            );
        }
    }
    service.get("/v1/entities/NOBODY/sample-batches").await.problem(404, "not_found");
}

/// It is made as a released batch is, and says that it is none.
#[track_caller]
fn check_sample(batch: &Value, code: &str, currency: &str) {
    assert_eq!((&batch["entity"], &batch["currency"]), (&json!(code), &json!(currency)));
    assert_eq!((&batch["status"], &batch["release"]), (&json!("sample"), &json!(0)));
    let (prefix, rest) = text(&batch["number"]).rsplit_once('-').expect("a number");
    assert_eq!(prefix, format!("{code}-SAMPLE"), "a posted batch has a year there");
    assert!(rest.len() == 6 && rest.bytes().all(|byte| byte.is_ascii_digit()), "{rest}");
    let mut as_released = batch.clone();
    as_released["status"] = json!("released");
    check_batch(&as_released);
}

#[track_caller]
fn check_reversal(batches: &[Value]) {
    let of = |kind: EntryKind| batches.iter().find(|batch| kinds(batch).contains(kind.name())).expect("a sample");
    let (original, reversal) = (of(EntryKind::Repurchase), of(EntryKind::Reversal));
    assert_eq!((&reversal["reverses"], &original["reversed_by"]), (&original["id"], &reversal["id"]));
    let inverse = |side: &str| if side == "debit" { "credit" } else { "debit" };
    let lines = |batch: &Value, turn: bool| {
        let lines = array(&batch["entries"][0]["lines"]).iter().map(|line| {
            let side = text(&line["side"]);
            let side = if turn { inverse(side) } else { side };
            (text(&line["account_role"]).to_owned(), side.to_owned(), text(&line["amount"]).to_owned())
        });
        lines.collect::<BTreeSet<_>>()
    };
    assert_eq!(lines(original, true), lines(reversal, false));
}

/// The roles that only one framework posts to.
#[track_caller]
fn check_roles(batches: &[Value], framework: &str) {
    let lines = batches.iter().flat_map(|batch| array(&batch["entries"])).flat_map(|entry| array(&entry["lines"]));
    let roles: BTreeSet<&str> = lines.map(|line| text(&line["account_role"])).collect();
    let is_ifrs = framework == "ifrs";
    assert_eq!(roles.contains("equity_component_of_convertible_bonds"), is_ifrs);
    assert_eq!(roles.contains("loss_on_amendment_of_conversion_terms"), is_ifrs);
    assert_eq!(roles.contains("debt_conversion_expense"), !is_ifrs);
}

/// What happens to the issues of the samples, recorded through the interface: address, and body.
fn lives(is_ifrs: bool) -> [(Value, Vec<(&'static str, Value)>); 2] {
    let mut convertible = json!({"entity": "ACME", "reference": "SAMPLE-CONVERTIBLE", "currency": "USD", "principal": "10000000",
        "denomination": "1000", "coupon_rate": "0.04", "coupon_frequency": 2, "day_count": "30/360", "dated_date": "2026-01-15",
        "settlement_date": "2026-01-15", "maturity_date": "2031-01-15", "proceeds": "9800000", "issue_costs": "150000",
        "conversion": {"shares_per_denomination": "24.6914", "share_par_value": "0.01"}});
    let mut inducement = json!({"effective_date": "2026-11-10", "principal": "1000000", "share_price": "44.20",
        "acceptance_share_price": "44.20", "cash": "25000"});
    let mut repurchase =
        json!({"effective_date": "2026-12-10", "principal": "1000000", "price_percent": "96.5", "costs": "2000"});
    if is_ifrs {
        change(&mut convertible, json!({"straight_debt_rate": "0.06"}));
        change(&mut inducement, json!({"amendment_date": "2026-11-10"}));
        change(&mut repurchase, json!({"straight_debt_rate": "0.065"}));
    } else {
        let criteria = json!({"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
            "substantive_at_acceptance": true});
        change(&mut inducement, json!({"acceptance_date": "2026-11-10", "criteria": criteria}));
    }
    let straight = json!({"entity": "ACME", "reference": "SAMPLE-STRAIGHT", "currency": "USD", "principal": "5000000",
        "denomination": "1000", "coupon_rate": "0.05", "coupon_frequency": 2, "day_count": "30/360", "dated_date": "2022-06-30",
        "settlement_date": "2022-06-30", "maturity_date": "2027-06-30",
        "opening_balance": {"date": "2025-12-31", "principal": "5000000", "premium_discount": "60000", "issue_costs": "-18000",
            "interest_payable": "0"}});
    let accrual = |through: &str| ("accruals", json!({"through": through}));
    let conversion = |date: &str, principal: &str, price: &str| {
        ("conversions", json!({"effective_date": date, "principal": principal, "share_price": price}))
    };
    [
        (
            convertible,
            vec![
                accrual("2026-01-31"),
                accrual("2026-07-14"),
                ("coupon-payments", json!({"coupon_date": "2026-07-15"})),
                accrual("2026-08-19"),
                conversion("2026-08-20", "4000000", "43.10"),
                accrual("2026-09-30"),
                conversion("2026-09-10", "500000", "42.75"),
                accrual("2026-10-04"),
                ("conversions", json!({"conversion_date": "2026-10-05", "principal": "300000"})),
                accrual("2026-11-09"),
                ("inducements", inducement),
                accrual("2026-12-09"),
                ("repurchases", repurchase),
            ],
        ),
        (
            straight,
            vec![
                accrual("2026-03-31"),
                (
                    "modifications",
                    json!({"effective_date": "2026-03-31", "maturity_date": "2028-06-30", "fees": "15000"}),
                ),
                accrual("2027-06-30"),
                ("reclassifications", json!({"balance_sheet_date": "2027-06-30"})),
                accrual("2027-09-15"),
                (
                    "redemptions",
                    json!({"effective_date": "2027-09-15", "principal": "5000000", "kind": "call", "price_percent": "101"}),
                ),
            ],
        ),
    ]
}

async fn samples_are_what_the_same_requests_post(service: Service) {
    service.mapped_entity("ACME").await;
    check_against_the_books(&service, false).await;
}

async fn ifrs_samples_are_what_the_same_requests_post(service: Service) {
    service.ifrs_entity("ACME").await;
    check_against_the_books(&service, true).await;
}

/// What never depends on who gave a batch its ids.
fn content(batch: &Value) -> Value {
    let mut batch = batch.clone();
    let names = [
        "id",
        "number",
        "sequence",
        "release",
        "revision",
        "recorded_at",
        "status",
        "reverses",
        "reversed_by",
        "content_sha256",
    ];
    names.iter().for_each(|name| drop(batch.as_object_mut().expect("a batch").remove(*name)));
    for entry in batch["entries"].as_array_mut().expect("entries") {
        (entry["bond_issue"], entry["event"]) = (Value::Null, Value::Null);
        for line in entry["lines"].as_array_mut().expect("lines") {
            // A reversal's line names the batch that it inverts.
            drop(line["derivation"]["figures"].as_object_mut().expect("figures").remove("batch"));
        }
    }
    batch
}

async fn check_against_the_books(service: &Service, is_ifrs: bool) {
    let samples = items(&service.read(PATH).await);
    let mut posted = Vec::new();
    for (issue, commands) in lives(is_ifrs) {
        let answer = service.post("/v1/bond-issues", &issue).await.created();
        posted.extend(array(&answer["journal_batches"]).clone());
        let id = text(&answer["id"]);
        for (kind, body) in commands {
            let answer = service.record(id, kind, body).await;
            posted.extend(array(&answer["journal_batches"]).clone());
            if kind == "repurchases" {
                let batch = text(&answer["journal_batches"][0]["id"]);
                let path = format!("/v1/journal-batches/{batch}/reversal");
                let answer = service.post(&path, &json!({"reason": "recorded twice"})).await.created();
                posted.extend(array(&answer["journal_batches"]).clone());
            }
        }
    }
    posted.extend(closing(service).await);
    for (sample, kind) in samples.iter().zip(EntryKind::ALL) {
        let real = posted.iter().find(|batch| kinds(batch).contains(kind.name())).expect("a batch of the kind");
        assert_eq!(content(sample), content(real), "{}", kind.name());
    }
}

/// The batches of a close of 2026 with closing entries, for which the coupons of the straight issue are not paid.
async fn closing(service: &Service) -> Vec<Value> {
    let straight =
        service.read("/v1/bond-issues?entity=ACME&reference=SAMPLE-STRAIGHT").await["items"][0]["id"].clone();
    let waivers = ["2026-06-30", "2026-12-31"].map(|date| {
        json!({"bond_issue": straight, "expected": "coupon_payment", "date": date, "reason": "not paid", "name": "A. Controller"})
    });
    let body = json!({"waivers": waivers, "closing_entries": true});
    let answer = service.post("/v1/entities/ACME/periods/2026-12/close", &body).await.done();
    let mut batches = Vec::new();
    for head in array(&answer["journal_batches"]) {
        batches.push(service.read(&format!("/v1/journal-batches/{}", text(&head["id"]))).await);
    }
    batches
}

/// Mapped today, and whatever the mapping is on the posting dates of the samples.
async fn accounts_are_those_mapped_today(service: Service) {
    service.entity("ACME").await;
    let unmapped = items(&service.read(PATH).await);
    assert_eq!(unmapped.len(), EntryKind::ALL.len());
    for line in unmapped.iter().flat_map(|batch| array(&batch["entries"])).flat_map(|entry| array(&entry["lines"])) {
        assert!(line["account"].is_null() && line["account_name"].is_null(), "{line}");
    }
    let mut mapping = all_accounts();
    let accounts = mapping["accounts"].as_object_mut().expect("accounts");
    accounts.remove("cash");
    accounts["bonds_payable"] = json!({"account": "=2500", "name": "Notes", "dimensions": {"desk": "treasury"}});
    service.put(&mapping_path("ACME", "2001-01-01"), &mapping).await.done();
    service.put(&mapping_path("ACME", "9999-01-01"), &all_accounts()).await.done();
    let mapped = items(&service.read(PATH).await);
    let mut seen = BTreeSet::new();
    for line in mapped.iter().flat_map(|batch| array(&batch["entries"])).flat_map(|entry| array(&entry["lines"])) {
        let role = text(&line["account_role"]);
        let expected = &mapping["accounts"][role];
        assert_eq!(line["account"], expected["account"], "{line}");
        assert_eq!(line["account_name"], expected["name"], "{line}");
        let dimensions = expected.get("dimensions").cloned().unwrap_or_else(|| json!({}));
        assert_eq!(line["dimensions"], dimensions, "{line}");
        seen.insert(role);
    }
    assert!(seen.contains("cash") && seen.iter().all(|role| ROLES.contains(role)), "{seen:?}");
    // What never changes in a batch is the same with other accounts.
    let hashes = |batches: &[Value]| batches.iter().map(|batch| batch["content_sha256"].clone()).collect::<Vec<_>>();
    assert_eq!(hashes(&mapped), hashes(&unmapped));
}

async fn nothing_of_a_sample_is_in_the_books(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let before =
        (service.batches().await, service.releases().await, verify(&service.store).await.expect("reads").to_string());
    let head = |service: &Service| {
        let store = service.store.clone();
        async move { store.reading().await.expect("reads").reader().entity_head("ACME").await.expect("reads") }
    };
    let head_before = head(&service).await;
    let samples = items(&service.read(PATH).await);
    service.get(&format!("{PATH}?format=csv")).await;
    assert_eq!(head(&service).await, head_before, "sequence, release and the newest hash");
    let after =
        (service.batches().await, service.releases().await, verify(&service.store).await.expect("reads").to_string());
    assert_eq!(after, before);
    for sample in &samples {
        service.get(&format!("/v1/journal-batches/{}", text(&sample["id"]))).await.problem(404, "not_found");
        let own = text(&sample["entries"][0]["bond_issue"]);
        service.get(&format!("/v1/bond-issues/{own}")).await.problem(404, "not_found");
    }
    // The next batch has the number that follows the last posted one.
    let next = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    assert_eq!(next["journal_batches"][0]["number"], json!("ACME-2025-000002"));
    assert_eq!(next["journal_batches"][0]["release"], json!(2));
}

async fn samples_are_written_by_a_layout_too(service: Service) {
    service.mapped_entity("ACME").await;
    let layout = json!({"columns": [{"field": "number"}, {"field": "account"}, {"field": "amount"}], "delimiter": "semicolon",
        "decimal_mark": ",", "header": false, "line_end": "lf"});
    service.put("/v1/entities/ACME/layouts/short", &layout).await.done();
    let samples = items(&service.read(PATH).await);
    let mut expected = String::new();
    for batch in &samples {
        for line in array(&batch["entries"]).iter().flat_map(|entry| array(&entry["lines"])) {
            let sign = if line["side"] == json!("credit") { "-" } else { "" };
            let amount = text(&line["amount"]).replace('.', ",");
            expected += &format!("{};{};{sign}{amount}\n", text(&batch["number"]), text(&line["account"]));
        }
    }
    let written = service.get(&format!("{PATH}?format=csv&layout=short")).await;
    assert_eq!(written.header("content-type"), "text/csv; charset=utf-8; header=absent");
    assert_eq!(String::from_utf8(written.bytes.clone()).expect("UTF-8"), expected);
    let plain = service.get(&format!("{PATH}?format=csv")).await;
    assert_eq!(plain.bytes.iter().filter(|byte| **byte == b'\n').count(), expected.lines().count() + 1);
    service.get(&format!("{PATH}?format=csv&layout=none")).await.problem(404, "not_found");
    service.get(&format!("{PATH}?layout=short")).await.problem(400, "malformed_query");
}
