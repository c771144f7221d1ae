//! Conversion by the book value method, whole cases worked by hand.

use serde_json::{Value, json};

use crate::support::client::{Service, array, assert_fields, on_both_engines};
use crate::support::ledger::{figure, lines, lines_of, movements};

on_both_engines! {
    a_premium_goes_to_capital_without_gain_or_loss
    a_discount_reduces_capital
    interest_is_forfeited_paid_or_left_payable_as_the_terms_say
    a_coupon_handed_over_after_the_record_date_cancels_the_coupon_paid
    a_zero_coupon_issue_converts_at_its_accreted_value
    no_par_stock_takes_the_whole_amount
    converting_in_parts_leaves_exactly_nothing
}

/// Terms of the published cases: annual coupons of 8%, five years from 2025-01-01.
pub fn textbook(changes: Value) -> Value {
    let mut terms = json!({"coupon_rate": "0.08", "coupon_frequency": 1, "dated_date": "2025-01-01",
        "settlement_date": "2025-01-01", "maturity_date": "2030-01-01"});
    crate::support::client::change(&mut terms, changes);
    terms
}

/// The last batch of an answer, which holds the event's own entries.
#[track_caller]
pub fn last_batch(answer: &Value) -> &Value {
    array(&answer["journal_batches"]).last().expect("a batch")
}

