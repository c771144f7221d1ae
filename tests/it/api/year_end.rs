//! Closing entries: income and expense of a fiscal year closed to retained earnings by the close of its last period, where that is asked for.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::periods::{close, closed, in_the_way, path, reopen};
use crate::support::client::{
    ENTITIES, Service, all_accounts, array, assert_figures, mapping_path, on_both_engines, text,
};
use crate::support::ledger::{check_batch, lines};

on_both_engines! {
    the_year_is_closed_by_issue_in_one_batch_a_currency
    no_report_but_the_trial_balance_shows_a_difference
    opening_the_period_again_takes_them_back_and_closing_it_posts_them_anew
    what_is_posted_late_is_closed_with_the_year_that_it_is_posted_in
    each_year_that_a_first_close_locks_is_closed_by_itself
    without_being_asked_for_there_are_none
    what_cannot_be_is_refused
}

const CLOSING: &str = "closing";

/// 6% of a million, issued at par on 15 January 2025: 30,000 by the coupon of 15 July, and 2.7667% of what is left then by the year's end. Of CB-1
/// 100,000 are induced to convert on that day for 5,000 in cash; of CB-2 100,000 are bought back at 98 and as many at 101; CB-3 is in euros.
async fn books(service: &Service) -> Vec<String> {
    service.mapped_entity("ACME").await;
    let mut issues = Vec::new();
    for (reference, currency) in [("CB-1", "USD"), ("CB-2", "USD"), ("CB-3", "EUR")] {
        let issue = service.issue(json!({"reference": reference, "currency": currency})).await;
        service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
        issues.push(issue);
    }
    let criteria = json!({"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
        "substantive_at_acceptance": true});
    let offer = json!({"acceptance_date": "2025-07-15", "effective_date": "2025-07-15", "principal": "100000.00", "cash": "5000.00",
        "criteria": criteria});
    service.record(&issues[0], "inducements", offer).await;
    for price in ["98", "101"] {
        let body = json!({"effective_date": "2025-07-15", "principal": "100000.00", "price_percent": price});
        service.record(&issues[1], "repurchases", body).await;
    }
    issues
}

/// The year closed with closing entries.
async fn close_year(service: &Service) -> Value {
    close(service, "2025-12", json!({"closing_entries": true})).await.done()
}

/// The whole batches of heads that hold closing entries, or what takes them back.
async fn whole(service: &Service, heads: &Value, kind: &str) -> Vec<Value> {
    let mut batches = Vec::new();
    for head in array(heads) {
        let batch = service.read(&format!("/v1/journal-batches/{}", text(&head["id"]))).await;
        check_batch(&batch);
        let kinds = array(&batch["entries"]).iter().map(|entry| text(&entry["kind"]));
        match kinds.filter(|found| *found == kind).count() {
            0 => {}
            found => {
                assert_eq!(found, array(&batch["entries"]).len(), "it stands alone: {batch}");
                batches.push(batch);
            }
        }
    }
    batches
}

/// Balances by role, debit positive; those of nothing left out.
async fn balances(service: &Service, as_of: &str, currency: &str) -> BTreeMap<String, String> {
    let path = format!("/v1/entities/ACME/trial-balance?as_of={as_of}&currency={currency}");
    let report = service.read(&path).await;
    assert_eq!(report["total_debit"], report["total_credit"]);
    let rows = array(&report["rows"]).iter().filter(|row| row["balance"] != json!("0.00"));
    rows.map(|row| (text(&row["account_role"]).to_owned(), text(&row["balance"]).to_owned())).collect()
}

/// The balances of income, expense and retained earnings.
async fn results(service: &Service, as_of: &str, currency: &str) -> Vec<(String, String)> {
    let is_result = |role: &str| {
        role.contains("expense")
            || role.contains("extinguishment")
            || role.contains("loss")
            || role == "retained_earnings"
    };
    balances(service, as_of, currency).await.into_iter().filter(|(role, _)| is_result(role)).collect()
}

fn owned(figures: &[(&str, &str)]) -> Vec<(String, String)> {
    figures.iter().map(|(role, balance)| ((*role).to_owned(), (*balance).to_owned())).collect()
}

async fn rollforward(service: &Service, period: &str, currency: &str) -> Value {
    let report =
        service.read(&format!("/v1/entities/ACME/rollforward?period={period}&view=current&currency={currency}")).await;
    for check in array(&report["tie_out"]) {
        assert_eq!(check["passed"], json!(true), "{check}");
    }
    report
}

