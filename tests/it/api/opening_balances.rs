//! Issues taken over in mid-life.

use serde_json::{Value, json};

use super::conversions::{last_batch, textbook};
use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, change, items, on, on_both_engines, terms, text,
};
use crate::support::ledger::{lines, lines_of};

on_both_engines! {
    an_issue_is_taken_over_and_goes_on_as_it_would_have
    a_constant_rate_goes_on_from_the_carrying_amount
    interest_that_differs_is_reported_and_posted_by_the_first_accrual
    coupons_that_were_due_are_paid_as_the_last_of_them
    what_happened_before_is_part_of_the_balance
    what_cannot_be_is_refused_at_its_field
    an_opening_balance_is_a_line_of_the_rollforward_and_can_be_reversed
    it_can_be_previewed_and_lives_to_maturity
}

/// Annual coupons of 8% on 1,000,000 over five years from 2025, by the straight line: of a discount of 40,000 and costs of 20,000 three
/// fifths are left at the end of 2026, and 600,000 of the bonds.
fn straight(changes: Value) -> Value {
    let mut body = terms(textbook(json!({"principal": "1000000.00",
        "amortization_method": "straight_line",
        "opening_balance": {"date": "2026-12-31", "principal": "600000.00", "premium_discount": "-14400.00",
            "issue_costs": "-7200.00", "interest_payable": "48000.00"}})));
    change(&mut body, json!({"proceeds": null}));
    change(&mut body["opening_balance"], changes);
    body
}

async fn take_over(service: &Service, body: &Value) -> (String, Value) {
    let answer = service.post(ISSUES, body).await.created();
    (text(&answer["id"]).to_owned(), answer)
}

async fn an_issue_is_taken_over_and_goes_on_as_it_would_have(service: Service) {
    service.mapped_entity("ACME").await;
    let (issue, answer) = take_over(&service, &straight(json!({}))).await;
    assert_figures(&answer["event"], json!({"kind": "opening_balance", "effective_date": "2026-12-31"}));
    assert_eq!(
        answer["opening_interest"],
        json!({"computed": "48000.00", "taken_over": "48000.00", "difference": "0.00"})
    );
    // The day has earned its interest: the coupon of 1 January is accrued, and not due yet.
    assert_figures(
        &answer["position_after"],
        json!({"as_of": "2026-12-31", "boundary": "2027-01-01", "principal": "600000.00",
            "premium_discount": "-14400.00", "issue_costs": "-7200.00", "carrying_amount": "578400.00",
            "interest_due": "0.00", "interest_accrued": "48000.00"}),
    );
    let expected = [
        ("debt_issue_costs", "debit", "7200.00"),
        ("discount_on_bonds_payable", "debit", "14400.00"),
        ("opening_balance_clearing", "debit", "626400.00"),
        ("bonds_payable", "credit", "600000.00"),
        ("interest_payable", "credit", "48000.00"),
    ];
    let mut found = lines(last_batch(&answer));
    found.sort_unstable_by_key(|(role, side, _)| (*side == "credit", *role));
    let mut wanted = expected.to_vec();
    wanted.sort_unstable_by_key(|(role, side, _)| (*side == "credit", *role));
    assert_eq!(found, wanted);
    assert_eq!(service.carrying_value(&issue, "2026-12-31").await["status"], json!("tied"));

    // Half a year on: a sixth of what is left, and half a coupon.
    let accrued = service.record(&issue, "accruals", json!({"through": "2027-06-30"})).await;
    assert_figures(
        &accrued["position_after"],
        json!({"premium_discount": "-12000.00", "issue_costs": "-6000.00", "interest_due": "48000.00",
            "interest_accrued": "24000.00"}),
    );
    // 150,000 of 600,000 convert with their share.
    let body = json!({"effective_date": "2027-07-01", "principal": "150000.00"});
    let converted = service.record(&issue, "conversions", body).await;
    assert_figures(
        &converted["conversion"],
        json!({"carrying_amount": "145500.00", "premium_discount": "-3000.00", "issue_costs": "-1500.00"}),
    );
    let schedule = service.read(&on(&issue, "schedule?principal=outstanding")).await;
    let rows = array(&schedule["rows"]);
    assert_eq!((rows.len(), &rows[0]["start"], &rows[2]["end"]), (3, &json!("2027-01-01"), &json!("2030-01-01")));
    assert_eq!(rows[2]["carrying_amount"], json!("450000.00"));
}

