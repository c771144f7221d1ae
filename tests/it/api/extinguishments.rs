//! Repurchases and redemptions, whole cases worked by hand (ASC 470-50-40-2, 405-20-40-1).

use serde_json::{Value, json};

use super::conversions::{last_batch, textbook};
use crate::support::client::{Service, array, assert_fields, assert_figures, change, on, on_both_engines};
use crate::support::ledger::lines_of;

on_both_engines! {
    a_repurchase_leaves_with_its_share_and_a_loss
    interest_paid_beyond_what_has_accrued_is_part_of_the_loss
    below_the_carrying_amount_there_is_a_gain
    calls_and_puts_are_at_the_redemption_price_unless_stated
    at_maturity_everything_comes_to_zero
    bonds_that_matured_stand_until_they_are_paid
    each_occasion_is_a_line_of_the_rollforward
    a_backdated_repurchase_takes_back_what_was_booked_since
    what_cannot_be_is_refused_and_changes_nothing
    a_preview_is_what_is_posted_and_a_reference_is_given_once
}

/// Annual coupons of 8%, straight line over five years: a discount of 40,000 and costs of 20,000 leave by 12,000 a year.
fn straight(changes: Value) -> Value {
    let mut terms = textbook(json!({"principal": "1000000.00", "proceeds": "960000.00", "issue_costs": "20000.00",
        "amortization_method": "straight_line"}));
    change(&mut terms, changes);
    terms
}

/// After two and a half years half of everything is left, and half of that leaves: 500,000 less a discount of 10,000 and costs of
/// 5,000 is carried, 510,000 and costs of 1,500 are given. Half a year's coupon of 8% is paid apart.
async fn a_repurchase_leaves_with_its_share_and_a_loss(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let body =
        json!({"effective_date": "2027-07-01", "principal": "500000.00", "price_percent": "102", "costs": "1500.00"});
    let answer = service.record(&issue, "repurchases", body).await;
    assert_fields(&answer, "event position_before position_after repurchase journal_batches");
    assert_eq!(answer["event"]["kind"], json!("repurchase"));
    assert_eq!(
        answer["repurchase"],
        json!({"principal": "500000.00", "consideration": "510000.00", "costs": "1500.00",
            "carrying_amount": "485000.00", "premium_discount": "-10000.00", "issue_costs": "-5000.00",
            "accrued_interest": "20000.00", "accrued_interest_paid": "20000.00", "gain_loss": "-26500.00"})
    );
    let expected = [
        ("bonds_payable", "debit", "500000.00"),
        ("interest_payable", "debit", "20000.00"),
        ("loss_on_extinguishment", "debit", "26500.00"),
        ("discount_on_bonds_payable", "credit", "10000.00"),
        ("debt_issue_costs", "credit", "5000.00"),
        ("cash", "credit", "20000.00"),
        ("cash", "credit", "510000.00"),
        ("cash", "credit", "1500.00"),
    ];
    assert_eq!(lines_of(last_batch(&answer), "repurchase"), expected);
    assert_figures(
        &answer["position_after"],
        json!({"principal": "500000.00", "premium_discount": "-10000.00", "issue_costs": "-5000.00",
            "carrying_amount": "485000.00", "interest_due": "160000.00", "interest_accrued": "20000.00"}),
    );
    assert_eq!(service.carrying_value(&issue, "2027-07-01").await["status"], json!("tied"));
}

/// 21,000 are paid for 20,000 accrued.
async fn interest_paid_beyond_what_has_accrued_is_part_of_the_loss(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let body = json!({"effective_date": "2027-07-01", "principal": "500000.00", "consideration": "485000.00",
        "accrued_interest": "21000.00"});
    let answer = service.record(&issue, "repurchases", body).await;
    let wanted = json!({"accrued_interest": "20000.00", "accrued_interest_paid": "21000.00", "gain_loss": "-1000.00"});
    assert_figures(&answer["repurchase"], wanted);
    assert_eq!(service.carrying_value(&issue, "2027-07-01").await["status"], json!("tied"));
}

async fn below_the_carrying_amount_there_is_a_gain(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let body = json!({"effective_date": "2027-07-01", "principal": "500000.00", "price_percent": "90"});
    let answer = service.record(&issue, "repurchases", body).await;
    assert_figures(&answer["repurchase"], json!({"consideration": "450000.00", "gain_loss": "35000.00"}));
    let lines = lines_of(last_batch(&answer), "repurchase");
    assert!(lines.contains(&("gain_on_extinguishment", "credit", "35000.00")), "{lines:?}");
}

