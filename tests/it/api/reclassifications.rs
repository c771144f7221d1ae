//! The reclassification of what is current, which moves back; whole cases worked by hand. `classification` has the rules.

use serde_json::{Value, json};

use super::bad_transactions::Untouched;
use super::conversions::{last_batch, textbook};
use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, change, on, on_both_engines, text,
};
use crate::support::ledger::{figure, lines, lines_of};

on_both_engines! {
    what_matures_within_a_year_moves_and_moves_back
    what_is_refinanced_in_part_stays_in_part
    it_is_recorded_once_a_date_and_reversed_as_one
    events_around_the_date_tie_and_late_ones_show_a_difference
    a_date_before_what_is_accrued_moves_what_was_booked_on_it
    what_matured_and_is_not_paid_is_current
    what_cannot_be_is_refused_and_changes_nothing
    a_preview_is_what_is_posted_and_nothing_current_is_answered_alike
}

/// Annual coupons of 8% over five years from 2025-01-01, straight line, without conversion.
pub fn straight(changes: Value) -> Value {
    let mut terms = textbook(json!({"amortization_method": "straight_line"}));
    terms["conversion"] = Value::Null;
    change(&mut terms, changes);
    terms
}

pub async fn classification(service: &Service, issue: &str, as_of: &str) -> Value {
    service.read(&format!("{ISSUES}/{issue}/classification?as_of={as_of}")).await
}

pub async fn reclassify(service: &Service, issue: &str, body: Value) -> Value {
    service.record(issue, "reclassifications", body).await
}

/// The carrying value ties on each of the days, with nothing left to explain.
pub async fn check_tied(service: &Service, issue: &str, days: &[&str]) {
    for day in days {
        let value = service.carrying_value(issue, day).await;
        assert_eq!(value["status"], json!("tied"), "{day}: {value}");
    }
}

/// The rollforward of a period passes all its checks.
pub async fn check_rollforward(service: &Service, from: &str, to: &str) -> Value {
    let report = service.read(&format!("/v1/entities/ACME/rollforward?from={from}&to={to}")).await;
    for check in array(&report["tie_out"]) {
        assert_eq!(check["passed"], json!(true), "{check}");
    }
    report
}

async fn balance(service: &Service, role: &str, as_of: &str) -> String {
    let report = service.read(&format!("/v1/entities/ACME/trial-balance?as_of={as_of}")).await;
    let row = array(&report["rows"]).iter().find(|row| row["account_role"] == json!(role));
    row.map_or_else(|| "none".to_owned(), |row| text(&row["balance"]).to_owned())
}

pub fn codes(block: &Value) -> Vec<(&str, &str)> {
    array(&block["reasons"]).iter().map(|reason| (text(&reason["reason"]), text(&reason["paragraph"]))).collect()
}

