//! Accruals of one issue and of all issues of an entity.

use serde_json::{Value, json};

use crate::support::client::{Service, array, assert_fields, items, on, on_both_engines, text};
use crate::support::ledger::{figure, lines};

on_both_engines! {
    an_accrual_is_cut_at_the_close_of_each_month
    an_accrual_through_a_date_before_posts_nothing_and_says_so
    the_difference_of_interest_received_at_settlement_is_posted_by_the_first_accrual
    amortization_and_coupon_are_separate_lines
    yen_have_no_decimals_and_dinars_three
    a_month_end_issue_accrues_the_same_each_month
    all_issues_of_an_entity_accrue_in_one_command
    booked_equals_computed_after_each_accrual
}

fn dates(answer: &Value) -> Vec<&str> {
    array(&answer["journal_batches"]).iter().map(|batch| text(&batch["posting_date"])).collect()
}

/// 16 days to the close of January, then 30 each: 2,666.67, 5,000.00 and 5,000.00.
async fn an_accrual_is_cut_at_the_close_of_each_month(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    assert_fields(&answer, "event position_before position_after accrued_through journal_batches");
    assert_eq!(answer["accrued_through"], json!("2025-03-31"));
    assert_eq!(answer["event"]["kind"], json!("accrual"));
    assert_eq!(dates(&answer), ["2025-01-31", "2025-02-28", "2025-03-31"]);
    for (batch, amount) in array(&answer["journal_batches"]).iter().zip(["2666.67", "5000.00", "5000.00"]) {
        assert_eq!(lines(batch), [("interest_expense", "debit", amount), ("interest_payable", "credit", amount)]);
    }
    let numbers: Vec<_> = array(&answer["journal_batches"]).iter().map(|batch| batch["number"].clone()).collect();
    assert_eq!(numbers, ["ACME-2025-000002", "ACME-2025-000003", "ACME-2025-000004"]);
}

async fn an_accrual_through_a_date_before_posts_nothing_and_says_so(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    let batches = service.batches().await.len();
    for through in ["2025-03-31", "2025-02-10"] {
        let again = service.post(&on(&issue, "accruals"), &json!({"through": through})).await.done();
        assert_eq!(again, json!({"accrued_through": "2025-03-31", "journal_batches": []}));
    }
    assert_eq!(service.batches().await.len(), batches);
    let early = service.post(&on(&issue, "accruals"), &json!({"through": "2025-01-14"})).await;
    early.refused_at("before_settlement", "/through");
    // Interest stops at maturity, whatever is asked for.
    let answer = service.record(&issue, "accruals", json!({"through": "2031-06-30"})).await;
    assert_eq!(answer["accrued_through"], json!("2030-01-15"));
}

/// 60 of 360 days at 6% on 1,000,000 are 10,000.00; 10,000.50 was received. Through March 76 days are 12,666.67.
async fn the_difference_of_interest_received_at_settlement_is_posted_by_the_first_accrual(service: Service) {
    service.mapped_entity("ACME").await;
    let terms = crate::support::client::terms(
        json!({"settlement_date": "2025-03-15", "accrued_interest_received": "10000.50"}),
    );
    let issued = service.post("/v1/bond-issues", &terms).await.created();
    assert_eq!(
        issued["issuance"],
        json!({"accrued_interest_computed": "10000.00", "accrued_interest_received": "10000.50",
            "accrued_interest_difference": "-0.50"})
    );
    let expected = [
        ("cash", "debit", "1010000.50"),
        ("bonds_payable", "credit", "1000000.00"),
        ("interest_payable", "credit", "10000.50"),
    ];
    assert_eq!(lines(&issued["journal_batches"][0]), expected);
    let value = service.carrying_value(text(&issued["id"]), "2025-03-20").await;
    assert_eq!(value["status"], json!("tied"));
    let answer = service.record(text(&issued["id"]), "accruals", json!({"through": "2025-03-31"})).await;
    // Bought at par inside a period, the issue yields a little less than its coupon, so there is amortization too.
    let posted = lines(&answer["journal_batches"][0]);
    for line in [("interest_expense", "debit", "2666.17"), ("interest_payable", "credit", "2666.17")] {
        assert!(posted.contains(&line), "{posted:?}");
    }

    // Stated as it is computed, or not at all, there is no difference.
    let terms = crate::support::client::terms(json!({"reference": "CB-2", "settlement_date": "2025-03-15"}));
    let issued = service.post("/v1/bond-issues", &terms).await.created();
    assert_eq!(issued["issuance"]["accrued_interest_difference"], json!("0.00"));
}

/// The schedule of AM-07 (8% of 100,000 for 92,278 at 10% stated): the first half-year's discount of 613.90, spread over 180 days, is
/// 54.568889 by day 16 and 218.275556 by day 64.
async fn amortization_and_coupon_are_separate_lines(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(super::bond_issues::am_07()).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-01-16"})).await;
    let expected = [
        ("interest_expense", "debit", "355.56"),
        ("interest_expense", "debit", "54.57"),
        ("interest_payable", "credit", "355.56"),
        ("discount_on_bonds_payable", "credit", "54.57"),
    ];
    assert_eq!(lines(&answer["journal_batches"][0]), expected);
    let answer = service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    assert_eq!(answer["position_after"]["carrying_amount"], json!("92891.90"));
    assert_eq!(answer["position_after"]["interest_accrued"], json!("4000.00"));
}