/// What an issue recorded from its beginning shows on a coupon date is taken over as another; both go on alike.
async fn a_constant_rate_goes_on_from_the_carrying_amount(service: Service) {
    service.mapped_entity("ACME").await;
    let whole = service.issue(json!({"proceeds": "1042000.00", "issue_costs": "8000.00"})).await;
    let stood = service.carrying_value(&whole, "2026-07-15").await;
    let opening = json!({"date": "2026-07-15", "principal": stood["principal"],
        "premium_discount": stood["premium_discount"], "issue_costs": stood["issue_costs"], "interest_payable": "0.00"});
    let (taken, answer) =
        take_over(&service, &terms(json!({"reference": "CB-2", "proceeds": null, "opening_balance": opening}))).await;
    let rate = |issue: &Value| text(&issue["effective_rate"]["nominal_annual"]).parse::<f64>().expect("a rate");
    let original = service.read(&format!("{ISSUES}/{whole}")).await;
    assert!((rate(&answer) - rate(&original)).abs() < 1e-7, "{answer}");
    for as_of in ["2026-07-15", "2026-12-31", "2027-01-15", "2028-10-31", "2029-12-31"] {
        let (left, right) = (service.carrying_value(&whole, as_of).await, service.carrying_value(&taken, as_of).await);
        let cents = |value: &Value, name: &str| text(&value[name]).replace('.', "").parse::<i64>().expect("cents");
        // Both start from amounts rounded to the cent.
        for name in ["premium_discount", "issue_costs"] {
            assert!((cents(&left, name) - cents(&right, name)).abs() <= 1, "{name} on {as_of}: {left} {right}");
        }
        assert_eq!(left["interest_accrued"], right["interest_accrued"], "{as_of}");
        assert_eq!(right["status"], json!("tied"), "{as_of}");
    }
}

/// 47,990 was taken over where 48,000 had accrued.
async fn interest_that_differs_is_reported_and_posted_by_the_first_accrual(service: Service) {
    service.mapped_entity("ACME").await;
    let (issue, answer) = take_over(&service, &straight(json!({"interest_payable": "47990.00"}))).await;
    assert_eq!(
        answer["opening_interest"],
        json!({"computed": "48000.00", "taken_over": "47990.00", "difference": "10.00"})
    );
    let value = service.carrying_value(&issue, "2026-12-31").await;
    assert_figures(&value, json!({"interest_payable": "48000.00", "status": "tied"}));
    assert_figures(&value["booked"], json!({"interest_payable": "47990.00"}));
    assert_figures(&value["unaccrued"], json!({"interest_payable": "10.00"}));
    let accrued = service.record(&issue, "accruals", json!({"through": "2027-01-31"})).await;
    let coupon = lines_of(last_batch(&accrued), "accrual");
    assert!(coupon.contains(&("interest_expense", "debit", "4010.00")), "{coupon:?}");
    let value = service.carrying_value(&issue, "2027-01-31").await;
    assert_figures(&value["booked"], json!({"interest_payable": "52000.00"}));
    assert_eq!(value["status"], json!("tied"));
}

