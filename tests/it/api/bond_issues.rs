//! Bond issues: what is recorded of them and their schedules.

use serde_json::{Value, json};

use super::conversions::textbook;
use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, items, on, on_both_engines, terms, text,
};
use crate::support::ledger::{figure, lines};

on_both_engines! {
    an_issue_is_answered_with_its_terms_rates_and_issuance
    a_schedule_meets_its_source_to_the_cent
    the_schedule_of_what_is_outstanding_follows_conversions
    issues_are_found_by_entity_reference_and_isin
    events_tell_what_their_answers_told
    a_rate_that_differs_from_the_stated_one_is_refused_with_both
    an_id_that_is_malformed_or_not_there_is_not_found
}

/// AM-07 of the published checks (Walther, ch. 13): 8% of 100,000, semi-annually over five years, for 92,278 at 10% stated.
pub fn am_07() -> Value {
    textbook(json!({"principal": "100000.00", "coupon_frequency": 2, "proceeds": "92278.00",
        "stated_effective_rate": "0.10"}))
}

async fn an_issue_is_answered_with_its_terms_rates_and_issuance(service: Service) {
    service.mapped_entity("ACME").await;
    let terms = terms(json!({"proceeds": "1050000.00", "issue_costs": "20000.00", "isin": "XS000PARWR19",
        "name": "Convertible notes of 2030", "dimensions": {"desk": "treasury"}, "record_days": 14}));
    let answer = service.post(ISSUES, &terms).await.created();
    let stated = "entity reference name isin dimensions currency principal denomination coupon_rate coupon_frequency day_count \
                  dated_date settlement_date maturity_date proceeds issue_costs record_days conversion";
    let defaults = "amortization_method within_period accrual_cutoff";
    let recorded = "event position_before position_after issuance journal_batches";
    assert_fields(&answer, &format!("id effective_rate {stated} {defaults} {recorded}"));
    for (name, value) in terms.as_object().expect("terms") {
        if name != "conversion" {
            assert_eq!(&answer[name], value, "{name}");
        }
    }
    assert_figures(
        &answer,
        json!({"amortization_method": "effective_interest", "within_period": "ratable", "accrual_cutoff": "through_date",
            "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01", "accrued_interest": "forfeited",
                "settlement": "physical"}}),
    );
    assert_fields(&answer["effective_rate"], "nominal_annual effective_annual gross_nominal_annual");
    for rate in ["nominal_annual", "effective_annual", "gross_nominal_annual"] {
        assert!(figure(&answer["effective_rate"][rate]).scale() >= 12, "{}", answer["effective_rate"]);
    }
    let expected = [
        ("cash", "debit", "1030000.00"),
        ("debt_issue_costs", "debit", "20000.00"),
        ("bonds_payable", "credit", "1000000.00"),
        ("premium_on_bonds_payable", "credit", "50000.00"),
    ];
    let mut found = lines(&answer["journal_batches"][0]);
    found.sort_by_key(|(role, side, _)| (*side != "debit", *role != "cash", *role != "bonds_payable", *role));
    assert_eq!(found, expected);
    let entry = &answer["journal_batches"][0]["entries"][0];
    assert_figures(
        entry,
        json!({"kind": "issuance", "isin": "XS000PARWR19", "reference": "CB-1", "bond_issue": answer["id"]}),
    );
    assert_figures(
        &answer["position_after"],
        json!({"as_of": "2025-01-15", "boundary": "2025-01-15", "principal": "1000000.00", "premium_discount": "50000.00",
            "issue_costs": "-20000.00", "carrying_amount": "1030000.00"}),
    );
    let read = service.get(&format!("{ISSUES}/{}", text(&answer["id"]))).await;
    assert!(!read.header("etag").is_empty());
    let read = read.done();
    assert_fields(&read, &format!("id effective_rate {stated} {defaults}"));
    assert!(read.as_object().expect("an issue").iter().all(|(name, value)| answer[name] == *value), "{read}");
}

/// The first row is published; the rest is derived: C x 1.05 - 4,000 with the discount rounded half away from zero at each date, and the
/// last period takes 0.43.
async fn a_schedule_meets_its_source_to_the_cent(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(am_07()).await;
    let schedule = service.read(&on(&issue, "schedule")).await;
    assert_fields(&schedule, "bond_issue reference currency principal effective_rate rows");
    assert_figures(&schedule, json!({"bond_issue": issue, "currency": "USD", "principal": "100000.00"}));
    assert_eq!(schedule["effective_rate"]["stated_rate_difference"], json!("0.43"));
    let expected = [
        ("2025-07-01", "4613.90", "613.90", "-7108.10", "92891.90"),
        ("2026-01-01", "4644.59", "644.59", "-6463.51", "93536.49"),
        ("2026-07-01", "4676.83", "676.83", "-5786.68", "94213.32"),
        ("2027-01-01", "4710.67", "710.67", "-5076.01", "94923.99"),
        ("2027-07-01", "4746.20", "746.20", "-4329.81", "95670.19"),
        ("2028-01-01", "4783.50", "783.50", "-3546.31", "96453.69"),
        ("2028-07-01", "4822.69", "822.69", "-2723.62", "97276.38"),
        ("2029-01-01", "4863.82", "863.82", "-1859.80", "98140.20"),
        ("2029-07-01", "4907.01", "907.01", "-952.79", "99047.21"),
        ("2030-01-01", "4952.79", "952.79", "0.00", "100000.00"),
    ];
    let rows = array(&schedule["rows"]);
    assert_eq!(rows.len(), expected.len());
    for ((row, (end, expense, amortization, discount, carrying)), period) in rows.iter().zip(expected).zip(1..) {
        let names =
            "period start end coupon interest_expense amortization premium_discount issue_costs carrying_amount";
        assert_fields(row, names);
        assert_figures(
            row,
            json!({"period": period, "end": end, "coupon": "4000.00", "interest_expense": expense,
                "amortization": amortization, "premium_discount": discount, "issue_costs": "0.00",
                "carrying_amount": carrying}),
        );
    }
    assert_eq!(rows[0]["start"], json!("2025-01-01"));
    assert_eq!(rows[1]["start"], rows[0]["end"]);
}