async fn yen_have_no_decimals_and_dinars_three(service: Service) {
    service.mapped_entity("ACME").await;
    // 16 of 360 days: 44,444.44 yen and 2,222.2222 dinars.
    for (currency, principal, denomination, rate, interest) in
        [("JPY", "100000000", "1000000", "0.01", "44444"), ("KWD", "1000000.000", "1000.000", "0.05", "2222.222")]
    {
        let issue = service
            .issue(json!({"reference": currency, "currency": currency, "principal": principal, "denomination": denomination,
                "proceeds": principal, "coupon_rate": rate, "coupon_frequency": 1, "conversion": null}))
            .await;
        let answer = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
        let batch = &answer["journal_batches"][0];
        assert_eq!(lines(batch), [("interest_expense", "debit", interest), ("interest_payable", "credit", interest)]);
        assert_eq!(batch["currency"], json!(currency));
        assert_eq!(answer["position_after"]["principal"], json!(principal));
        let finer = format!("{principal}{}1", if principal.contains('.') { "" } else { "." });
        let terms =
            crate::support::client::terms(json!({"reference": "X", "currency": currency, "principal": principal,
            "denomination": denomination, "proceeds": finer, "conversion": null}));
        let detail = service.post("/v1/bond-issues", &terms).await.problem(422, "too_many_decimals");
        assert!(text(&detail["detail"]).contains(currency), "{detail}");
    }
}

async fn a_month_end_issue_accrues_the_same_each_month(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(json!({"dated_date": "2025-08-31", "settlement_date": "2025-08-31", "maturity_date": "2030-02-28"}))
        .await;
    let answer = service.record(&issue, "accruals", json!({"through": "2026-02-28"})).await;
    let expenses: Vec<_> = array(&answer["journal_batches"]).iter().flat_map(lines).collect();
    let monthly = [("interest_expense", "debit", "5000.00"), ("interest_payable", "credit", "5000.00")].repeat(6);
    assert_eq!(expenses, monthly);
    let last = ["2025-09-30", "2025-10-31", "2025-11-30", "2025-12-31", "2026-01-31", "2026-02-28"];
    assert_eq!(dates(&answer), last);
}

async fn all_issues_of_an_entity_accrue_in_one_command(service: Service) {
    service.mapped_entity("ACME").await;
    let first = service.issue(json!({})).await;
    let second = service.issue(json!({"reference": "CB-2"})).await;
    service.issue(json!({"reference": "CB-3", "currency": "EUR"})).await;
    let later =
        service.issue(json!({"reference": "CB-4", "dated_date": "2026-01-15", "settlement_date": "2026-01-15"})).await;
    service.record(&second, "accruals", json!({"through": "2025-02-28"})).await;
    let path = "/v1/entities/ACME/accruals";
    let answer = service.post(path, &json!({"through": "2025-02-28", "reference": "CLOSE-02"})).await.created();
    assert_fields(&answer, "accrued_through journal_batches skipped");
    assert_eq!(answer["accrued_through"], json!("2025-02-28"));
    let heads = array(&answer["journal_batches"]);
    let shown: Vec<_> = heads.iter().map(|head| (text(&head["posting_date"]), text(&head["currency"]))).collect();
    let expected = [("2025-01-31", "EUR"), ("2025-01-31", "USD"), ("2025-02-28", "EUR"), ("2025-02-28", "USD")];
    assert_eq!(shown, expected);
    for (head, debit) in heads.iter().zip(["2666.67", "2666.67", "5000.00", "5000.00"]) {
        assert_fields(head, "id number currency posting_date totals");
        assert_eq!(head["totals"], json!({"entries": 1, "lines": 2, "debit": debit, "credit": debit}));
        let whole = service.read(&format!("/v1/journal-batches/{}", text(&head["id"]))).await;
        assert_eq!((&whole["totals"], &whole["number"]), (&head["totals"], &head["number"]));
    }
    let skipped: Vec<_> = array(&answer["skipped"]).iter().map(|skip| text(&skip["bond_issue"])).collect();
    assert_eq!(skipped, [second.as_str(), later.as_str()]);
    array(&answer["skipped"]).iter().for_each(|skip| assert_fields(skip, "bond_issue reason"));

    let again = service.post(path, &json!({"through": "2025-02-28"})).await.done();
    assert_eq!((array(&again["journal_batches"]).len(), array(&again["skipped"]).len()), (0, 4));
    let events = service.read(&on(&first, "events")).await;
    let kinds: Vec<_> = items(&events).iter().map(|event| event["kind"].clone()).collect();
    assert_eq!(kinds, ["issuance", "accrual"]);
    service.post("/v1/entities/NOBODY/accruals", &json!({"through": "2025-02-28"})).await.problem(404, "not_found");
}

/// With a discount, costs and an odd rate, through every month of the issue's life.
async fn booked_equals_computed_after_each_accrual(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(json!({"coupon_rate": "0.04375", "proceeds": "963217.83", "issue_costs": "17321.09",
            "within_period": "compound", "maturity_date": "2027-01-15", "day_count": "ACT/ACT-ICMA"}))
        .await;
    let mut date = jiff::civil::date(2025, 1, 31);
    while date < jiff::civil::date(2027, 1, 31) {
        service.record(&issue, "accruals", json!({"through": date.to_string()})).await;
        let value = service.carrying_value(&issue, &date.to_string()).await;
        assert_eq!(value["status"], json!("tied"));
        for component in ["principal", "premium_discount", "issue_costs", "carrying_amount", "interest_payable"] {
            assert_eq!(value["booked"][component], value[component], "{component} on {date}");
            assert_eq!(value["unaccrued"][component], json!("0.00"), "{component} on {date}");
        }
        date = date.tomorrow().expect("a day").last_of_month();
    }
    service.record(&issue, "accruals", json!({"through": "2027-01-15"})).await;
    let end = service.carrying_value(&issue, "2027-01-15").await;
    assert_eq!((figure(&end["premium_discount"]), figure(&end["issue_costs"])), Default::default());
    assert_eq!(end["carrying_amount"], json!("1000000.00"));
}
