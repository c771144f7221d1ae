//! What random histories found, in as few requests as show it.

use serde_json::{Value, json};

use crate::support::client::{Service, array, on_both_engines, text};

on_both_engines! {
    a_conversion_on_the_settlement_date_of_an_issue_with_interest_received_ties
    a_day_between_two_accruals_of_a_month_ties_after_a_conversion_before_them
    each_issue_of_an_entity_is_valued_by_its_own_revisions
    coupons_after_a_revision_are_its_own_where_an_event_was_reversed
    each_close_is_caught_up_by_the_terms_after_a_revision
}

async fn convert(service: &Service, issue: &str, date: &str) {
    let body = json!({"effective_date": date, "principal": "100000.00"});
    service.record(issue, "conversions", body).await;
}

#[track_caller]
fn check_tied(value: &Value) {
    assert_eq!(value["status"], "tied", "{value}");
}

/// The conversion accrues the issue to its date, and so posts that nothing had accrued of the interest that was received.
async fn a_conversion_on_the_settlement_date_of_an_issue_with_interest_received_ties(service: Service) {
    service.entity("ACME").await;
    let issue = service.issue(json!({"accrued_interest_received": "500.00"})).await;
    check_tied(&service.carrying_value(&issue, "2025-06-30").await);
    convert(&service, &issue, "2025-01-15").await;
    for as_of in ["2025-01-14", "2025-01-15", "2025-01-16", "2025-06-30", "2031-01-01"] {
        check_tied(&service.carrying_value(&issue, as_of).await);
    }
}

/// Interest is accrued to the 8th and to the 27th of March. The bonds that converted in February bore none of it, which is taken
/// back: for March on the 27th, though a part of it was booked on the 8th.
async fn a_day_between_two_accruals_of_a_month_ties_after_a_conversion_before_them(service: Service) {
    service.entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for date in ["2025-03-08", "2025-03-27", "2025-02-10"] {
        convert(&service, &issue, date).await;
    }
    for as_of in ["2025-02-09", "2025-02-28", "2025-03-07", "2025-03-08", "2025-03-19", "2025-03-26", "2025-03-27"] {
        check_tied(&service.carrying_value(&issue, as_of).await);
    }
}

/// Two issues at par, one of which gets another rate and the other a later maturity: in the list of all of them neither has the terms of
/// the other, whose date is a coupon date of its own.
async fn each_issue_of_an_entity_is_valued_by_its_own_revisions(service: Service) {
    service.entity("ACME").await;
    let terms = json!({"conversion": null, "proceeds": "1000000.00", "issue_costs": "0.00"});
    let mut issues = Vec::new();
    for (reference, dated, revised_on) in
        [("A", "2025-01-15", "2026-01-15"), ("B", "2025-03-20", "2026-03-20"), ("C", "2025-05-10", "2026-05-10")]
    {
        let mut own = terms.clone();
        own["reference"] = json!(reference);
        own["dated_date"] = json!(dated);
        own["settlement_date"] = json!(dated);
        own["maturity_date"] = json!(format!("2030{}", &dated[4..]));
        let issue = service.issue(own).await;
        let body = json!({"effective_date": revised_on, "coupon_rate": "0.0405", "fees": "1000.00"});
        service.record(&issue, "modifications", body).await;
        issues.push(issue);
    }
    let as_of = "2027-01-31";
    let all = service.read(&format!("/v1/entities/ACME/carrying-values?as_of={as_of}")).await;
    for issue in issues {
        let value = service.carrying_value(&issue, as_of).await;
        let listed = array(&all["items"]).iter().find(|item| item["bond_issue"] == json!(issue)).expect("listed");
        assert_eq!(listed["carrying_amount"], value["carrying_amount"], "{listed}");
    }
}

/// 6% of 1,000,000, from 15 January 2026 on 6.3%: four coupons of 30,000, 30,000, 31,500 and 31,500 are due two years after the issue,
/// though bonds were bought back then, and that was reversed, before the terms changed.
async fn coupons_after_a_revision_are_its_own_where_an_event_was_reversed(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"conversion": null})).await;
    let body = json!({"effective_date": "2027-01-15", "principal": "100000.00", "price_percent": "100"});
    let bought = service.record(&issue, "repurchases", body).await;
    reverse(&service, &bought).await;
    let body = json!({"effective_date": "2026-01-15", "coupon_rate": "0.063"});
    service.record(&issue, "modifications", body).await;
    let value = service.carrying_value(&issue, "2027-01-15").await;
    assert_eq!(value["interest_due"], "123000.00", "{value}");
    check_tied(&value);
}

/// An issue accrued through 2026 gets an earlier maturity, which is taken back: what is booked by each month's end is what is computed.
async fn each_close_is_caught_up_by_the_terms_after_a_revision(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"conversion": null})).await;
    service.record(&issue, "accruals", json!({"through": "2026-12-31"})).await;
    let shorter = json!({"effective_date": "2026-01-15", "maturity_date": "2026-07-15"});
    let shorter = service.record(&issue, "modifications", shorter).await;
    for is_reversed in [false, true] {
        if is_reversed {
            reverse(&service, &shorter).await;
        }
        for as_of in ["2026-01-31", "2026-03-31", "2026-06-30", "2026-07-31", "2026-09-30", "2026-11-30"] {
            let value = service.carrying_value(&issue, as_of).await;
            for figure in ["interest_payable", "carrying_amount"] {
                assert_eq!(value["booked"][figure], value[figure], "{as_of}: {value}");
            }
            check_tied(&value);
        }
    }
}

async fn reverse(service: &Service, answer: &Value) {
    let batch = array(&answer["journal_batches"]).last().expect("a batch");
    let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    service.post(&path, &json!({"reason": "It did not happen"})).await.created();
}
