//! Current or non-current: each rule, worked by hand (ASC 210-10-45-9, 470-10-45-10 to 45-14, 470-20-45-1B; IAS 1.69-76B).

use serde_json::{Value, json};

use super::conversions::last_batch;
use super::reclassifications::{check_rollforward, check_tied, classification, codes, reclassify, straight};
use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, change, on, on_both_engines, terms, text,
};
use crate::support::ledger::lines;

on_both_engines! {
    a_year_includes_its_last_day
    a_put_within_a_year_makes_the_debt_current
    where_the_principal_is_paid_in_cash_it_matters_whether_holders_may_convert
    the_sale_price_condition_is_counted_from_prices
    holders_who_may_convert_within_a_year_whatever_the_price_make_it_current
    under_ifrs_only_a_right_at_the_date_keeps_it_non_current
    the_terms_of_the_date_count_where_they_were_modified
    bonds_that_are_surrendered_stay_what_they_were
}

async fn a_year_includes_its_last_day(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    for (as_of, found, within, code) in [
        ("2024-12-31", "non_current", "2025-12-31", "nothing_outstanding"),
        ("2025-01-01", "non_current", "2026-01-01", "not_due_within_one_year"),
        ("2028-12-31", "non_current", "2029-12-31", "not_due_within_one_year"),
        ("2029-01-01", "current", "2030-01-01", "matures_within_one_year"),
        ("2029-12-31", "current", "2030-12-31", "matures_within_one_year"),
        ("2030-02-28", "current", "2031-02-28", "matures_within_one_year"),
    ] {
        let answer = classification(&service, &issue, as_of).await;
        assert_figures(&answer, json!({"classification": found, "current_within": within}));
        assert_eq!(answer["reasons"][0]["reason"], json!(code), "{answer}");
    }
    let answer = service.post(&on(&issue, "reclassifications"), &json!({"balance_sheet_date": "2028-12-31"})).await;
    let answer = answer.done();
    assert_fields(&answer, "reclassification journal_batches");
    assert_eq!(answer["journal_batches"], json!([]));
    assert_figures(&answer["reclassification"]["non_current"], json!({"carrying_amount": "1000000.00"}));
}

async fn a_put_within_a_year_makes_the_debt_current(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({"put_dates": ["2027-03-15", "2028-03-15"]}))).await;
    for (as_of, found, put) in [
        ("2026-01-31", "non_current", ""),
        ("2026-03-14", "non_current", ""),
        ("2026-03-15", "current", "2027-03-15"),
        ("2026-12-31", "current", "2027-03-15"),
        ("2027-03-15", "current", "2028-03-15"),
        ("2028-03-15", "non_current", ""),
    ] {
        let answer = classification(&service, &issue, as_of).await;
        assert_figures(&answer, json!({"classification": found}));
        let reason = &answer["reasons"][0];
        assert_eq!(reason["reason"] == json!("put_within_one_year"), found == "current", "{answer}");
        assert!(text(&reason["detail"]).contains(put) && answer["as_of"] == json!(as_of), "{answer}");
    }
    let answer = reclassify(&service, &issue, json!({"balance_sheet_date": "2026-12-31"})).await;
    assert_eq!(codes(&answer["reclassification"]), [("put_within_one_year", "ASC 470-10-45-10")]);

    let terms_with = |changes| straight(changes);
    let amortised = terms_with(json!({"reference": "CB-2", "amortization_end": "2028-01-01", "proceeds": "960000.00"}));
    let issue = service.issue(amortised).await;
    assert_figures(&classification(&service, &issue, "2026-12-31").await, json!({"classification": "non_current"}));
    assert_figures(&classification(&service, &issue, "2027-01-31").await, json!({"classification": "current"}));
    for (wrong, pointer) in [
        (json!({"put_dates": ["2028-03-15", "2027-03-15"]}), "/put_dates"),
        (json!({"put_dates": ["2027-03-15", "2027-03-15"]}), "/put_dates"),
        (json!({"put_dates": ["2025-01-01"]}), "/put_dates"),
        (json!({"put_dates": ["2030-01-01"]}), "/put_dates"),
        (json!({"put_dates": ["2027-01-01"], "amortization_end": "2028-01-01"}), "/amortization_end"),
    ] {
        let mut body = terms(terms_with(json!({"reference": "CB-3"})));
        change(&mut body, wrong);
        service.post(ISSUES, &body).await.refused_at("invalid_field", pointer);
    }
}

