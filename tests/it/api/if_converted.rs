//! Inputs of diluted earnings per share by the if-converted method.

use serde_json::{Value, json};

use super::inducements::all_met;
use crate::support::client::{Service, array, assert_fields, assert_figures, on_both_engines, text};
use crate::support::ledger::figure;

on_both_engines! {
    a_debenture_converted_in_mid_year_counts_until_then
    what_ias_33_adds_back_is_interest_after_tax
    what_is_added_back_is_the_expense_of_the_rollforward
    principal_paid_in_cash_leaves_the_shares_of_the_spread
    the_least_is_added_back_first_and_what_does_not_dilute_stays_out
    a_split_restates_the_days_before_it
    bonds_induced_to_convert_are_tested_apart
    all_interest_of_bonds_induced_is_theirs
    an_offer_not_settled_yet_is_induced_for_the_whole_period
    what_was_known_then_is_told_again
    a_question_that_cannot_be_answered_is_refused
}

const PATH: &str = "/v1/entities/ACME/if-converted";

async fn inputs(service: &Service, query: &str) -> Value {
    let report = service.read(&format!("{PATH}?{query}")).await;
    assert_fields(
        &report,
        "entity from to days currency other_currencies known_at restated_through tax_rate average_share_price items \
         earnings_per_share missing caution",
    );
    for item in array(&report["items"]) {
        assert_fields(
            item,
            "bond_issue reference bonds method interest_expense inducement_expense add_back_before_tax add_back_after_tax \
             spans incremental_shares per_incremental_share flags",
        );
    }
    report
}

async fn accrued(service: &Service, through: &str) {
    service.post("/v1/entities/ACME/accruals", &json!({"through": through})).await.created();
}

/// EPS-01 (ASC 260-10-55-38 to 55-50): 10,000,000 at 4%, 20 shares a 1,000, converted on 1 April; tax of 40%. Preferred stock and warrants
/// of the example are not kept here: the 600,000 shares of the first count in the shares given. The source weights the year by months (3/12
/// of 200,000 shares are 50,000), this service by days (90/365).
async fn a_debenture_converted_in_mid_year_counts_until_then(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(json!({"principal": "10000000.00", "proceeds": "10000000.00", "coupon_rate": "0.04",
            "dated_date": "2000-10-01", "settlement_date": "2000-10-01", "maturity_date": "2020-10-01"}))
        .await;
    accrued(&service, "2001-03-31").await;
    let quarter = "from=2001-01-01&to=2001-03-31&tax_rate=0.40&income=3000000.00&weighted_average_shares=3933333";
    let told = inputs(&service, quarter).await;
    let expected = json!({"bonds": "existing", "method": "if_converted", "interest_expense": "100000.00",
        "add_back_before_tax": "100000.00", "add_back_after_tax": "60000.00", "incremental_shares": "200000",
        "per_incremental_share": "0.3", "flags": []});
    assert_figures(&told["items"][0], expected);
    assert_figures(&told["earnings_per_share"], json!({"basic": "0.762712", "diluted": "0.740323"}));
    service.record(&issue, "conversions", json!({"effective_date": "2001-04-01", "principal": "10000000.00"})).await;
    let year = inputs(&service, "from=2001-01-01&to=2001-12-31&tax_rate=0.40").await;
    let expected = json!({"add_back_after_tax": "60000.00", "incremental_shares": "49315.0685", "flags": []});
    assert_figures(&year["items"][0], expected);
    assert_eq!(
        year["items"][0]["spans"],
        json!([{"from": "2001-01-01", "to": "2001-03-31", "days": 90, "principal": "10000000.00",
            "shares_per_denomination": "20", "shares": "200000"}])
    );
    let after = inputs(&service, "from=2001-04-01&to=2001-06-30&tax_rate=0.40").await;
    assert_eq!(after["items"], json!([]));
}