/// Taken over in the middle of 2027 with the coupon of January still unpaid.
async fn coupons_that_were_due_are_paid_as_the_last_of_them(service: Service) {
    service.mapped_entity("ACME").await;
    let changes = json!({"date": "2027-06-30", "premium_discount": "-12000.00", "issue_costs": "-6000.00",
        "interest_payable": "72000.00", "interest_due": "48000.00"});
    let (issue, answer) = take_over(&service, &straight(changes)).await;
    assert_figures(&answer["position_after"], json!({"interest_due": "48000.00", "interest_accrued": "24000.00"}));
    let path = on(&issue, "coupon-payments");
    let early = json!({"coupon_date": "2027-01-01", "paid_on": "2027-06-30"});
    service.post(&path, &early).await.refused_at("before_opening_balance", "/paid_on");
    let older = json!({"coupon_date": "2026-01-01", "paid_on": "2027-07-05"});
    service.post(&path, &older).await.refused_at("before_opening_balance", "/coupon_date");
    let pay = json!({"coupon_date": "2027-01-01", "paid_on": "2027-07-05"});
    let paid = service.record(&issue, "coupon-payments", pay.clone()).await;
    assert_figures(&paid["coupon_payment"], json!({"amount": "48000.00", "principal": "600000.00"}));
    let value = service.carrying_value(&issue, "2027-07-05").await;
    assert_figures(&value, json!({"interest_due": "0.00", "status": "tied", "overdue": null}));
    service.post(&path, &pay).await.conflict("coupon_already_paid");
    let path = format!("/v1/journal-batches/{}/reversal", text(&last_batch(&paid)["id"]));
    service.post(&path, &json!({"reason": "Paid from another account"})).await.created();
    let value = service.carrying_value(&issue, "2027-07-05").await;
    assert_figures(&value, json!({"interest_due": "48000.00", "status": "tied", "overdue": true}));
    // The coupon that falls due later is an ordinary one.
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2028-01-01"})).await;
    let value = service.carrying_value(&issue, "2028-01-01").await;
    assert_figures(&value, json!({"interest_due": "48000.00", "interest_accrued": "0.00", "status": "tied"}));
}

async fn what_happened_before_is_part_of_the_balance(service: Service) {
    service.mapped_entity("ACME").await;
    let (issue, _) = take_over(&service, &straight(json!({}))).await;
    for date in ["2026-12-31", "2026-01-15"] {
        for (kind, field, body) in [
            ("conversions", "effective_date", json!({"effective_date": date, "principal": "1000.00"})),
            (
                "repurchases",
                "effective_date",
                json!({"effective_date": date, "principal": "1000.00", "price_percent": "99"}),
            ),
        ] {
            service.post(&on(&issue, kind), &body).await.refused_at("before_opening_balance", &format!("/{field}"));
        }
    }
    let accrual = json!({"through": "2026-12-30"});
    service.post(&on(&issue, "accruals"), &accrual).await.refused_at("before_opening_balance", "/through");
    let nothing = service.post(&on(&issue, "accruals"), &json!({"through": "2026-12-31"})).await.done();
    assert_figures(&nothing, json!({"accrued_through": "2026-12-31", "journal_batches": []}));
    let before = service.read(&on(&issue, "carrying-value?as_of=2026-12-30")).await;
    assert_figures(&before, json!({"carrying_amount": "0.00", "status": "tied"}));
    // An entity's accrual through a date before it leaves it out.
    let all = service.post("/v1/entities/ACME/accruals", &json!({"through": "2026-11-30"})).await.done();
    assert_eq!(all["skipped"][0]["bond_issue"], json!(issue));
}

async fn what_cannot_be_is_refused_at_its_field(service: Service) {
    service.mapped_entity("ACME").await;
    for (changes, code, pointer) in [
        (json!({"date": "2030-01-01"}), "invalid_field", "/opening_balance/date"),
        (json!({"date": "2031-06-30"}), "invalid_field", "/opening_balance/date"),
        (json!({"date": "2024-12-31"}), "invalid_field", "/opening_balance/date"),
        (json!({"principal": "1000001000.00"}), "invalid_field", "/opening_balance/principal"),
        (json!({"principal": "0.00"}), "invalid_field", "/opening_balance/principal"),
        (json!({"principal": "600000.50"}), "principal_not_multiple_of_denomination", "/principal"),
        (json!({"issue_costs": "7200.00"}), "invalid_field", "/opening_balance/issue_costs"),
        (json!({"premium_discount": "-600000.00"}), "invalid_field", "/opening_balance/premium_discount"),
        (json!({"interest_payable": "-1.00"}), "invalid_field", "/opening_balance/interest_payable"),
        (json!({"interest_due": "48000.01"}), "invalid_field", "/opening_balance/interest_due"),
        (json!({"interest_payable": "48000.001"}), "too_many_decimals", "/opening_balance/interest_payable"),
        (json!({"equity_component": "1.00"}), "invalid_field", "/opening_balance/equity_component"),
        (json!({"settled": "x"}), "invalid_field", "/opening_balance/settled"),
    ] {
        let detail = service.post(ISSUES, &straight(changes)).await.refused_at(code, pointer);
        assert!(detail.len() > 20, "{detail}");
    }
    for field in ["proceeds", "issue_costs", "accrued_interest_received"] {
        let mut body = straight(json!({}));
        body[field] = json!("1000.00");
        service.post(ISSUES, &body).await.refused_at("invalid_field", &format!("/{field}"));
    }
    let mut neither = straight(json!({}));
    change(&mut neither, json!({"opening_balance": null}));
    service.post(ISSUES, &neither).await.refused_at("invalid_field", "/proceeds");
    let mut early = straight(json!({"date": "2025-06-30", "interest_due": "1.00"}));
    early["amortization_end"] = json!("2028-01-01");
    service.post(ISSUES, &early).await.refused_at("invalid_field", "/opening_balance/interest_due");
    let mut passed = straight(json!({}));
    passed["amortization_end"] = json!("2027-01-01");
    service.post(ISSUES, &passed).await.refused_at("invalid_field", "/amortization_end");
    assert_eq!(items(&service.read(&format!("{ISSUES}?entity=ACME")).await), Vec::<Value>::new());
}