/// After four and a half of five years a tenth of the discount of 40,000 and the costs of 20,000 is left: 994,000 are current.
async fn what_matures_within_a_year_moves_and_moves_back(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"proceeds": "960000.00", "issue_costs": "20000.00"}))).await;
    service.record(&issue, "accruals", json!({"through": "2029-05-31"})).await;
    let answer =
        reclassify(&service, &issue, json!({"balance_sheet_date": "2029-06-30", "reference": "CP-2029-06"})).await;
    assert_fields(&answer, "event position_before position_after reclassification journal_batches");
    assert_figures(&answer["event"], json!({"kind": "reclassification", "effective_date": "2029-06-30"}));
    assert_eq!(answer["position_before"], answer["position_after"]);
    let all = json!({"principal": "1000000.00", "premium_discount": "-4000.00", "issue_costs": "-2000.00",
        "carrying_amount": "994000.00"});
    let none =
        json!({"principal": "0.00", "premium_discount": "0.00", "issue_costs": "0.00", "carrying_amount": "0.00"});
    let block = &answer["reclassification"];
    assert_eq!(
        *block,
        json!({"balance_sheet_date": "2029-06-30", "classification": "current", "current": all, "non_current": none,
            "reasons": [{"reason": "matures_within_one_year", "detail": "it matures on 2030-01-01",
                "paragraph": "ASC 210-10-45-9"}],
            "current_within": "2030-06-30", "moves_back_on": "2029-07-01"})
    );
    let [on_date, next_day] = array(&answer["journal_batches"]).as_slice() else { panic!("{answer}") };
    assert_eq!((&on_date["posting_date"], &next_day["posting_date"]), (&json!("2029-06-30"), &json!("2029-07-01")));
    let moved = [
        ("bonds_payable", "debit", "1000000.00"),
        ("debt_issue_costs", "credit", "2000.00"),
        ("current_portion_of_bonds_payable", "credit", "994000.00"),
        ("discount_on_bonds_payable", "credit", "4000.00"),
    ];
    assert_eq!(lines_of(on_date, "reclassification"), moved);
    let back = [
        ("debt_issue_costs", "debit", "2000.00"),
        ("current_portion_of_bonds_payable", "debit", "994000.00"),
        ("discount_on_bonds_payable", "debit", "4000.00"),
        ("bonds_payable", "credit", "1000000.00"),
    ];
    assert_eq!(lines(next_day), back);
    let derivation = &array(&on_date["entries"]).last().expect("an entry")["lines"][0]["derivation"];
    assert_eq!(derivation["paragraph"], json!("ASC 210-10-45-9"));
    assert_eq!(derivation["figures"]["matures_within_one_year"], json!("it matures on 2030-01-01"));

    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-06-30").await, "-994000.00");
    assert_eq!(balance(&service, "bonds_payable", "2029-06-30").await, "0.00");
    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-07-01").await, "0.00");
    assert_eq!(balance(&service, "discount_on_bonds_payable", "2029-07-01").await, "4000.00");
    check_tied(&service, &issue, &["2029-05-31", "2029-06-30", "2029-07-01", "2029-07-31"]).await;
    let value = service.carrying_value(&issue, "2029-06-30").await;
    assert_figures(&value["booked"], json!({"principal": "1000000.00", "carrying_amount": "994000.00"}));
    assert_figures(&value["unaccrued"], json!({"carrying_amount": "0.00", "interest_payable": "0.00"}));
    for (from, to) in [("2029-06-01", "2029-06-30"), ("2029-07-01", "2029-07-31"), ("2029-01-01", "2029-12-31")] {
        let report = check_rollforward(&service, from, to).await;
        let line = array(&report["total"]).iter().find(|line| line["movement"] == json!("reclassification"));
        let line = line.expect("a line");
        assert_figures(
            line,
            json!({"principal": "0.00", "carrying_amount": "0.00", "expense": "0.00", "cash": "0.00"}),
        );
        assert!(!array(&line["batches"]).is_empty(), "{line}");
    }

    let known = classification(&service, &issue, "2029-06-30").await;
    assert_fields(
        &known,
        "bond_issue reference currency as_of known_at classification current non_current reasons current_within \
         reclassification caution",
    );
    assert_eq!((&known["classification"], &known["current"]), (&json!("current"), &all));
    assert_figures(
        &known["reclassification"],
        json!({"event": answer["event"]["id"], "current": all, "difference": "0.00"}),
    );
    assert_eq!(classification(&service, &issue, "2029-07-31").await["reclassification"], Value::Null);

    // The rest of the issue's life is booked as ever.
    service.record(&issue, "accruals", json!({"through": "2030-01-01"})).await;
    for year in 2026..=2030 {
        service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    let repaid = json!({"effective_date": "2030-01-01", "principal": "1000000.00", "kind": "maturity"});
    service.record(&issue, "redemptions", repaid).await;
    for role in ["bonds_payable", "current_portion_of_bonds_payable", "discount_on_bonds_payable", "debt_issue_costs"] {
        assert_eq!(balance(&service, role, "2030-01-01").await, "0.00", "{role}");
    }
    check_rollforward(&service, "2029-01-01", "2030-12-31").await;
    service.verify().await;
}