async fn the_year_is_closed_by_issue_in_one_batch_a_currency(service: Service) {
    let issues = books(&service).await;
    let answer = close_year(&service).await;
    assert_figures(&answer, json!({"period": "2025-12", "closing_entries": true}));
    let batches = whole(&service, &answer["journal_batches"], CLOSING).await;
    let [euro, dollar] = &batches[..] else { panic!("one a currency: {batches:?}") };
    for (batch, currency) in [(euro, "EUR"), (dollar, "USD")] {
        assert_figures(
            batch,
            json!({"currency": currency, "posting_date": "2025-12-31", "effective_date": "2025-12-31",
            "status": "released", "sequence": answer["sequence"],
            "statement_effects": {"assets": "0.00", "liabilities": "0.00", "equity": "0.00", "net_income": "0.00"}}),
        );
    }
    assert_eq!(lines(euro), [("retained_earnings", "debit", "57666.67"), ("interest_expense", "credit", "57666.67")]);
    assert_eq!(
        lines(dollar),
        [
            ("retained_earnings", "debit", "59900.00"),
            ("interest_expense", "credit", "54900.00"),
            ("debt_conversion_expense", "credit", "5000.00"),
            ("gain_on_extinguishment", "debit", "2000.00"),
            ("retained_earnings", "debit", "51133.33"),
            ("interest_expense", "credit", "52133.33"),
            ("loss_on_extinguishment", "credit", "1000.00"),
        ]
    );
    for (entry, issue) in array(&dollar["entries"]).iter().zip(&issues) {
        assert_figures(entry, json!({"kind": CLOSING, "bond_issue": issue, "event": null}));
        let figures = &entry["lines"][0]["derivation"]["figures"];
        assert_eq!(*figures, json!({"fiscal_year": "2025", "first_day": "2025-01-01", "last_day": "2025-12-31"}));
    }
    assert_eq!(results(&service, "2025-12-31", "USD").await, owned(&[("retained_earnings", "111033.33")]));
    assert_eq!(results(&service, "2025-12-31", "EUR").await, owned(&[("retained_earnings", "57666.67")]));
    // A day before, the year is as it was.
    let before = results(&service, "2025-12-30", "EUR").await;
    assert_eq!(before.iter().map(|(role, _)| role.as_str()).collect::<Vec<_>>(), ["interest_expense"]);
    assert_eq!(service.read(&path("2025-12")).await["close"]["closing_entries"], json!(true));
    let report = rollforward(&service, "2025-12", "USD").await;
    let closing = array(&report["total"]).iter().find(|line| line["movement"] == "year_end_closing").expect("a line");
    assert_figures(
        closing,
        json!({"carrying_amount": "0.00", "expense": "0.00", "gain_loss": "0.00", "batches": [dollar["number"]]}),
    );
    service.verify().await;
}

/// What reports say without the line of the closing entries and without the time of what was known.
fn without_closing(mut report: Value) -> Value {
    fn strip(value: &mut Value) {
        match value {
            Value::Array(items) => {
                items.retain(|item| item["movement"] != "year_end_closing");
                items.iter_mut().for_each(strip);
            }
            Value::Object(fields) => {
                fields.remove("known_at");
                fields.values_mut().for_each(strip);
            }
            _ => {}
        }
    }
    strip(&mut report);
    report
}

async fn no_report_but_the_trial_balance_shows_a_difference(service: Service) {
    books(&service).await;
    service.post("/v1/entities/ACME/accruals", &json!({"through": "2025-12-31"})).await.created();
    let mut before = Vec::new();
    let reports = [
        "rollforward?from=2025-01-01&to=2025-12-31",
        "rollforward?from=2025-12-31&to=2026-06-30",
        "disclosures?period_from=2025-01-01&as_of=2025-12-31",
        "if-converted?from=2025-01-01&to=2025-12-31&tax_rate=0.25&average_share_price=50",
        "carrying-values?as_of=2025-12-31",
        "carrying-values?as_of=2025-12-31&basis=posted",
        "forecast?from=2026-01-01&to=2026-12-31",
    ];
    for report in reports {
        before.push(service.read(&format!("/v1/entities/ACME/{report}")).await);
    }
    close_year(&service).await;
    for (report, before) in reports.into_iter().zip(before) {
        let after = service.read(&format!("/v1/entities/ACME/{report}")).await;
        assert_eq!(without_closing(after), without_closing(before), "{report}");
    }
    assert_eq!(results(&service, "2025-12-31", "USD").await.len(), 1);
}

