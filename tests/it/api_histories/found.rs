//! What random histories found, in as few requests as show it.

use serde_json::{Value, json};

use crate::support::client::{Service, on_both_engines};

on_both_engines! {
    a_conversion_on_the_settlement_date_of_an_issue_with_interest_received_ties
    a_day_between_two_accruals_of_a_month_ties_after_a_conversion_before_them
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