/// A premium of 50,000 has 5,000 left; of 1,000,000 a principal of 400,000 is refinanced, and takes 2,000 of them along.
async fn what_is_refinanced_in_part_stays_in_part(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"proceeds": "1050000.00"}))).await;
    let fact = |basis: &str| {
        json!({"balance_sheet_date": "2029-06-30", "refinanced": {"basis": basis, "principal": "400000.00",
            "reason": "Notes due 2034 issued on 2029-08-01"}})
    };
    let answer = reclassify(&service, &issue, fact("after_balance_sheet_date")).await;
    assert_figures(
        &answer["reclassification"],
        json!({"classification": "partly_current",
            "current": {"principal": "600000.00", "premium_discount": "3000.00", "issue_costs": "0.00",
                "carrying_amount": "603000.00"},
            "non_current": {"principal": "400000.00", "premium_discount": "2000.00", "issue_costs": "0.00",
                "carrying_amount": "402000.00"}}),
    );
    let reasons = [("matures_within_one_year", "ASC 210-10-45-9"), ("refinanced", "ASC 470-10-45-14")];
    assert_eq!(codes(&answer["reclassification"]), reasons);
    let expected = [
        ("current_portion_of_bonds_payable", "debit", "603000.00"),
        ("bonds_payable", "credit", "600000.00"),
        ("premium_on_bonds_payable", "credit", "3000.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    check_tied(&service, &issue, &["2029-06-30", "2029-07-01"]).await;
    check_rollforward(&service, "2029-01-01", "2029-12-31").await;
    // All of it: nothing is current, and nothing is posted.
    let all = json!({"balance_sheet_date": "2029-07-31", "refinanced": {"basis": "right_at_balance_sheet_date",
        "reason": "Facility of 2028, available until 2032"}});
    let answer = service.post(&on(&issue, "reclassifications"), &all).await.done();
    assert_eq!(answer["journal_batches"], json!([]));
    assert_figures(&answer["reclassification"], json!({"classification": "non_current"}));
    assert_eq!(answer["reclassification"].get("moves_back_on"), None);
}

async fn it_is_recorded_once_a_date_and_reversed_as_one(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"proceeds": "960000.00"}))).await;
    let issued = service.batches().await[0].clone();
    let body = json!({"balance_sheet_date": "2029-06-30", "reference": "CP-1"});
    let first = reclassify(&service, &issue, body.clone()).await;
    let path = on(&issue, "reclassifications");
    let detail =
        service.post(&path, &json!({"balance_sheet_date": "2029-06-30"})).await.conflict("already_reclassified");
    assert!(detail.contains(text(&first["event"]["id"])), "{detail}");
    service
        .post(&path, &json!({"balance_sheet_date": "2029-07-31", "reference": "CP-1"}))
        .await
        .conflict("reference_in_use");
    reclassify(&service, &issue, json!({"balance_sheet_date": "2029-07-31"})).await;
    let because = json!({"reason": "Refinanced after all"});
    // What was moved rests on the issue.
    let void = format!("/v1/journal-batches/{}/reversal", text(&issued["id"]));
    service.post(&void, &because).await.conflict("later_event_in_the_way");

    let by = format!("/v1/journal-batches/{}/reversal", text(&last_batch(&first)["id"]));
    let reversed = service.post(&by, &because).await.created();
    assert_figures(&reversed["reversal"], json!({"reversed_kind": "reclassification"}));
    let [on_date, next_day] = array(&reversed["journal_batches"]).as_slice() else { panic!("{reversed}") };
    assert_eq!((&on_date["posting_date"], &next_day["posting_date"]), (&json!("2029-06-30"), &json!("2029-07-01")));
    let expected = [
        ("discount_on_bonds_payable", "debit", "4000.00"),
        ("current_portion_of_bonds_payable", "debit", "996000.00"),
        ("bonds_payable", "credit", "1000000.00"),
    ];
    let mut found = lines(on_date);
    found.sort_unstable();
    let mut wanted = expected.to_vec();
    wanted.sort_unstable();
    assert_eq!(found, wanted);
    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-06-30").await, "0.00");
    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-07-31").await, "-996666.67");
    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-08-01").await, "0.00");
    assert_eq!(classification(&service, &issue, "2029-06-30").await["reclassification"], Value::Null);
    let report = check_rollforward(&service, "2029-01-01", "2029-12-31").await;
    let taken_back = |line: &&Value| line["reverses_movement"] == json!("reclassification");
    let line = array(&report["total"]).iter().find(taken_back).expect("a line");
    assert_figures(line, json!({"movement": "reversal", "principal": "0.00", "carrying_amount": "0.00"}));

    let again = reclassify(&service, &issue, body).await;
    assert_eq!(again["reclassification"], first["reclassification"]);
    check_tied(&service, &issue, &["2029-06-30", "2029-07-01", "2029-07-31", "2029-08-01"]).await;
    service.verify().await;
}

