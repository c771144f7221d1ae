//! Events recorded for a date before what is accrued or paid already.

use serde_json::{Value, json};

use crate::support::client::{Service, array, assert_figures, on_both_engines, text};
use crate::support::ledger::lines_of;

on_both_engines! {
    a_conversion_before_a_paid_coupon_takes_back_the_interest_and_leaves_a_receivable
    a_conversion_before_an_accrual_takes_back_the_expense_since
    values_before_and_after_the_date_show_it_and_what_was_known_before_does_not
    what_was_paid_beyond_what_was_due_is_receivable_as_the_terms_say
    a_coupon_handed_over_covers_what_was_paid_beyond_what_was_due
    a_conversion_that_a_later_one_leaves_no_room_for_is_refused
}

type Lines<'a> = Vec<(&'a str, Vec<(&'a str, &'a str, &'a str)>)>;

fn taken_back(answer: &Value) -> Lines<'_> {
    let batches = array(&answer["journal_batches"]).iter();
    batches.map(|batch| (text(&batch["posting_date"]), lines_of(batch, "catch_up"))).collect()
}

const CONVERSION: [(&str, &str, &str); 4] = [
    ("bonds_payable", "debit", "100000.00"),
    ("interest_payable", "debit", "1500.00"),
    ("common_stock", "credit", "20.00"),
    ("additional_paid_in_capital", "credit", "101480.00"),
];

async fn paid_then_converted(service: &Service) -> (String, Value) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let before = service.carrying_value(&issue, "2025-04-30").await;
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    (issue, before)
}

/// On 2025-04-15 100,000 converts with 1,500 accrued and forfeited, but the holders were paid 3,000 on 2025-07-15: that is receivable. The
/// expense of 1,500 after the conversion is taken back month by month: 106, 136 and 166 of 180 days of 3,000 at the closes.
async fn a_conversion_before_a_paid_coupon_takes_back_the_interest_and_leaves_a_receivable(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;

    assert_eq!(answer["event"]["effective_date"], json!("2025-04-15"));
    assert_eq!(answer["journal_batches"][0]["posting_date"], json!("2025-04-15"));
    assert_eq!(lines_of(&answer["journal_batches"][0], "conversion"), CONVERSION);
    assert_figures(
        &answer["position_before"],
        json!({"boundary": "2025-04-15", "principal": "1000000.00", "interest_accrued": "15000.00"}),
    );
    assert_figures(&answer["position_after"], json!({"principal": "900000.00", "interest_accrued": "13500.00"}));
    let back = |amount| vec![("interest_payable", "debit", amount), ("interest_expense", "credit", amount)];
    let mut found = taken_back(&answer);
    let mut last = found.pop().expect("a last part");
    last.1.sort_unstable();
    let expected: Lines<'_> = vec![
        ("2025-04-15", vec![]),
        ("2025-04-30", back("266.67")),
        ("2025-05-31", back("500.00")),
        ("2025-06-30", back("500.00")),
    ];
    for ((date, mut lines), (expected_date, mut expected)) in found.into_iter().zip(expected) {
        lines.sort_unstable();
        expected.sort_unstable();
        assert_eq!((date, lines), (expected_date, expected));
    }
    let expected = vec![
        ("interest_expense", "credit", "233.33"),
        ("interest_payable", "credit", "2766.67"),
        ("interest_receivable", "debit", "3000.00"),
    ];
    assert_eq!(last, ("2025-07-15", expected));

    let value = service.carrying_value(&issue, "2025-07-15").await;
    assert_figures(
        &value,
        json!({"principal": "900000.00", "interest_payable": "0.00", "interest_receivable": "3000.00",
            "status": "tied", "accrued_through": "2025-07-15"}),
    );
    assert_figures(&value["booked"], json!({"interest_payable": "0.00", "interest_receivable": "3000.00"}));
}

/// Accrued through May (136 days), then converted as of 2025-04-15.
async fn a_conversion_before_an_accrual_takes_back_the_expense_since(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-05-31"})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_eq!(lines_of(&answer["journal_batches"][0], "conversion"), CONVERSION);
    let mut found = taken_back(&answer);
    found.iter_mut().for_each(|(_, lines)| lines.sort_unstable());
    let back = |amount| vec![("interest_expense", "credit", amount), ("interest_payable", "debit", amount)];
    let expected: Lines<'_> =
        vec![("2025-04-15", vec![]), ("2025-04-30", back("266.67")), ("2025-05-31", back("500.00"))];
    assert_eq!(found, expected);
    // 900,000 for 136 of 180 days.
    let value = service.carrying_value(&issue, "2025-05-31").await;
    assert_figures(&value["booked"], json!({"principal": "900000.00", "interest_payable": "20400.00"}));
    assert_figures(&value, json!({"interest_accrued": "20400.00", "status": "tied"}));
}