/// US-04 of the published checks (Univ. of South Carolina ACCT 405): 1,000 with a premium of 100 for ten shares of par 100. The lines and
/// that there is no gain are published; coupon and life are assumed.
async fn a_premium_goes_to_capital_without_gain_or_loss(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(textbook(json!({"principal": "1000.00", "proceeds": "1100.00", "premium_treatment": "liability",
            "conversion": {"shares_per_denomination": "10", "share_par_value": "100"}})))
        .await;
    let body = json!({"effective_date": "2025-01-01", "principal": "1000.00"});
    let answer = service.record(&issue, "conversions", body).await;

    assert_fields(&answer, "event position_before position_after conversion journal_batches");
    assert_eq!(array(&answer["journal_batches"]).len(), 1);
    let expected = [
        ("bonds_payable", "debit", "1000.00"),
        ("premium_on_bonds_payable", "debit", "100.00"),
        ("common_stock", "credit", "1000.00"),
        ("additional_paid_in_capital", "credit", "100.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_eq!(
        answer["conversion"],
        json!({"principal": "1000.00", "shares_issued": "10", "cash_in_lieu": "0.00", "cash": "0.00",
            "carrying_amount": "1100.00", "premium_discount": "100.00", "issue_costs": "0.00", "accrued_interest": "0.00",
            "coupon_handed_over": "0.00", "common_stock": "1000.00", "treasury_stock": "0.00",
            "additional_paid_in_capital": "100.00", "gain_loss": "0.00"})
    );
    assert_eq!(answer["event"]["kind"], json!("conversion"));
    assert_eq!(answer["event"]["bond_issue"], json!(issue));
    assert_eq!(answer["position_before"]["carrying_amount"], json!("1100.00"));
    assert_eq!(answer["position_after"]["carrying_amount"], json!("0.00"));
}

/// US-06 (Wahlen, Jones, Pagach E14-21), the book value method. The lines are published; coupon and life are assumed.
async fn a_discount_reduces_capital(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(textbook(json!({"principal": "500000.00", "proceeds": "492600.00",
            "conversion": {"shares_per_denomination": "20", "share_par_value": "5"}})))
        .await;
    let body = json!({"effective_date": "2025-01-01", "principal": "500000.00", "share_price": "52"});
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [
        ("bonds_payable", "debit", "500000.00"),
        ("discount_on_bonds_payable", "credit", "7400.00"),
        ("common_stock", "credit", "50000.00"),
        ("additional_paid_in_capital", "credit", "442600.00"),
    ];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_eq!(answer["conversion"]["shares_issued"], json!("10000"));
    assert_eq!(answer["conversion"]["premium_discount"], json!("-7400.00"));
    assert_eq!(
        last_batch(&answer)["statement_effects"],
        json!({"assets": "0.00", "liabilities": "-492600.00", "equity": "492600.00", "net_income": "0.00"})
    );
}

/// 100,000 of 1,000,000 at par after 90 of 180 days: 1,500 has accrued on it. 100 bonds x 20 shares x 0.01 is 20.
async fn interest_is_forfeited_paid_or_left_payable_as_the_terms_say(service: Service) {
    service.mapped_entity("ACME").await;
    let bonds = ("bonds_payable", "debit", "100000.00");
    let stock = ("common_stock", "credit", "20.00");
    let interest = ("interest_payable", "debit", "1500.00");
    for (treatment, expected, after) in [
        (
            "forfeited",
            vec![bonds, interest, stock, ("additional_paid_in_capital", "credit", "101480.00")],
            ("0.00", "13500.00"),
        ),
        (
            "paid",
            vec![
                bonds,
                interest,
                ("cash", "credit", "1500.00"),
                stock,
                ("additional_paid_in_capital", "credit", "99980.00"),
            ],
            ("0.00", "13500.00"),
        ),
        ("payable", vec![bonds, stock, ("additional_paid_in_capital", "credit", "99980.00")], ("1500.00", "13500.00")),
    ] {
        let conversion =
            json!({"shares_per_denomination": "20", "share_par_value": "0.01", "accrued_interest": treatment});
        let issue = service.issue(json!({"reference": treatment, "conversion": conversion})).await;
        let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
        let answer = service.record(&issue, "conversions", body).await;
        assert_eq!(lines_of(last_batch(&answer), "conversion"), expected, "{treatment}");
        assert_eq!(answer["conversion"]["accrued_interest"], json!("1500.00"));
        let position = &answer["position_after"];
        assert_eq!((&position["interest_due"], &position["interest_accrued"]), (&json!(after.0), &json!(after.1)));
        // The whole issue was accrued to the date, 15,000, in parts cut at the closes of three months.
        let accrued: rust_decimal::Decimal = array(&answer["journal_batches"])
            .iter()
            .flat_map(|batch| array(&batch["entries"]))
            .filter(|entry| entry["kind"] == json!("accrual"))
            .map(|entry| movements(std::iter::once(entry))["interest_payable"])
            .sum();
        assert_eq!(accrued.to_string(), "15000.00");

        let coupon = service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
        let left = after.0;
        assert_eq!(coupon["coupon_payment"]["principal"], json!("900000.00"));
        assert_eq!(coupon["coupon_payment"]["left_payable"], json!(left));
        let paid = figure(&coupon["coupon_payment"]["amount"]);
        assert_eq!(paid, figure(&json!(left)) + figure(&json!("27000.00")), "{treatment}");
    }
}

/// CR-08 (record-date clauses of public indentures): the rule was read, the figures are derived. Between the record date 2025-06-01 and
/// 2025-06-15 the holder hands over 20,000; 170 of 180 days' interest, 18,888.89, is forfeited to capital.
async fn a_coupon_handed_over_after_the_record_date_cancels_the_coupon_paid(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(json!({"coupon_rate": "0.04", "dated_date": "2024-06-15", "settlement_date": "2024-06-15",
            "maturity_date": "2029-06-15", "record_days": 14,
            "conversion": {"shares_per_denomination": "10", "share_par_value": "1"}}))
        .await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2024-12-15"})).await;
    let body = json!({"effective_date": "2025-06-05", "principal": "1000000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [
        ("bonds_payable", "debit", "1000000.00"),
        ("interest_payable", "debit", "18888.89"),
        ("cash", "debit", "20000.00"),
        ("interest_payable", "credit", "20000.00"),
        ("common_stock", "credit", "10000.00"),
        ("additional_paid_in_capital", "credit", "1008888.89"),
    ];
    assert_eq!(lines_of(last_batch(&answer), "conversion"), expected);
    assert_eq!(answer["conversion"]["coupon_handed_over"], json!("20000.00"));
    assert_eq!(answer["conversion"]["accrued_interest"], json!("18888.89"));
    assert_eq!(answer["position_after"]["interest_due"], json!("20000.00"));

    let coupon = service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-06-15"})).await;
    assert_eq!(
        coupon["coupon_payment"],
        json!({"coupon_date": "2025-06-15", "paid_on": "2025-06-15", "principal": "0.00", "coupon": "0.00",
            "left_payable": "20000.00", "amount": "20000.00"})
    );
    assert_eq!(lines(last_batch(&coupon)), [("interest_payable", "debit", "20000.00"), ("cash", "credit", "20000.00")]);

    // On the record date itself nothing is handed over.
    let terms = json!({"reference": "CB-2", "coupon_rate": "0.04", "dated_date": "2024-06-15", "settlement_date": "2024-06-15",
        "maturity_date": "2029-06-15", "record_days": 14});
    let other = service.issue(terms).await;
    let body = json!({"effective_date": "2024-12-01", "principal": "1000.00"});
    let answer = service.record(&other, "conversions", body).await;
    assert_eq!(answer["conversion"]["coupon_handed_over"], json!("0.00"));
}

/// 1,000,000 / 1.02^10 is 820,348.30; after one half-year of 2% it is 836,755.27.
async fn a_zero_coupon_issue_converts_at_its_accreted_value(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"coupon_rate": "0", "coupon_frequency": 0, "proceeds": "820348.30"})).await;
    let body = json!({"effective_date": "2025-07-15", "principal": "1000000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [
        ("bonds_payable", "debit", "1000000.00"),
        ("discount_on_bonds_payable", "credit", "163244.73"),
        ("common_stock", "credit", "200.00"),
        ("additional_paid_in_capital", "credit", "836555.27"),
    ];
    assert_eq!(lines_of(last_batch(&answer), "conversion"), expected);
    assert_eq!(answer["conversion"]["carrying_amount"], json!("836755.27"));
}