fn convertible(conversion: Value) -> Value {
    let mut feature = json!({"shares_per_denomination": "20", "share_par_value": "0.01"});
    change(&mut feature, conversion);
    json!({"conversion": feature})
}

async fn where_the_principal_is_paid_in_cash_it_matters_whether_holders_may_convert(service: Service) {
    service.mapped_entity("ACME").await;
    for (reference, conversion) in [
        ("CASH", json!({"settlement": "cash"})),
        ("NET", json!({"settlement": "combination"})),
        ("NET-2", json!({"settlement": "combination", "principal_on_conversion": "cash"})),
    ] {
        let mut changes = convertible(conversion);
        change(&mut changes, json!({"reference": reference}));
        let issue = service.issue(changes).await;
        let answer = classification(&service, &issue, "2025-12-31").await;
        assert_figures(&answer, json!({"classification": "not_determined", "current": null, "non_current": null}));
        assert_eq!(codes(&answer), [("sale_price_condition_needed", "ASC 470-10-45-10")]);
        // What matures within a year is current whatever the price is.
        assert_figures(&classification(&service, &issue, "2029-06-30").await, json!({"classification": "current"}));
        let path = on(&issue, "reclassifications");
        let mut body = json!({"balance_sheet_date": "2025-12-31"});
        let detail = service.post(&path, &body).await.refused_at("invalid_field", "/sale_price_condition");
        assert!(detail.contains("principal in cash"), "{detail}");
        body["sale_price_condition"] = json!({"met": false});
        let answer = service.post(&path, &body).await.done();
        assert_figures(&answer["reclassification"], json!({"classification": "non_current"}));
        assert_eq!(codes(&answer["reclassification"])[1].0, "not_convertible");
        body["sale_price_condition"] = json!({"met": true});
        let answer = reclassify(&service, &issue, body).await;
        assert_eq!(codes(&answer["reclassification"]), [("convertible_for_cash", "ASC 470-10-45-10")]);
        assert_figures(&answer["reclassification"]["current"], json!({"carrying_amount": "1000000.00"}));
        check_tied(&service, &issue, &["2025-12-31", "2026-01-01"]).await;
    }
    for (reference, conversion) in [
        ("SHARES", json!({})),
        ("ANY", json!({"settlement": "combination", "principal_on_conversion": "issuer_elects"})),
    ] {
        let mut changes = convertible(conversion);
        change(&mut changes, json!({"reference": reference}));
        let issue = service.issue(changes).await;
        let answer = classification(&service, &issue, "2025-12-31").await;
        assert_figures(&answer, json!({"classification": "non_current"}));
        assert_eq!(codes(&answer)[1], ("conversion_in_shares", "ASC 470-20-45-1B"));
        let body = json!({"balance_sheet_date": "2025-12-31", "sale_price_condition": {"met": true}});
        let answer = service.post(&on(&issue, "reclassifications"), &body).await;
        answer.refused_at("invalid_field", "/sale_price_condition");
    }
    for wrong in ["physical", "cash"] {
        let body = terms(convertible(json!({"settlement": wrong, "principal_on_conversion": "cash"})));
        service.post(ISSUES, &body).await.refused_at("invalid_field", "/conversion/principal_on_conversion");
    }
}

fn prices(days: &[(&str, &str)]) -> Value {
    let days: Vec<Value> = days.iter().map(|(date, price)| json!({"date": date, "price": price})).collect();
    json!({"daily_prices": days})
}

