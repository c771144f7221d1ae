//! Coupons.

use serde_json::json;

use super::conversions::last_batch;
use crate::support::client::{Service, array, assert_fields, assert_figures, on, on_both_engines};
use crate::support::ledger::lines_of;

on_both_engines! {
    a_coupon_is_paid_for_the_principal_before_it
    a_coupon_paid_late_stays_payable_until_then
    a_coupon_is_paid_once_whatever_its_key
    only_a_coupon_date_has_a_coupon
    the_coupon_of_a_completed_period_is_never_forfeited
    nothing_is_due_where_nothing_was_outstanding
}

async fn a_coupon_is_paid_for_the_principal_before_it(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    assert_fields(&answer, "event position_before position_after coupon_payment journal_batches");
    assert_eq!(
        answer["coupon_payment"],
        json!({"coupon_date": "2025-07-15", "paid_on": "2025-07-15", "principal": "1000000.00", "coupon": "30000.00",
            "left_payable": "0.00", "amount": "30000.00"})
    );
    let expected = [("interest_payable", "debit", "30000.00"), ("cash", "credit", "30000.00")];
    assert_eq!(lines_of(last_batch(&answer), "coupon_payment"), expected);
    assert_figures(
        &answer["position_before"],
        json!({"boundary": "2025-07-15", "interest_due": "30000.00", "interest_accrued": "0.00"}),
    );
    assert_figures(&answer["position_after"], json!({"interest_due": "0.00", "interest_payable": "0.00"}));
    // Months are cut at their closes, and the coupon's own accrual is posted with it.
    let dates: Vec<_> = array(&answer["journal_batches"]).iter().map(|batch| batch["posting_date"].clone()).collect();
    let expected = ["2025-01-31", "2025-02-28", "2025-03-31", "2025-04-30", "2025-05-31", "2025-06-30", "2025-07-15"];
    assert_eq!(dates, expected.map(|date| json!(date)));
}

/// Two days after the due date the next period has accrued 2 x 166.67, and the coupon is paid then.
async fn a_coupon_paid_late_stays_payable_until_then(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"coupon_date": "2025-07-15", "paid_on": "2025-07-17"});
    let answer = service.record(&issue, "coupon-payments", body).await;
    assert_eq!(answer["event"]["effective_date"], json!("2025-07-17"));
    assert_eq!(last_batch(&answer)["posting_date"], json!("2025-07-17"));
    assert_figures(
        &answer["position_before"],
        json!({"boundary": "2025-07-17", "interest_due": "30000.00", "interest_accrued": "333.33"}),
    );
    assert_figures(&answer["position_after"], json!({"interest_due": "0.00", "interest_accrued": "333.33"}));
    for (as_of, due, overdue) in [
        ("2025-07-14", "0.00", None),
        ("2025-07-15", "30000.00", None),
        ("2025-07-16", "30000.00", Some(true)),
        ("2025-07-17", "0.00", None),
    ] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_eq!(value["interest_due"], json!(due), "{as_of}");
        assert_eq!(value.get("overdue").and_then(serde_json::Value::as_bool), overdue, "{as_of}");
        assert_eq!(value["status"], json!("tied"), "{as_of}");
    }
    let early = json!({"coupon_date": "2026-01-15", "paid_on": "2026-01-14"});
    service.post(&on(&issue, "coupon-payments"), &early).await.refused_at("invalid_field", "/paid_on");
}

async fn a_coupon_is_paid_once_whatever_its_key(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"coupon_date": "2025-07-15"});
    service.record(&issue, "coupon-payments", body.clone()).await;
    let detail = service.post(&on(&issue, "coupon-payments"), &body).await.conflict("coupon_already_paid");
    assert!(detail.contains("2025-07-15"), "{detail}");
    let late = json!({"coupon_date": "2025-07-15", "paid_on": "2025-07-20"});
    service.post(&on(&issue, "coupon-payments"), &late).await.conflict("coupon_already_paid");
    // Coupons may be recorded out of order.
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-07-15"})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-01-15"})).await;
    assert_eq!(service.carrying_value(&issue, "2026-07-15").await["interest_payable"], json!("0.00"));
}

async fn only_a_coupon_date_has_a_coupon(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let path = on(&issue, "coupon-payments");
    let wrong = service.post(&path, &json!({"coupon_date": "2025-07-14"})).await;
    let detail = wrong.refused_at("not_a_coupon_date", "/coupon_date");
    assert!(detail.contains("2025-07-15"), "it names the nearest one: {detail}");
    service.post(&path, &json!({"coupon_date": "2025-01-14"})).await.refused_at("before_settlement", "/coupon_date");
    service.post(&path, &json!({"coupon_date": "2030-07-15"})).await.refused_at("after_maturity", "/coupon_date");
    let zero = json!({"reference": "ZERO", "coupon_rate": "0", "coupon_frequency": 0, "proceeds": "820348.30"});
    let zero = service.issue(zero).await;
    let body = json!({"coupon_date": "2025-07-15"});
    service.post(&on(&zero, "coupon-payments"), &body).await.refused_at("not_a_coupon_date", "/coupon_date");
}

/// Whoever converts on the coupon date has earned its coupon, at maturity too.
async fn the_coupon_of_a_completed_period_is_never_forfeited(service: Service) {
    service.mapped_entity("ACME").await;
    for (reference, date) in [("CB-2", "2025-07-15"), ("CB-3", "2030-01-15")] {
        let issue = service.issue(json!({"reference": reference, "record_days": 14})).await;
        let body = json!({"effective_date": date, "principal": "1000000.00"});
        let answer = service.record(&issue, "conversions", body).await;
        assert_figures(&answer["conversion"], json!({"accrued_interest": "0.00", "coupon_handed_over": "0.00"}));
        assert_figures(&answer["position_after"], json!({"principal": "0.00", "interest_accrued": "0.00"}));
        let coupon = service.record(&issue, "coupon-payments", json!({"coupon_date": date})).await;
        assert_figures(&coupon["coupon_payment"], json!({"principal": "1000000.00", "coupon": "30000.00"}));
    }
}

async fn nothing_is_due_where_nothing_was_outstanding(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "1000000.00"});
    service.record(&issue, "conversions", body).await;
    let body = json!({"coupon_date": "2025-07-15"});
    service.post(&on(&issue, "coupon-payments"), &body).await.conflict("nothing_due");
}