/// EPS-02 (IAS 33, illustrative example 6; recalled from memory): 100 bonds, interest of 10 with the amortization of the liability
/// component, tax of 4, three shares for ten bonds. Terms are assumed under which the first year's interest is 10.
async fn what_ias_33_adds_back_is_interest_after_tax(service: Service) {
    service.ifrs_entity("ACME").await;
    service
        .issue(json!({"principal": "100.00", "denomination": "1.00", "proceeds": "100.00", "coupon_rate": "0.073764",
            "coupon_frequency": 1, "straight_debt_rate": "0.12", "dated_date": "2025-01-01",
            "settlement_date": "2025-01-01", "maturity_date": "2030-01-01",
            "conversion": {"shares_per_denomination": "0.3", "share_par_value": "0.01"}}))
        .await;
    accrued(&service, "2025-12-31").await;
    let query = "from=2025-01-01&to=2025-12-31&tax_rate=0.4&income=1004.00&weighted_average_shares=1000";
    let told = inputs(&service, query).await;
    let item = &told["items"][0];
    let expected = json!({"interest_expense": "10.00", "add_back_after_tax": "6.00", "incremental_shares": "30"});
    assert_figures(item, expected);
    assert_figures(&told["earnings_per_share"], json!({"basic": "1.004", "diluted": "0.980583"}));
    let step = json!({"bond_issue": item["bond_issue"], "bonds": "existing", "per_incremental_share": "0.2",
        "dilutive": true, "income": "1010.00", "shares": "1030", "earnings_per_share": "0.980583"});
    assert_eq!(told["earnings_per_share"]["sequence"], json!([step]));
}

/// Settled on 15 January: 45 days of 20,000 shares, then 31 of 12,000, in a quarter of 90.
async fn what_is_added_back_is_the_expense_of_the_rollforward(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "issue_costs": "12000.00"})).await;
    service.issue(json!({"reference": "EUR", "currency": "EUR"})).await;
    service.issue(json!({"reference": "PLAIN", "conversion": null})).await;
    let period = "from=2025-01-01&to=2025-03-31";
    service.record(&issue, "conversions", json!({"effective_date": "2025-03-01", "principal": "400000.00"})).await;
    let early = inputs(&service, &format!("{period}&tax_rate=0")).await;
    assert_eq!(early["items"][0]["flags"], json!(["not_accrued_through_period"]));
    accrued(&service, "2025-03-31").await;
    let told = inputs(&service, &format!("{period}&tax_rate=0.25")).await;
    let item = &told["items"][0];
    assert_eq!((array(&told["items"]).len(), &told["other_currencies"]), (1, &json!(["EUR"])));
    assert_figures(item, json!({"incremental_shares": "14133.3333", "flags": []}));
    let report = service.read(&format!("/v1/entities/ACME/rollforward?{period}")).await;
    let of_issue = array(&report["issues"]).iter().find(|lines| lines["bond_issue"] == json!(issue)).expect("there");
    let expense: rust_decimal::Decimal = array(&of_issue["lines"]).iter().map(|line| figure(&line["expense"])).sum();
    assert_eq!(figure(&item["interest_expense"]), expense);
    let after_tax = figure(&item["add_back_before_tax"]) * "0.75".parse::<rust_decimal::Decimal>().expect("a decimal");
    assert!((figure(&item["add_back_after_tax"]) - after_tax).abs() <= "0.005".parse().expect("a decimal"));
    assert_eq!(told["earnings_per_share"], Value::Null);
}

fn in_cash(reference: &str) -> Value {
    json!({"reference": reference, "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01",
        "settlement": "combination", "sale_price_condition": {"percent": "130", "days": 20, "of_days": 30}}})
}

async fn principal_paid_in_cash_leaves_the_shares_of_the_spread(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(in_cash("CB-1")).await;
    accrued(&service, "2025-06-30").await;
    let query = "from=2025-04-01&to=2025-06-30&tax_rate=0.25&income=100000.00&weighted_average_shares=50000";
    let open = inputs(&service, query).await;
    assert_eq!((&open["missing"], &open["earnings_per_share"]), (&json!(["average_share_price"]), &Value::Null));
    assert_figures(&open["items"][0], json!({"incremental_shares": null, "per_incremental_share": null}));
    for (price, shares, diluted) in [("60", "3333.3333", "1.875"), ("50", "0", "2"), ("40", "0", "2")] {
        let told = inputs(&service, &format!("{query}&average_share_price={price}")).await;
        let expected = json!({"method": "conversion_spread", "interest_expense": "15000.00",
            "add_back_after_tax": "0.00", "incremental_shares": shares, "flags": ["contingent_conversion_counted"]});
        assert_figures(&told["items"][0], expected);
        assert_figures(&told["earnings_per_share"], json!({"basic": "2", "diluted": diluted}));
    }
    let cash = json!({"reference": "CB-2", "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01",
        "settlement": "cash"}});
    service.issue(cash).await;
    let told = inputs(&service, &format!("{query}&average_share_price=60")).await;
    let expected = json!({"method": "no_shares", "incremental_shares": "0", "add_back_before_tax": "0.00"});
    assert_figures(&told["items"][1], expected);
    assert_eq!(array(&told["earnings_per_share"]["sequence"]).len(), 1);
}