/// 20 shares a bond of 1,000 are a conversion price of 50, and 130% of it is 65.00. After a split it is 32.50.
async fn the_sale_price_condition_is_counted_from_prices(service: Service) {
    service.mapped_entity("ACME").await;
    let feature = json!({"settlement": "cash",
        "sale_price_condition": {"percent": "130", "days": 2, "of_days": 3, "convertible_from": "2029-10-15"}});
    let issue = service.issue(convertible(feature)).await;
    let path = on(&issue, "reclassifications");
    let ask =
        |date: &str, days: &[(&str, &str)]| json!({"balance_sheet_date": date, "sale_price_condition": prices(days)});
    let few = [("2026-03-27", "64.99"), ("2026-03-30", "64.99"), ("2026-03-31", "70")];
    let answer = service.post(&path, &ask("2026-03-31", &few)).await.done();
    assert_figures(&answer["reclassification"], json!({"classification": "non_current", "days_met": 1}));
    // In the quarter after, the condition of the last one counts.
    let enough = [("2026-03-27", "65.00"), ("2026-03-30", "64.99"), ("2026-03-31", "70")];
    let answer = reclassify(&service, &issue, ask("2026-04-30", &enough)).await;
    assert_figures(&answer["reclassification"], json!({"classification": "current", "days_met": 2}));
    let split = json!({"effective_date": "2026-03-30", "reason": "split", "shares_before": "50000000", "shares_after": "100000000"});
    service.record(&issue, "rate-adjustments", split).await;
    let after = [("2026-03-27", "64.99"), ("2026-03-30", "32.50"), ("2026-03-31", "32.50")];
    let answer = reclassify(&service, &issue, ask("2026-03-31", &after)).await;
    assert_figures(&answer["reclassification"], json!({"classification": "current", "days_met": 2}));
    check_tied(&service, &issue, &["2026-03-31", "2026-04-01", "2026-04-30", "2026-05-01"]).await;

    let pointer = "/sale_price_condition/daily_prices";
    for (days, place) in [
        (&few[..2], ""),
        (&[("2026-03-30", "70"), ("2026-03-27", "70"), ("2026-03-31", "70")], "/1/date"),
        (&[("2026-03-27", "70"), ("2026-03-31", "70"), ("2026-04-01", "70")], "/2/date"),
        (&[("2025-12-29", "70"), ("2025-12-30", "70"), ("2025-12-31", "70")], "/2/date"),
        (&[("2026-03-27", "70"), ("2026-03-30", "0"), ("2026-03-31", "70")], "/1/price"),
        (&[], ""),
    ] {
        let pointer = format!("{pointer}{place}");
        service.post(&path, &ask("2026-05-31", days)).await.refused_at("invalid_field", &pointer);
    }
    for fact in [json!({}), json!({"met": true, "daily_prices": []})] {
        let body = json!({"balance_sheet_date": "2026-05-31", "sale_price_condition": fact});
        service.post(&path, &body).await.refused_at("invalid_field", "/sale_price_condition");
    }
    let mut without = convertible(json!({"settlement": "cash"}));
    change(&mut without, json!({"reference": "CB-2"}));
    let without = service.issue(without).await;
    let answer = service.post(&on(&without, "reclassifications"), &ask("2026-03-31", &few)).await;
    assert!(answer.refused_at("invalid_field", pointer).contains("give met"));
    for (wrong, field) in [
        (json!({"percent": "0", "days": 2, "of_days": 3}), "percent"),
        (json!({"percent": "1001", "days": 2, "of_days": 3}), "percent"),
        (json!({"percent": "130", "days": 0, "of_days": 3}), "days"),
        (json!({"percent": "130", "days": 4, "of_days": 3}), "days"),
        (json!({"percent": "130", "days": 4, "of_days": 61}), "days"),
        (json!({"percent": "130", "days": 2, "of_days": 3, "convertible_from": "2031-01-01"}), "convertible_from"),
    ] {
        let body = terms(convertible(json!({"settlement": "cash", "sale_price_condition": wrong})));
        let pointer = format!("/conversion/sale_price_condition/{field}");
        service.post(ISSUES, &body).await.refused_at("invalid_field", &pointer);
    }
}

/// From 15 October 2029 on holders may convert in any case: a year before, the debt is current, though it matures in January 2030.
async fn holders_who_may_convert_within_a_year_whatever_the_price_make_it_current(service: Service) {
    service.mapped_entity("ACME").await;
    let feature = json!({"settlement": "combination",
        "sale_price_condition": {"percent": "130", "days": 20, "of_days": 30, "convertible_from": "2029-10-15"}});
    let issue = service.issue(convertible(feature)).await;
    assert_figures(&classification(&service, &issue, "2028-09-30").await, json!({"classification": "not_determined"}));
    let answer = classification(&service, &issue, "2028-12-31").await;
    assert_figures(&answer, json!({"classification": "current"}));
    assert_eq!(codes(&answer), [("convertible_for_cash", "ASC 470-10-45-10")]);
}