/// At par. A conversion of the date itself or the next day leaves what was moved as it was; one recorded late shows as a difference.
async fn events_around_the_date_tie_and_late_ones_show_a_difference(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    reclassify(&service, &issue, json!({"balance_sheet_date": "2029-06-30"})).await;
    let days = ["2029-05-31", "2029-06-15", "2029-06-30", "2029-07-01", "2029-07-31"];
    let mut difference = 0;
    for (date, changes) in [
        ("2029-07-01", 0),
        ("2029-07-20", 0),
        ("2029-06-30", -100_000),
        ("2029-06-15", -100_000),
        ("2029-04-20", -100_000),
    ] {
        service.record(&issue, "conversions", json!({"effective_date": date, "principal": "100000.00"})).await;
        difference += changes;
        let shown = if difference == 0 { "0.00".to_owned() } else { format!("{difference}.00") };
        let found = classification(&service, &issue, "2029-06-30").await;
        assert_figures(&found["reclassification"], json!({"difference": shown}));
        assert_figures(&found["reclassification"]["current"], json!({"carrying_amount": "1000000.00"}));
        check_tied(&service, &issue, &days).await;
        check_rollforward(&service, "2029-06-01", "2029-06-30").await;
        check_rollforward(&service, "2029-07-01", "2029-07-31").await;
    }
    let found = classification(&service, &issue, "2029-06-30").await;
    assert_figures(&found["current"], json!({"carrying_amount": "700000.00"}));
    let accrual = json!({"through": "2029-12-31"});
    service.post("/v1/entities/ACME/accruals", &accrual).await.created();
    check_tied(&service, &issue, &days).await;
    assert_eq!(balance(&service, "current_portion_of_bonds_payable", "2029-12-31").await, "0.00");
    assert_eq!(figure(&service.carrying_value(&issue, "2029-12-31").await["booked"]["principal"]), 500_000.into());
}

/// The issue is accrued through December: what is moved is what was booked at the close of June, and nothing is accrued again.
async fn a_date_before_what_is_accrued_moves_what_was_booked_on_it(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"proceeds": "960000.00", "issue_costs": "20000.00"}))).await;
    service.record(&issue, "accruals", json!({"through": "2029-12-31"})).await;
    let answer = reclassify(&service, &issue, json!({"balance_sheet_date": "2029-06-30"})).await;
    let batches = array(&answer["journal_batches"]);
    assert!(batches.len() == 2 && batches.iter().all(|batch| lines_of(batch, "accrual").is_empty()), "{answer}");
    assert_figures(&answer["reclassification"]["current"], json!({"carrying_amount": "994000.00"}));
    assert_eq!(balance(&service, "bonds_payable", "2029-06-30").await, "0.00");
    check_tied(&service, &issue, &["2029-06-30", "2029-07-01", "2029-12-31", "2030-01-01"]).await;
    // The last fiscal period of its life, which ends on the day before maturity.
    let answer = reclassify(&service, &issue, json!({"balance_sheet_date": "2029-12-31"})).await;
    assert_figures(&answer["reclassification"]["current"], json!({"carrying_amount": "1000000.00"}));
    assert_figures(&answer["reclassification"], json!({"moves_back_on": "2030-01-01"}));
    let repaid = json!({"effective_date": "2030-01-01", "principal": "1000000.00", "kind": "maturity"});
    service.record(&issue, "redemptions", repaid).await;
    check_tied(&service, &issue, &["2029-06-30", "2029-12-31", "2030-01-01", "2030-06-30"]).await;
    check_rollforward(&service, "2029-12-01", "2029-12-31").await;
    check_rollforward(&service, "2030-01-01", "2030-01-31").await;
}

async fn what_matured_and_is_not_paid_is_current(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "issue_costs": "20000.00"})).await;
    let answer = reclassify(&service, &issue, json!({"balance_sheet_date": "2030-01-31"})).await;
    assert_figures(&answer["reclassification"]["current"], json!({"carrying_amount": "1000000.00"}));
    assert_eq!(answer["reclassification"]["reasons"][0]["detail"], json!("it matured on 2030-01-15"));
    check_tied(&service, &issue, &["2030-01-15", "2030-01-31", "2030-02-01"]).await;
    let repaid = json!({"effective_date": "2030-01-15", "paid_on": "2030-02-03", "principal": "1000000.00",
        "kind": "maturity"});
    service.record(&issue, "redemptions", repaid).await;
    check_tied(&service, &issue, &["2030-01-31", "2030-02-01", "2030-02-03", "2030-02-28"]).await;
    check_rollforward(&service, "2030-01-01", "2030-12-31").await;
    let later = json!({"balance_sheet_date": "2030-02-28"});
    let answer = service.post(&on(&issue, "reclassifications"), &later).await.done();
    assert_eq!(codes(&answer["reclassification"])[0].0, "nothing_outstanding");
}