/// Interest of a quarter is 15,000 on each; 0.75 and 3.00 a share.
async fn the_least_is_added_back_first_and_what_does_not_dilute_stays_out(service: Service) {
    service.mapped_entity("ACME").await;
    let dear = json!({"reference": "A", "conversion": {"shares_per_denomination": "5", "share_par_value": "0.01"}});
    let (dear, cheap) = (service.issue(dear).await, service.issue(json!({"reference": "B"})).await);
    accrued(&service, "2025-06-30").await;
    let query = "from=2025-04-01&to=2025-06-30&tax_rate=0&weighted_average_shares=100000&income=";
    let told = inputs(&service, &format!("{query}200000.00")).await;
    let order = |told: &Value| array(&told["items"]).iter().map(|item| text(&item["bond_issue"]).to_owned()).collect();
    let ids: Vec<String> = order(&told);
    assert_eq!(ids, [cheap.clone(), dear.clone()]);
    let steps = array(&told["earnings_per_share"]["sequence"]);
    let expected = json!({"bond_issue": cheap, "dilutive": true, "income": "215000.00", "shares": "120000"});
    assert_figures(&steps[0], expected);
    assert_figures(&steps[1], json!({"bond_issue": dear, "dilutive": false, "earnings_per_share": "1.791667"}));
    assert_figures(&told["earnings_per_share"], json!({"basic": "2", "diluted": "1.791667"}));
    let both = inputs(&service, &format!("{query}900000.00")).await;
    assert_figures(&both["earnings_per_share"], json!({"basic": "9", "diluted": "7.44"}));
    let loss = inputs(&service, &format!("{query}-50000.00")).await;
    assert_figures(&loss["earnings_per_share"], json!({"basic": "-0.5", "diluted": "-0.5"}));
    assert_eq!(loss["earnings_per_share"]["sequence"][0]["dilutive"], json!(false));
}

async fn a_split_restates_the_days_before_it(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let query = "from=2025-04-01&to=2025-06-30&tax_rate=0";
    let dividend = json!({"effective_date": "2025-04-11", "reason": "other", "shares_per_denomination": "22"});
    service.record(&issue, "rate-adjustments", dividend).await;
    let told = inputs(&service, query).await;
    // 10 days of 20,000 and 81 of 22,000.
    assert_figures(&told["items"][0], json!({"incremental_shares": "21780.2198"}));
    let split =
        json!({"effective_date": "2025-07-15", "reason": "split", "shares_before": "100", "shares_after": "200"});
    service.record(&issue, "rate-adjustments", split).await;
    let told = inputs(&service, query).await;
    assert_figures(&told["items"][0], json!({"incremental_shares": "43560.4396"}));
    let rates: Vec<&str> =
        array(&told["items"][0]["spans"]).iter().map(|span| text(&span["shares_per_denomination"])).collect();
    assert_eq!(rates, ["40", "44"]);
}

/// All bonds are induced, so that the part of those that are not must come to nothing: interest on the induced ones is counted otherwise
/// than that which is posted, and is the same.
async fn all_interest_of_bonds_induced_is_theirs(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "issue_costs": "12000.00"})).await;
    let offer = json!({"acceptance_date": "2025-08-21", "effective_date": "2025-09-03", "principal": "1000000.00",
        "cash": "9000.00", "criteria": all_met()});
    service.record(&issue, "inducements", offer).await;
    for period in ["from=2025-01-01&to=2025-12-31", "from=2025-07-01&to=2025-09-30"] {
        let told = inputs(&service, &format!("{period}&tax_rate=0")).await;
        let [induced] = &array(&told["items"])[..] else { panic!("one part: {told}") };
        assert_figures(induced, json!({"bonds": "induced", "inducement_expense": "9000.00"}));
        let report = service.read(&format!("/v1/entities/ACME/rollforward?{}", period)).await;
        let expense: rust_decimal::Decimal = array(&report["total"]).iter().map(|line| figure(&line["expense"])).sum();
        assert_eq!(figure(&induced["add_back_before_tax"]), expense);
    }
}