async fn opening_the_period_again_takes_them_back_and_closing_it_posts_them_anew(service: Service) {
    let issues = books(&service).await;
    let first = close_year(&service).await;
    let originals = whole(&service, &first["journal_batches"], CLOSING).await;
    let previewed =
        service.preview(&format!("{}/reopen", path("2025-12")), &json!({"reason": "r", "name": "n"})).await.done();
    assert_eq!(array(&previewed["journal_batches"]).len(), 2);
    let opened = reopen(&service, "2025-12").await.done();
    let inverses = whole(&service, &opened["journal_batches"], "reversal").await;
    let reversed: Vec<&Value> = inverses.iter().map(|batch| &batch["reverses"]).collect();
    assert_eq!(reversed, originals.iter().map(|batch| &batch["id"]).collect::<Vec<_>>());
    for batch in &inverses {
        assert_figures(
            batch,
            json!({"posting_date": "2025-12-31", "sequence": opened["sequence"],
            "statement_effects": {"assets": "0.00", "liabilities": "0.00", "equity": "0.00", "net_income": "0.00"}}),
        );
    }
    let original = service.read(&format!("/v1/journal-batches/{}", text(&originals[1]["id"]))).await;
    assert_eq!(original["reversed_by"], inverses[1]["id"]);
    let open = [
        ("debt_conversion_expense", "5000.00"),
        ("gain_on_extinguishment", "-2000.00"),
        ("interest_expense", "107033.33"),
        ("loss_on_extinguishment", "1000.00"),
    ];
    assert_eq!(results(&service, "2025-12-31", "USD").await, owned(&open));
    rollforward(&service, "2025-12", "USD").await;
    service.verify().await;
    // Sixteen days of interest on 100,000 less, which is what converted in the middle of December.
    service.record(&issues[0], "conversions", json!({"effective_date": "2025-12-15", "principal": "100000.00"})).await;
    let again = closed(&service, "2025-12").await;
    assert_figures(&again, json!({"closing_entries": true}));
    let anew = whole(&service, &again["journal_batches"], CLOSING).await;
    assert_eq!(lines(&anew[1])[1], ("interest_expense", "credit", "54633.33"));
    assert_eq!(results(&service, "2025-12-31", "USD").await, owned(&[("retained_earnings", "110766.66")]));
    // Asked for again it is answered as it was, and not without them.
    let count = service.batches().await.len();
    assert_eq!(closed(&service, "2025-12").await, again);
    assert_eq!(close_year(&service).await, again);
    close(&service, "2025-12", json!({"closing_entries": false})).await.conflict("period_closed");
    assert_eq!(service.batches().await.len(), count);
    // Opened and closed without them, the year's result stands in its roles.
    assert_eq!(array(&reopen(&service, "2025-12").await.done()["journal_batches"]).len(), 2);
    let without = close(&service, "2025-12", json!({"closing_entries": false})).await.done();
    assert_eq!((without.get("closing_entries"), &without["journal_batches"]), (None, &json!([])));
    assert_eq!(results(&service, "2025-12-31", "EUR").await, owned(&[("interest_expense", "57666.67")]));
    assert_eq!(reopen(&service, "2025-12").await.done()["journal_batches"], json!([]));
    assert_eq!(closed(&service, "2025-12").await.get("closing_entries"), None);
    rollforward(&service, "2025-12", "USD").await;
    service.verify().await;
}

/// A conversion in December 2025 that is recorded in the new year: what it takes back is income of 2026 for the ledger.
async fn what_is_posted_late_is_closed_with_the_year_that_it_is_posted_in(service: Service) {
    let issues = books(&service).await;
    close_year(&service).await;
    let before = results(&service, "2025-12-31", "USD").await;
    let late = json!({"effective_date": "2025-12-15", "principal": "100000.00"});
    service.record(&issues[0], "conversions", late).await;
    assert_eq!(results(&service, "2025-12-31", "USD").await, before);
    for issue in &issues {
        for date in ["2026-01-15", "2026-07-15"] {
            service.record(issue, "coupon-payments", json!({"coupon_date": date})).await;
        }
    }
    for month in 1..12 {
        closed(&service, &format!("2026-{month:02}")).await;
    }
    let answer = close(&service, "2026-12", json!({"closing_entries": true})).await.done();
    let batches = whole(&service, &answer["journal_batches"], CLOSING).await;
    // 48,000 of a year on 800,000; 266.67 of them were expensed in December.
    assert_eq!(lines(&batches[1])[0], ("retained_earnings", "debit", "47733.33"));
    assert_eq!(lines(&batches[1])[2], ("retained_earnings", "debit", "48000.00"));
    assert_eq!(lines(&batches[0])[0], ("retained_earnings", "debit", "60000.00"));
    assert_eq!(results(&service, "2026-12-31", "USD").await, owned(&[("retained_earnings", "206766.66")]));
    rollforward(&service, "2026-12", "USD").await;
    service.verify().await;
}