/// The redemption price is 105: 100,000 are carried at 98,250 with costs (they grow to 105,000), or called at 103 as stated.
async fn calls_and_puts_are_at_the_redemption_price_unless_stated(service: Service) {
    service.mapped_entity("ACME").await;
    let terms = straight(json!({"redemption_price": "105"}));
    let issue = service.issue(terms).await;
    for (kind, price, consideration) in [
        ("put", None, "105000.00"),
        ("call", Some("103"), "103000.00"),
        ("fundamental_change", Some("100"), "100000.00"),
    ] {
        let mut body = json!({"effective_date": "2027-07-01", "principal": "100000.00", "kind": kind});
        if let Some(price) = price {
            body["price_percent"] = json!(price);
        }
        let answer = service.record(&issue, "redemptions", body).await;
        assert_eq!(answer["event"]["kind"], json!("redemption"));
        // 96,000 less costs of 2,000 grow to 105,000 in five years: half way they are at 99,500.
        let gain: i64 = 99_500 - consideration[..consideration.len() - 3].parse::<i64>().expect("a number");
        assert_figures(
            &answer["redemption"],
            json!({"consideration": consideration, "carrying_amount": "99500.00", "gain_loss": format!("{gain}.00")}),
        );
    }
    assert_eq!(service.carrying_value(&issue, "2027-07-01").await["status"], json!("tied"));
}

async fn at_maturity_everything_comes_to_zero(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"amortization_method": null, "redemption_price": "105"}))).await;
    let some = json!({"effective_date": "2028-03-15", "principal": "333000.00", "price_percent": "101.25"});
    service.record(&issue, "repurchases", some).await;
    for year in 2026..=2030 {
        service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    let body = json!({"effective_date": "2030-01-01", "principal": "667000.00", "kind": "maturity"});
    let answer = service.record(&issue, "redemptions", body).await;
    let expected = [
        ("bonds_payable", "debit", "667000.00"),
        ("premium_on_bonds_payable", "debit", "33350.00"),
        ("cash", "credit", "700350.00"),
    ];
    assert_eq!(lines_of(last_batch(&answer), "redemption"), expected);
    assert_figures(&answer["redemption"], json!({"gain_loss": "0.00", "accrued_interest": "0.00"}));
    let value = service.carrying_value(&issue, "2030-01-01").await;
    assert_eq!(value["status"], json!("tied"));
    let zero = json!({"principal": "0.00", "premium_discount": "0.00", "issue_costs": "0.00", "carrying_amount": "0.00",
        "interest_payable": "0.00"});
    assert_figures(&value, zero.clone());
    assert_figures(&value["booked"], zero);
}

/// 2028-01-01 is a Saturday; bonds and coupon are paid on Monday the third, and no interest runs until then.
async fn bonds_that_matured_stand_until_they_are_paid(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"maturity_date": "2028-01-01", "amortization_method": null}))).await;
    for year in 2026..=2027 {
        service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    let late = json!({"coupon_date": "2028-01-01", "paid_on": "2028-01-03"});
    let body =
        json!({"effective_date": "2028-01-01", "principal": "1000000.00", "kind": "maturity", "paid_on": "2028-01-03"});
    service.record(&issue, "coupon-payments", late).await;
    let answer = service.record(&issue, "redemptions", body).await;
    assert_eq!(last_batch(&answer)["posting_date"], json!("2028-01-03"));
    assert_eq!(answer["event"]["effective_date"], json!("2028-01-03"));
    let sunday = service.carrying_value(&issue, "2028-01-02").await;
    assert_figures(&sunday, json!({"carrying_amount": "1000000.00", "interest_due": "80000.00", "status": "tied"}));
    let monday = service.carrying_value(&issue, "2028-01-03").await;
    assert_figures(&monday, json!({"carrying_amount": "0.00", "interest_payable": "0.00", "status": "tied"}));
}

async fn each_occasion_is_a_line_of_the_rollforward(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let bought = json!({"effective_date": "2027-07-01", "principal": "100000.00", "price_percent": "90"});
    service.record(&issue, "repurchases", bought).await;
    for kind in ["call", "put", "fundamental_change"] {
        let body = json!({"effective_date": "2027-07-01", "principal": "100000.00", "kind": kind});
        service.record(&issue, "redemptions", body).await;
    }
    let report = service.read("/v1/entities/ACME/rollforward?from=2027-01-01&to=2027-12-31").await;
    let line = |movement: &str| {
        let found = array(&report["total"]).iter().find(|line| line["movement"] == json!(movement));
        found.unwrap_or_else(|| panic!("no line {movement}")).clone()
    };
    // 100,000 are carried at 97,000, with half a year's interest of 4,000.
    let cases = [
        ("repurchase", "-100000.00", "7000.00", "-94000.00"),
        ("call", "-100000.00", "-3000.00", "-104000.00"),
        ("put", "-200000.00", "-6000.00", "-208000.00"),
    ];
    for (movement, principal, gain_loss, cash) in cases {
        assert_figures(&line(movement), json!({"principal": principal, "gain_loss": gain_loss, "cash": cash}));
    }
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
}