async fn values_before_and_after_the_date_show_it_and_what_was_known_before_does_not(service: Service) {
    let (issue, before) = paid_then_converted(&service).await;
    for (as_of, principal, accrued, receivable) in [
        ("2025-03-31", "1000000.00", "12666.67", "0.00"),
        ("2025-04-14", "1000000.00", "15000.00", "0.00"),
        ("2025-04-15", "900000.00", "13650.00", "0.00"),
        ("2025-04-30", "900000.00", "15900.00", "0.00"),
        ("2025-07-14", "900000.00", "27000.00", "0.00"),
        ("2025-07-15", "900000.00", "0.00", "3000.00"),
        ("2025-07-31", "900000.00", "2400.00", "3000.00"),
    ] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_figures(
            &value,
            json!({"as_of": as_of, "principal": principal, "interest_payable": accrued,
                "interest_receivable": receivable, "status": "tied"}),
        );
    }
    let known_at = text(&before["known_at"]);
    let then =
        service.read(&format!("/v1/bond-issues/{issue}/carrying-value?as_of=2025-04-30&known_at={known_at}")).await;
    assert_eq!(then, before);
    assert_figures(&then, json!({"principal": "1000000.00", "interest_payable": "17666.67"}));
}

/// The holders of 100,000 got 3,000 on 2025-07-15. Of the 1,500 accrued at their conversion they are owed nothing more, or have it already,
/// or are owed it with that coupon. The next coupon is 27,000 in each case.
async fn what_was_paid_beyond_what_was_due_is_receivable_as_the_terms_say(service: Service) {
    service.mapped_entity("ACME").await;
    for (treatment, receivable) in [("forfeited", "3000.00"), ("paid", "3000.00"), ("payable", "1500.00")] {
        let conversion =
            json!({"shares_per_denomination": "20", "share_par_value": "0.01", "accrued_interest": treatment});
        let issue = service.issue(json!({"reference": treatment, "conversion": conversion})).await;
        service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
        let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
        service.record(&issue, "conversions", body).await;
        let coupon = service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-01-15"})).await;
        assert_figures(&coupon["coupon_payment"], json!({"amount": "27000.00", "left_payable": "0.00"}));
        for as_of in ["2025-07-15", "2026-01-15"] {
            let value = service.carrying_value(&issue, as_of).await;
            let expected = json!({"interest_payable": "0.00", "interest_receivable": receivable, "status": "tied"});
            assert_figures(&value, expected.clone());
            let mut booked = expected;
            booked.as_object_mut().expect("an object").remove("status");
            assert_figures(&value["booked"], booked);
        }
    }
}

/// Converted on 2025-07-05, after the record date, with 170 of 180 days of 3,000 forfeited: the holder hands over the 3,000 that was paid.
async fn a_coupon_handed_over_covers_what_was_paid_beyond_what_was_due(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"record_days": 14})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let body = json!({"effective_date": "2025-07-05", "principal": "100000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_figures(
        &answer["conversion"],
        json!({"accrued_interest": "2833.33", "coupon_handed_over": "3000.00",
            "additional_paid_in_capital": "102813.33"}),
    );
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-07-15").await;
    let of = |role: &str| {
        let row = array(&balance["rows"]).iter().find(|row| row["account_role"] == json!(role));
        row.map_or("0.00", |row| text(&row["balance"]))
    };
    // Of 30,000 of expense 10 days of 3,000 are taken back; cash is the proceeds, less 30,000, with 3,000.
    assert_eq!((of("interest_expense"), of("interest_payable")), ("29833.33", "0.00"));
    assert_eq!((of("interest_receivable"), of("cash")), ("0.00", "973000.00"));
    let value = service.carrying_value(&issue, "2025-07-15").await;
    assert_figures(&value, json!({"interest_payable": "0.00", "interest_receivable": "0.00", "status": "tied"}));
}

async fn a_conversion_that_a_later_one_leaves_no_room_for_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-06-01", "principal": "900000.00"});
    service.record(&issue, "conversions", body).await;
    let path = crate::support::client::on(&issue, "conversions");
    let body = json!({"effective_date": "2025-04-15", "principal": "200000.00"});
    let detail = service.post(&path, &body).await.conflict("later_event_in_the_way");
    assert!(detail.contains("2025-06-01") && detail.contains("100000.00"), "{detail}");
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    let value = service.carrying_value(&issue, "2025-06-01").await;
    assert_figures(&value, json!({"principal": "0.00", "carrying_amount": "0.00", "status": "tied"}));
}