async fn no_par_stock_takes_the_whole_amount(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20", "no_par": true});
    let issue = service.issue(json!({"conversion": conversion})).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "5000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    let expected = [("bonds_payable", "debit", "5000.00"), ("common_stock", "credit", "5000.00")];
    assert_eq!(lines(last_batch(&answer)), expected);
    assert_eq!(answer["conversion"]["additional_paid_in_capital"], json!("0.00"));
}

/// A discount and costs that no third divides: three conversions on one date and one on the next leave nothing behind.
async fn converting_in_parts_leaves_exactly_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"principal": "10000.00", "proceeds": "9777.77", "issue_costs": "123.45"})).await;
    let mut after = Value::Null;
    for (date, principal) in
        [("2025-03-02", "3000.00"), ("2025-03-02", "3000.00"), ("2025-03-02", "3000.00"), ("2025-03-03", "1000.00")]
    {
        let body = json!({"effective_date": date, "principal": principal});
        after = service.record(&issue, "conversions", body).await["position_after"].clone();
    }
    for component in ["principal", "premium_discount", "issue_costs", "carrying_amount", "interest_payable"] {
        assert_eq!(after[component], json!("0.00"), "{component}");
    }
    let value = service.carrying_value(&issue, "2027-01-15").await;
    assert_eq!((&value["status"], &value["booked"]["carrying_amount"]), (&json!("tied"), &json!("0.00")));
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-12-31").await;
    for row in array(&balance["rows"]).iter().filter(|row| row["account_role"] != json!("cash")) {
        let role = row["account_role"].as_str().unwrap_or_default();
        let of_debt = ["bonds_payable", "discount_on_bonds_payable", "debt_issue_costs", "interest_payable"];
        assert!(!of_debt.contains(&role) || row["balance"] == json!("0.00"), "{row}");
    }
}