async fn under_ifrs_only_a_right_at_the_date_keeps_it_non_current(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(json!({"straight_debt_rate": "0.09"})).await;
    let answer = classification(&service, &issue, "2028-12-31").await;
    assert_figures(&answer, json!({"classification": "non_current"}));
    let expected = [("not_due_within_one_year", "IAS 1.69"), ("conversion_in_shares", "IAS 1.76B")];
    assert_eq!(codes(&answer), expected);
    let path = on(&issue, "reclassifications");
    let mut body = json!({"balance_sheet_date": "2029-01-31", "refinanced": {"basis": "after_balance_sheet_date",
        "reason": "Agreed on 2029-03-01"}});
    let detail = service.post(&path, &body).await.refused_at("invalid_field", "/refinanced/basis");
    assert!(detail.contains("IAS 1.72"), "{detail}");
    body["refinanced"]["basis"] = json!("right_at_balance_sheet_date");
    let answer = service.post(&path, &body).await.done();
    let expected = [("matures_within_one_year", "IAS 1.69"), ("refinanced", "IAS 1.73")];
    assert_eq!(codes(&answer["reclassification"]), expected);

    let demand = json!({"balance_sheet_date": "2026-12-31", "repayable_on_demand": {"reason": "Leverage above 3.5 on the date"}});
    let answer = reclassify(&service, &issue, demand).await;
    assert_eq!(codes(&answer["reclassification"]), [("repayable_on_demand", "IAS 1.72B, 74")]);
    let value = service.carrying_value(&issue, "2026-12-31").await;
    assert_eq!(answer["reclassification"]["current"]["carrying_amount"], value["carrying_amount"]);
    let paragraph = &last_batch(&answer)["entries"][0]["lines"][0]["derivation"]["paragraph"];
    assert_eq!(*paragraph, json!("common practice"));
    let moved = array(&answer["journal_batches"]).iter().flat_map(lines).any(|(role, ..)| role.starts_with("equity"));
    assert!(!moved, "the equity component is no liability: {answer}");
    check_tied(&service, &issue, &["2026-12-31", "2027-01-01", "2027-06-30"]).await;
    check_rollforward(&service, "2025-01-01", "2027-12-31").await;
}

/// It matured in January 2030 until it was extended on 1 July 2029.
async fn the_terms_of_the_date_count_where_they_were_modified(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(straight(json!({}))).await;
    for year in 2026..=2029 {
        service.record(&issue, "coupon-payments", json!({"coupon_date": format!("{year}-01-01")})).await;
    }
    reclassify(&service, &issue, json!({"balance_sheet_date": "2029-06-30"})).await;
    let before = classification(&service, &issue, "2029-07-31").await;
    assert_figures(&before, json!({"classification": "current"}));
    let extended = json!({"effective_date": "2029-07-01", "maturity_date": "2031-01-01"});
    service.record(&issue, "modifications", extended).await;
    for (as_of, found) in [("2029-06-30", "current"), ("2029-07-31", "non_current"), ("2030-01-01", "current")] {
        assert_figures(&classification(&service, &issue, as_of).await, json!({"classification": found}));
    }
    let known_at = text(&before["known_at"]);
    let path = format!("{ISSUES}/{issue}/classification?as_of=2029-07-31&known_at={known_at}");
    assert_eq!(service.read(&path).await, before);
    reclassify(&service, &issue, json!({"balance_sheet_date": "2030-03-31"})).await;
    check_tied(&service, &issue, &["2029-06-30", "2029-07-01", "2030-03-31", "2030-04-01"]).await;
    check_rollforward(&service, "2029-01-01", "2030-12-31").await;
}

/// 100,000 of a million are surrendered after a year and a half, with 2,800 of the discount and 1,400 of the costs: later the others have
/// less left, and the debt as a whole is non-current all the same. A month into the last year 11/60 are left of 36,000 and 18,000; of
/// 950,000 that are refinanced 900,000 are the others, and 50,000 half of what is surrendered.
async fn bonds_that_are_surrendered_stay_what_they_were(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01"});
    let terms = json!({"proceeds": "960000.00", "issue_costs": "20000.00", "conversion": conversion});
    let issue = service.issue(straight(terms)).await;
    let body = json!({"conversion_date": "2026-07-01", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    let answer = classification(&service, &issue, "2026-12-31").await;
    let nothing =
        json!({"principal": "0.00", "premium_discount": "0.00", "issue_costs": "0.00", "carrying_amount": "0.00"});
    assert_eq!(answer["current"], nothing);
    assert_figures(&answer["non_current"], json!({"premium_discount": "-24400.00", "issue_costs": "-12200.00"}));
    let refinanced =
        json!({"basis": "after_balance_sheet_date", "principal": "950000.00", "reason": "Agreed in March"});
    let answer =
        reclassify(&service, &issue, json!({"balance_sheet_date": "2029-01-31", "refinanced": refinanced})).await;
    let block = &answer["reclassification"];
    assert_figures(&block["non_current"], json!({"premium_discount": "-8000.00", "issue_costs": "-4000.00"}));
    assert_figures(&block["current"], json!({"principal": "50000.00", "carrying_amount": "47900.00"}));
    check_tied(&service, &issue, &["2029-01-31", "2029-02-01"]).await;
}