/// Recorded a year late: what was booked since on 100,000 is taken back, and the coupon paid on it since is receivable.
async fn a_backdated_repurchase_takes_back_what_was_booked_since(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2026-01-01"})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2027-01-01"})).await;
    service.record(&issue, "accruals", json!({"through": "2027-06-30"})).await;
    let body = json!({"effective_date": "2026-07-01", "principal": "100000.00", "price_percent": "100"});
    let answer = service.record(&issue, "repurchases", body).await;
    // After a year and a half 2,800 of the discount and 1,400 of the costs are left.
    assert_figures(&answer["repurchase"], json!({"carrying_amount": "95800.00", "gain_loss": "-4200.00"}));
    let value = service.carrying_value(&issue, "2027-06-30").await;
    assert_figures(
        &value,
        json!({"principal": "900000.00", "carrying_amount": "873000.00", "interest_accrued": "36000.00",
            "interest_receivable": "8000.00", "status": "tied"}),
    );
}

async fn what_cannot_be_is_refused_and_changes_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let bought = json!({"effective_date": "2027-07-01", "principal": "100000.00", "price_percent": "90"});
    let called = json!({"effective_date": "2027-07-01", "principal": "100000.00", "kind": "call"});
    let mature = json!({"effective_date": "2030-01-01", "principal": "1000000.00", "kind": "maturity"});
    let cases = [
        ("repurchases", &bought, json!({"price_percent": null}), "invalid_field", "/consideration"),
        ("repurchases", &bought, json!({"consideration": "1.00"}), "invalid_field", "/price_percent"),
        ("repurchases", &bought, json!({"price_percent": "-1"}), "invalid_field", "/price_percent"),
        ("repurchases", &bought, json!({"costs": "-1.00"}), "invalid_field", "/costs"),
        ("repurchases", &bought, json!({"costs": "10000000000000.01"}), "invalid_field", "/costs"),
        ("repurchases", &bought, json!({"accrued_interest": "-0.01"}), "invalid_field", "/accrued_interest"),
        ("repurchases", &bought, json!({"principal": "0.00"}), "invalid_field", "/principal"),
        (
            "repurchases",
            &bought,
            json!({"principal": "1500.00"}),
            "principal_not_multiple_of_denomination",
            "/principal",
        ),
        ("repurchases", &bought, json!({"effective_date": "2024-12-31"}), "before_settlement", "/effective_date"),
        ("repurchases", &bought, json!({"effective_date": "2030-01-02"}), "after_maturity", "/effective_date"),
        ("redemptions", &called, json!({"paid_on": "2027-07-02"}), "invalid_field", "/paid_on"),
        ("redemptions", &mature, json!({"effective_date": "2029-12-31"}), "invalid_field", "/effective_date"),
        ("redemptions", &mature, json!({"paid_on": "2029-12-31"}), "invalid_field", "/paid_on"),
        ("redemptions", &mature, json!({"price_percent": "101"}), "invalid_field", "/price_percent"),
        ("redemptions", &mature, json!({"consideration": "1000000.00"}), "invalid_field", "/consideration"),
        ("redemptions", &mature, json!({"costs": "5.00"}), "invalid_field", "/costs"),
    ];
    let before = service.batches().await.len();
    for (kind, body, changes, code, pointer) in cases {
        let mut body = body.clone();
        change(&mut body, changes);
        let detail = service.post(&on(&issue, kind), &body).await.refused_at(code, pointer);
        assert!(detail.len() > 20, "{detail}");
    }
    let mut all = bought;
    change(&mut all, json!({"principal": "1001000.00"}));
    let detail = service.post(&on(&issue, "repurchases"), &all).await.conflict("exceeds_outstanding");
    assert!(detail.contains("1001000.00") && detail.contains("1000000.00"), "{detail}");
    assert_eq!(service.batches().await.len(), before);
}

async fn a_preview_is_what_is_posted_and_a_reference_is_given_once(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    let body =
        json!({"effective_date": "2027-07-01", "principal": "100000.00", "price_percent": "90", "reference": "BUY-1"});
    let preview = service.preview(&on(&issue, "repurchases"), &body).await.done();
    let answer = service.record(&issue, "repurchases", body.clone()).await;
    assert_eq!(preview["repurchase"], answer["repurchase"]);
    service.post(&on(&issue, "repurchases"), &body).await.conflict("reference_in_use");
    let redeemed =
        json!({"effective_date": "2027-07-01", "principal": "100000.00", "kind": "call", "reference": "BUY-1"});
    service.record(&issue, "redemptions", redeemed).await;
}