async fn the_schedule_of_what_is_outstanding_follows_conversions(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "400000.00"});
    service.record(&issue, "conversions", body).await;
    for (query, principal, coupon) in [
        ("", "1000000.00", "30000.00"),
        ("?principal=original", "1000000.00", "30000.00"),
        ("?principal=outstanding", "600000.00", "18000.00"),
    ] {
        let schedule = service.read(&format!("{}{query}", on(&issue, "schedule"))).await;
        assert_eq!((&schedule["principal"], &schedule["rows"][0]["coupon"]), (&json!(principal), &json!(coupon)));
    }
    service.get(&format!("{}?principal=half", on(&issue, "schedule"))).await.problem(400, "malformed_query");
}

async fn issues_are_found_by_entity_reference_and_isin(service: Service) {
    service.mapped_entity("ACME").await;
    service.entity("OTHER").await;
    let first = service.issue(json!({"isin": "XS000PARWR19"})).await;
    let second = service.issue(json!({"reference": "CB-2"})).await;
    let third = service.issue(json!({"entity": "OTHER"})).await;
    for (query, expected) in [
        ("", vec![&first, &second, &third]),
        ("?entity=ACME", vec![&first, &second]),
        ("?reference=CB-1", vec![&first, &third]),
        ("?entity=ACME&reference=CB-2", vec![&second]),
        ("?isin=XS000PARWR19", vec![&first]),
        ("?entity=NOBODY", vec![]),
        ("?reference=CB-9", vec![]),
    ] {
        let page = service.read(&format!("{ISSUES}{query}")).await;
        let found: Vec<_> = items(&page).iter().map(|issue| text(&issue["id"]).to_owned()).collect();
        assert_eq!(found.iter().collect::<Vec<_>>(), expected, "{query}");
    }
}

async fn events_tell_what_their_answers_told(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "100000.00", "reference": "NOTICE-7"});
    let answer = service.record(&issue, "conversions", body.clone()).await;
    let events = items(&service.read(&on(&issue, "events")).await);
    let kinds: Vec<_> = events.iter().map(|event| event["kind"].clone()).collect();
    assert_eq!(kinds, ["issuance", "conversion"]);
    let event = &events[1];
    assert_fields(event, "id kind sequence effective_date bond_issue reference detail journal_batches");
    assert_figures(
        event,
        json!({"id": answer["event"]["id"], "sequence": answer["event"]["sequence"], "effective_date": "2025-01-15",
            "bond_issue": issue, "reference": "NOTICE-7", "journal_batches": [answer["journal_batches"][0]["id"]]}),
    );
    for part in ["position_before", "position_after", "conversion"] {
        assert_eq!(event["detail"][part], answer[part], "{part}");
    }
    assert_eq!(event["detail"]["request"]["principal"], body["principal"]);
}

/// The solved rate of AM-07 is 10.0000697...% a year; 9.9% is another rate, and leaves far more than 2% of the discount.
async fn a_rate_that_differs_from_the_stated_one_is_refused_with_both(service: Service) {
    service.mapped_entity("ACME").await;
    let mut wrong = am_07();
    wrong["stated_effective_rate"] = json!("0.099");
    let refused = service.post(ISSUES, &terms(wrong)).await;
    let detail = refused.refused_at("stated_rate_differs", "/stated_effective_rate");
    assert!(detail.contains("0.099") && detail.contains("0.1000"), "{detail}");
}

async fn an_id_that_is_malformed_or_not_there_is_not_found(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let foreign = issue.replace("ACME", "OTHER");
    let absent = "ACME.0199a3f2-7c00-7000-8000-000000000001".to_owned();
    for id in [foreign, absent, issue.to_lowercase(), "ACME".to_owned(), format!("{issue}0")] {
        for kind in ["", "/schedule", "/events", "/carrying-value?as_of=2025-01-31"] {
            service.get(&format!("{ISSUES}/{id}{kind}")).await.problem(404, "not_found");
        }
        let body = json!({"through": "2025-01-31"});
        service.post(&on(&id, "accruals"), &body).await.problem(404, "not_found");
    }
}