/// The offer for 300,000 gives 2 shares more a bond of 1,000 at 40: 24,000 of expense. They converted after 30 of 91 days.
async fn bonds_induced_to_convert_are_tested_apart(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let offer = json!({"acceptance_date": "2025-04-21", "effective_date": "2025-05-01", "principal": "300000.00",
        "new_shares_per_denomination": "22", "acceptance_share_price": "40", "criteria": all_met()});
    let answer = service.record(&issue, "inducements", offer).await;
    assert_eq!(answer["inducement"]["expense"], json!("24000.00"));
    accrued(&service, "2025-06-30").await;
    let told = inputs(&service, "from=2025-04-01&to=2025-06-30&tax_rate=0").await;
    let [rest, induced] = &array(&told["items"])[..] else { panic!("two parts: {told}") };
    let expected = json!({"bonds": "existing", "interest_expense": "10500.00", "incremental_shares": "14000",
        "per_incremental_share": "0.75", "inducement_expense": "0.00"});
    assert_figures(rest, expected);
    let expected = json!({"bonds": "induced", "bond_issue": issue, "interest_expense": "1500.00",
        "inducement_expense": "24000.00", "add_back_before_tax": "25500.00", "incremental_shares": "1978.022"});
    assert_figures(induced, expected);
}

async fn an_offer_not_settled_yet_is_induced_for_the_whole_period(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let offer = json!({"acceptance_date": "2025-06-20", "principal": "300000.00", "cash": "5000.00",
        "criteria": all_met()});
    let accepted = service.record(&issue, "inducements", offer).await;
    accrued(&service, "2025-06-30").await;
    let query = "from=2025-04-01&to=2025-06-30&tax_rate=0";
    let expected = json!({"bonds": "induced", "interest_expense": "4500.00", "inducement_expense": "5000.00",
        "incremental_shares": "6000"});
    assert_figures(&inputs(&service, query).await["items"][1], expected.clone());
    // Settled in the next quarter, it is still not converted in this one, and has no expense in the next.
    let settled = json!({"acceptance": accepted["event"]["id"], "effective_date": "2025-07-31"});
    service.record(&issue, "inducements", settled).await;
    let next = inputs(&service, "from=2025-07-01&to=2025-09-30&tax_rate=0").await;
    let induced = array(&next["items"]).iter().find(|item| item["bonds"] == json!("induced")).expect("it is there");
    assert_figures(induced, json!({"inducement_expense": "0.00", "interest_expense": "1500.00"}));
    let last = inputs(&service, query).await;
    assert_figures(&last["items"][1], expected);
}

async fn what_was_known_then_is_told_again(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    accrued(&service, "2025-06-30").await;
    let query = "from=2025-04-01&to=2025-06-30&tax_rate=0.3";
    let before = inputs(&service, query).await;
    let adjusted = json!({"effective_date": "2025-04-11", "reason": "other", "shares_per_denomination": "22"});
    service.record(&issue, "rate-adjustments", adjusted).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-05-11", "principal": "100000.00"})).await;
    assert_ne!(inputs(&service, query).await["items"], before["items"]);
    let known_at = text(&before["known_at"]);
    assert_eq!(inputs(&service, &format!("{query}&known_at={known_at}")).await, before);
}

async fn a_question_that_cannot_be_answered_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    for (query, says) in [
        ("from=2026-01-01&to=2026-03-31", "\"tax_rate\" is required"),
        ("from=2026-02-01&to=2026-01-01&tax_rate=0", "before from"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=25", "no fraction from 0 to 1"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=-0.1", "no fraction from 0 to 1"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=0&average_share_price=0", "not above 0"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=0&income=5.00", "beside income"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=0&weighted_average_shares=5", "beside weighted_average_shares"),
        ("from=2026-01-01&to=2026-03-31&tax_rate=0&currency=XYZ1", "no currency"),
    ] {
        let problem = service.get(&format!("{PATH}?{query}")).await.problem(400, "malformed_query");
        assert!(text(&problem["detail"]).contains(says), "{problem}");
    }
    let fraction = "from=2026-01-01&to=2026-03-31&tax_rate=0&income=5.001&weighted_average_shares=5";
    service.get(&format!("{PATH}?{fraction}")).await.refused_at("too_many_decimals", "/income");
    let none = "/v1/entities/NONE/if-converted?from=2026-01-01&to=2026-03-31&tax_rate=0";
    service.get(none).await.problem(404, "not_found");
}