async fn an_opening_balance_is_a_line_of_the_rollforward_and_can_be_reversed(service: Service) {
    service.mapped_entity("ACME").await;
    let changes = json!({"date": "2027-06-30", "premium_discount": "-12000.00", "issue_costs": "-6000.00",
        "interest_payable": "71000.00", "interest_due": "48000.00"});
    let (issue, answer) = take_over(&service, &straight(changes.clone())).await;
    service.record(&issue, "accruals", json!({"through": "2027-09-30"})).await;
    let report = service.read("/v1/entities/ACME/rollforward?from=2027-01-01&to=2027-12-31").await;
    let line = |movement: &str| {
        let found = array(&report["total"]).iter().find(|line| line["movement"] == json!(movement));
        found.cloned().unwrap_or_else(|| panic!("no {movement} in {report}"))
    };
    assert_figures(
        &line("opening_balance"),
        json!({"principal": "600000.00", "carrying_amount": "582000.00", "cash": "0.00"}),
    );
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
    let path = format!("/v1/journal-batches/{}/reversal", text(&last_batch(&answer)["id"]));
    let reversed = service.post(&path, &json!({"reason": "Taken over twice"})).await.created();
    assert_figures(&reversed["position_after"], json!({"carrying_amount": "0.00", "interest_payable": "0.00"}));
    for as_of in ["2027-06-30", "2027-07-31", "2027-09-30", "2028-01-01", "2029-12-31"] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_figures(&value, json!({"carrying_amount": "0.00", "interest_payable": "0.00", "status": "tied"}));
    }
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2030-12-31").await;
    assert!(array(&balance["rows"]).iter().all(|row| row["balance"] == json!("0.00")), "{balance}");
    take_over(&service, &straight(changes)).await;
}

async fn it_can_be_previewed_and_lives_to_maturity(service: Service) {
    service.mapped_entity("ACME").await;
    let body = straight(json!({}));
    let preview = service.preview(ISSUES, &body).await.done();
    let hash = text(&preview["preview_sha256"]);
    let headers = [("idempotency-key", "open"), ("if-preview-match", hash)];
    let answer = service.post_with(ISSUES, &body, &headers).await.created();
    assert_fields(&preview["opening_interest"], "computed taken_over difference");
    assert_eq!(answer["opening_balance"], body["opening_balance"]);
    let issue = text(&answer["id"]);
    for year in 2027..=2030 {
        service.record(issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    let repay = json!({"effective_date": "2030-01-01", "principal": "600000.00", "kind": "maturity"});
    service.record(issue, "redemptions", repay).await;
    let value = service.carrying_value(issue, "2030-12-31").await;
    assert_figures(&value, json!({"carrying_amount": "0.00", "interest_payable": "0.00", "status": "tied"}));
    assert_figures(&value["booked"], json!({"carrying_amount": "0.00", "interest_payable": "0.00"}));
    service.verify().await;
}