async fn what_cannot_be_is_refused_and_changes_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let path = on(&issue, "reclassifications");
    let untouched = Untouched::of(&service).await;
    let refinanced = |changes: Value| {
        let mut fact = json!({"basis": "after_balance_sheet_date", "reason": "Notes due 2034"});
        change(&mut fact, changes);
        json!({"balance_sheet_date": "2029-06-30", "refinanced": fact})
    };
    for (body, code, pointer, says) in [
        (json!({}), "invalid_field", "", "balance_sheet_date"),
        (json!({"balance_sheet_date": "2029-06-29"}), "invalid_field", "/balance_sheet_date", "2029-06-30"),
        (json!({"balance_sheet_date": "2024-12-31"}), "before_settlement", "/balance_sheet_date", "2025-01-15"),
        (json!({"balance_sheet_date": "9999-12-31"}), "invalid_field", "/balance_sheet_date", "no day after"),
        (
            json!({"balance_sheet_date": "2029-06-30", "repayable_on_demand": {"reason": " "}}),
            "invalid_field",
            "/repayable_on_demand/reason",
            "sentence",
        ),
        (refinanced(json!({"reason": ""})), "invalid_field", "/refinanced/reason", "sentence"),
        (refinanced(json!({"principal": "0.00"})), "invalid_field", "/refinanced/principal", "1000000.00"),
        (refinanced(json!({"principal": "1000000.01"})), "invalid_field", "/refinanced/principal", "1000000.00"),
        (refinanced(json!({"principal": "1.001"})), "too_many_decimals", "/refinanced/principal", "USD"),
        (refinanced(json!({"basis": "hope"})), "invalid_field", "/refinanced/basis", "after_balance_sheet_date"),
        (json!({"balance_sheet_date": "2029-06-30", "callable": true}), "invalid_field", "/callable", "callable"),
    ] {
        let answer = service.post(&path, &body).await;
        let document = answer.problem(422, code);
        if !pointer.is_empty() {
            assert_eq!(document["errors"][0]["pointer"], json!(pointer), "{document}");
        }
        assert!(document.to_string().contains(says), "{document}");
    }
    service.get(&format!("{ISSUES}/{issue}/classification")).await.problem(400, "malformed_query");
    service.get(&format!("{ISSUES}/{issue}/classification?as_of=2029-13-01")).await.problem(400, "malformed_query");
    untouched.check(&service).await;

    let taken_over = json!({"reference": "CB-2", "proceeds": null, "opening_balance": {"date": "2027-03-31",
        "principal": "800000.00", "premium_discount": "-8000.00", "issue_costs": "-4000.00", "interest_payable": "10133.33"}});
    let issue = service.issue(taken_over).await;
    let early = json!({"balance_sheet_date": "2027-02-28"});
    let answer = service.post(&on(&issue, "reclassifications"), &early).await;
    answer.refused_at("before_opening_balance", "/balance_sheet_date");
    // On the day of the opening balance itself what was taken over may be current.
    let demand =
        json!({"balance_sheet_date": "2027-03-31", "repayable_on_demand": {"reason": "Covenant of 2027-03-31"}});
    let answer = reclassify(&service, &issue, demand).await;
    assert_figures(&answer["reclassification"]["current"], json!({"carrying_amount": "788000.00"}));
    check_tied(&service, &issue, &["2027-03-31", "2027-04-01", "2027-04-30"]).await;
    check_rollforward(&service, "2027-03-01", "2027-04-30").await;
}

async fn a_preview_is_what_is_posted_and_nothing_current_is_answered_alike(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let path = on(&issue, "reclassifications");
    let body = json!({"balance_sheet_date": "2029-06-30"});
    let preview = service.preview(&path, &body).await.done();
    let headers = [("idempotency-key", "cp-1"), ("if-preview-match", text(&preview["preview_sha256"]))];
    let recorded = service.post_with(&path, &body, &headers).await.created();
    assert_eq!(preview["reclassification"], recorded["reclassification"]);
    let again = service.post_with(&path, &body, &headers).await;
    assert_eq!((again.header("idempotent-replayed"), again.created()), ("true", recorded));
    let nothing = json!({"balance_sheet_date": "2025-06-30"});
    let first = service.post_with(&path, &nothing, &[("idempotency-key", "cp-2")]).await.done();
    let again = service.post_with(&path, &nothing, &[("idempotency-key", "cp-2")]).await;
    assert_eq!((again.header("idempotent-replayed"), again.done()), ("true", first));
}