/// Years that end in June. The first is from 15 January to 30 June 2025: 166 days of 60,000 a year.
async fn each_year_that_a_first_close_locks_is_closed_by_itself(service: Service) {
    let body =
        json!({"code": "ACME", "name": "ACME Ferries, Inc.", "functional_currency": "USD", "fiscal_year_end": "06-30"});
    service.post(ENTITIES, &body).await.created();
    service.put(&mapping_path("ACME", "2000-01-01"), &all_accounts()).await.done();
    let issue = service.issue(json!({})).await;
    for date in ["2025-07-15", "2026-01-15"] {
        service.record(&issue, "coupon-payments", json!({"coupon_date": date})).await;
    }
    let answer = close(&service, "2026-12", json!({"closing_entries": true})).await.done();
    let batches = whole(&service, &answer["journal_batches"], CLOSING).await;
    let found: Vec<_> = batches.iter().map(|batch| (text(&batch["posting_date"]), lines(batch)[0].2)).collect();
    assert_eq!(found, [("2025-06-30", "27666.67"), ("2026-06-30", "60000.00")]);
    assert_eq!(results(&service, "2025-06-30", "USD").await, owned(&[("retained_earnings", "27666.67")]));
    assert_eq!(results(&service, "2026-06-30", "USD").await, owned(&[("retained_earnings", "87666.67")]));
    // The year before stays closed when the last period is opened.
    let opened = reopen(&service, "2026-12").await.done();
    let inverses = whole(&service, &opened["journal_batches"], "reversal").await;
    assert_eq!(inverses.iter().map(|batch| &batch["reverses"]).collect::<Vec<_>>(), [&batches[1]["id"]]);
    let expected = [("interest_expense", "60000.00"), ("retained_earnings", "27666.67")];
    assert_eq!(results(&service, "2026-06-30", "USD").await, owned(&expected));
    closed(&service, "2026-12").await;
    let answer = close(&service, "2027-01", json!({"closing_entries": true})).await;
    assert!(answer.refused_at("invalid_field", "/closing_entries").contains("2027-01"));
    service.verify().await;
}

async fn without_being_asked_for_there_are_none(service: Service) {
    books(&service).await;
    let answer = closed(&service, "2025-12").await;
    assert_eq!(answer.get("closing_entries"), None);
    assert!(whole(&service, &answer["journal_batches"], CLOSING).await.is_empty());
    assert_eq!(results(&service, "2025-12-31", "USD").await.len(), 4);
    assert_eq!(service.read(&path("2025-12")).await["close"].get("closing_entries"), None);
    assert_eq!(reopen(&service, "2025-12").await.done()["journal_batches"], json!([]));
}

async fn what_cannot_be_is_refused(service: Service) {
    service.entity("ACME").await;
    let mut accounts = all_accounts();
    accounts["accounts"].as_object_mut().expect("accounts").remove("retained_earnings");
    service.put(&mapping_path("ACME", "2000-01-01"), &accounts).await.done();
    let asked = json!({"closing_entries": true});
    let answer = close(&service, "2025-12", asked.clone()).await;
    assert!(answer.refused_at("invalid_field", "/closing_entries").contains("no fiscal year with postings"));
    let issue = service.issue(json!({})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    close(&service, "2025-11", asked.clone()).await.refused_at("invalid_field", "/closing_entries");
    close(&service, "2025-12", json!({"closing_entries": "yes"})).await.refused_at("invalid_field", "/closing_entries");
    // Nobody needs the role who does not ask for them.
    let missing = service.read("/v1/entities/ACME/account-mapping?as_of=2025-12-31").await;
    assert_eq!(missing["missing"], json!([]));
    let found = in_the_way(&close(&service, "2025-12", asked.clone()).await);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_figures(&found[0], json!({"code": "unmapped_role", "date": "2025-12-31"}));
    assert!(text(&found[0]["detail"]).contains("retained_earnings"), "{}", found[0]);
    service.put(&mapping_path("ACME", "2000-01-01"), &all_accounts()).await.done();
    let previewed = service.preview(&format!("{}/close", path("2025-12")), &asked).await.done();
    let answer = close_year(&service).await;
    assert_eq!(array(&answer["journal_batches"]).len(), array(&previewed["journal_batches"]).len());
    let batch = whole(&service, &answer["journal_batches"], CLOSING).await.remove(0);
    let reversal = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    let refused = service.post(&reversal, &json!({"reason": "closed too early"})).await.problem(422, "not_reversible");
    assert!(text(&refused["detail"]).contains("opened again"), "{refused}");
}
