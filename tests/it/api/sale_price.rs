//! The sale-price condition of public indentures: on 20 of the 30 trading days that end with the last one of a calendar quarter the share
//! price is at least 130% of the conversion price in force on the day.

use jiff::ToSpan;
use jiff::civil::{Date, Weekday, date};
use serde_json::{Value, json};

use crate::support::client::{
    ISSUES, Service, array, assert_fields, assert_figures, change, on, on_both_engines, text,
};

on_both_engines! {
    a_split_in_the_window_counts_each_day_at_its_own_conversion_price
    twenty_days_of_thirty_are_enough_and_nineteen_are_not
    a_price_is_compared_with_what_is_not_rounded
    the_next_quarter_is_the_one_in_which_holders_may_convert
    a_reclassification_counts_the_same_days
    what_cannot_be_the_window_is_refused_where_it_stands
}

/// The `count` weekdays up to one, in order.
fn weekdays(count: usize, last: Date) -> Vec<Date> {
    let mut days: Vec<Date> = std::iter::successors(Some(last), |day| Some(day.saturating_sub(1.days())))
        .filter(|day| !matches!(day.weekday(), Weekday::Saturday | Weekday::Sunday))
        .take(count)
        .collect();
    days.reverse();
    days
}

/// Prices of the last 30 weekdays of the first quarter of 2026, from 18 February on.
fn prices(price_of: impl Fn(usize, Date) -> &'static str) -> Vec<Value> {
    let days = weekdays(30, date(2026, 3, 31));
    assert_eq!(days[0], date(2026, 2, 18));
    days.into_iter().enumerate().map(|(at, day)| json!({"date": day.to_string(), "price": price_of(at, day)})).collect()
}

fn asked(quarter_end: &str, prices: &[Value]) -> Value {
    json!({"quarter_end": quarter_end, "daily_prices": prices})
}

fn condition(changes: Value) -> Value {
    let mut condition = json!({"percent": "130", "days": 20, "of_days": 30});
    change(&mut condition, changes);
    condition
}

/// 20 shares a bond of 1,000: a conversion price of 50, of which 130% are 65.00.
async fn convertible(service: &Service, changes: Value) -> String {
    let mut feature = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "cash",
        "sale_price_condition": condition(json!({}))});
    change(&mut feature, changes);
    service.issue(json!({"conversion": feature})).await
}

async fn tested(service: &Service, issue: &str, body: &Value) -> Value {
    let answer = service.post_with(&on(issue, "sale-price-condition"), body, &[]).await.done();
    assert_fields(
        &answer,
        "bond_issue reference currency known_at quarter_end percent days days_met days_needed of_days satisfied next_quarter convertible \
         caution",
    );
    let met = array(&answer["days"]).iter().filter(|day| day["met"] == true).count();
    assert_eq!(answer["days_met"], json!(met), "{answer}");
    answer
}

/// Two for one on 16 March: from then on the conversion price is 25 and 130% of it 32.50. Of the 18 days before, 12 are at 65.00 and 6 a cent
/// below; of the 12 after, 8 are at 32.50 and 4 a cent below. That is 20.
async fn a_split_in_the_window_counts_each_day_at_its_own_conversion_price(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = convertible(&service, json!({})).await;
    let price_of = |at: usize, _: Date| match at {
        0..12 => "65.00",
        12..18 => "64.99",
        18..26 => "32.50",
        _ => "32.49",
    };
    let body = asked("2026-03-31", &prices(price_of));
    let before = tested(&service, &issue, &body).await;
    assert_figures(&before, json!({"days_met": 12, "satisfied": false, "convertible": null}));

    let split = json!({"effective_date": "2026-03-16", "reason": "split", "shares_before": "50000000", "shares_after": "100000000"});
    service.record(&issue, "rate-adjustments", split).await;
    let answer = tested(&service, &issue, &body).await;
    assert_figures(
        &answer,
        json!({"bond_issue": issue, "reference": "CB-1", "currency": "USD", "quarter_end": "2026-03-31", "percent": "130",
        "days_met": 20, "days_needed": 20, "of_days": 30, "satisfied": true, "next_quarter": {"from": "2026-04-01", "to": "2026-06-30"},
        "convertible": {"from": "2026-04-01", "to": "2026-06-30", "because": "sale_price_condition"}}),
    );
    let days = array(&answer["days"]);
    assert_eq!(days.len(), 30);
    assert_eq!(
        days[17],
        json!({"date": "2026-03-13", "price": "64.99", "shares_per_denomination": "20", "conversion_price": "50",
        "threshold": "65", "met": false})
    );
    assert_eq!(
        days[18],
        json!({"date": "2026-03-16", "price": "32.50", "shares_per_denomination": "40", "conversion_price": "25",
        "threshold": "32.5", "met": true})
    );
    // As known before the split was recorded nothing has changed, and nothing was recorded by asking.
    let path = format!("{}?known_at={}", on(&issue, "sale-price-condition"), text(&before["known_at"]));
    assert_eq!(service.post_with(&path, &body, &[]).await.done(), before);
    assert_eq!(array(&service.read(&on(&issue, "events")).await["items"]).len(), 2);
}

async fn twenty_days_of_thirty_are_enough_and_nineteen_are_not(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = convertible(&service, json!({})).await;
    for (met, is_satisfied) in [(0, false), (19, false), (20, true), (21, true), (30, true)] {
        // They need not follow one another: the first days and the last one.
        let high = move |at: usize, _: Date| if at + 1 < met || (met > 0 && at == 29) { "65" } else { "64.9999999999" };
        let answer = tested(&service, &issue, &asked("2026-03-31", &prices(high))).await;
        assert_figures(&answer, json!({"days_met": met, "satisfied": is_satisfied}));
        assert_eq!(answer["convertible"].is_null(), !is_satisfied, "{answer}");
    }
    // Of more days the last thirty count, and a day is a trading day because it is said to be one: 28 March is a Saturday.
    let mut more: Vec<Value> = ["2026-02-16", "2026-02-17"].map(|day| json!({"date": day, "price": "65"})).into();
    more.extend(prices(|at, _| if at < 19 { "65" } else { "50" }));
    assert_figures(&tested(&service, &issue, &asked("2026-03-31", &more)).await, json!({"days_met": 19}));
    more.insert(30, json!({"date": "2026-03-28", "price": "65"}));
    let answer = tested(&service, &issue, &asked("2026-03-31", &more)).await;
    assert_eq!((&answer["days"][0]["date"], &answer["days"][27]["date"]), (&json!("2026-02-19"), &json!("2026-03-28")));
    assert_figures(&answer, json!({"days_met": 19}));
}

/// 1,000 by 32.3428 are 30.9187825420..., and 130% of it 40.19441730462...: the price of ten decimals below it does not reach it, though both
/// are shown alike.
async fn a_price_is_compared_with_what_is_not_rounded(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = convertible(&service, json!({"shares_per_denomination": "32.3428"})).await;
    for (price, met) in [("40.1944173046", 0), ("40.1944173047", 30)] {
        let answer = tested(&service, &issue, &asked("2026-03-31", &prices(move |_, _| price))).await;
        assert_figures(&answer, json!({"days_met": met}));
        let shown = json!({"conversion_price": "30.918783", "threshold": "40.194417", "price": price});
        assert_figures(&answer["days"][0], shown);
    }
}

async fn the_next_quarter_is_the_one_in_which_holders_may_convert(service: Service) {
    service.mapped_entity("ACME").await;
    let feature =
        json!({"sale_price_condition": condition(json!({"days": 1, "of_days": 1, "convertible_from": "2029-10-15"}))});
    let issue = convertible(&service, feature).await;
    let convertible = |from: &str, to: &str, because: &str| json!({"from": from, "to": to, "because": because});
    for (quarter_end, price, expected) in [
        ("2025-03-31", "65", convertible("2025-04-01", "2025-06-30", "sale_price_condition")),
        ("2029-06-30", "64", Value::Null),
        ("2029-09-30", "64", convertible("2029-10-15", "2029-12-31", "convertible_from")),
        ("2029-09-30", "65", convertible("2029-10-01", "2029-12-31", "sale_price_condition")),
        // It matures on 15 January 2030.
        ("2029-12-31", "64", convertible("2030-01-01", "2030-01-15", "convertible_from")),
        ("2029-12-31", "65", convertible("2030-01-01", "2030-01-15", "sale_price_condition")),
    ] {
        let day = json!({"date": quarter_end, "price": price});
        let answer = tested(&service, &issue, &asked(quarter_end, &[day])).await;
        assert_eq!(answer["convertible"], expected, "{quarter_end} at {price}");
    }
}

async fn a_reclassification_counts_the_same_days(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = convertible(&service, json!({})).await;
    let split = json!({"effective_date": "2026-03-16", "reason": "split", "shares_before": "50000000", "shares_after": "100000000"});
    service.record(&issue, "rate-adjustments", split).await;
    for (met, found) in [(19, "non_current"), (20, "current")] {
        let high = move |at: usize, day: Date| match (at < met, day < date(2026, 3, 16)) {
            (true, true) => "65",
            (false, true) => "64.99",
            (true, false) => "32.50",
            (false, false) => "32.49",
        };
        let mut days = vec![json!({"date": "2026-02-17", "price": "65"})];
        days.extend(prices(high));
        let answer = tested(&service, &issue, &asked("2026-03-31", &days)).await;
        assert_figures(&answer, json!({"days_met": met, "satisfied": found == "current"}));
        let body = json!({"balance_sheet_date": "2026-03-31", "sale_price_condition": {"daily_prices": days}});
        let answer = service.preview(&on(&issue, "reclassifications"), &body).await.done();
        assert_figures(&answer["reclassification"], json!({"days_met": met, "classification": found}));
    }
}

async fn what_cannot_be_the_window_is_refused_where_it_stands(service: Service) {
    service.mapped_entity("ACME").await;
    let issue =
        convertible(&service, json!({"sale_price_condition": condition(json!({"days": 2, "of_days": 3}))})).await;
    let path = on(&issue, "sale-price-condition");
    let days = |days: &[(&str, &str)]| -> Vec<Value> {
        days.iter().map(|(date, price)| json!({"date": date, "price": price})).collect()
    };
    let good = days(&[("2026-03-27", "65"), ("2026-03-30", "65"), ("2026-03-31", "65")]);
    for (quarter_end, given, pointer, says) in [
        ("2026-03-31", good[1..].to_vec(), "/daily_prices", "last 3 trading days"),
        ("2026-03-31", vec![], "/daily_prices", "last 3 trading days"),
        (
            "2026-03-31",
            days(&[("2026-03-27", "65"), ("2026-03-31", "65"), ("2026-03-30", "65")]),
            "/daily_prices/2/date",
            "in order",
        ),
        (
            "2026-03-31",
            days(&[("2026-03-30", "65"), ("2026-03-30", "65"), ("2026-03-31", "65")]),
            "/daily_prices/1/date",
            "once",
        ),
        (
            "2026-03-31",
            days(&[("2026-03-27", "65"), ("2026-03-30", "0"), ("2026-03-31", "65")]),
            "/daily_prices/1/price",
            "more than zero",
        ),
        (
            "2026-03-31",
            days(&[("2026-03-27", "-1"), ("2026-03-30", "1"), ("2026-03-31", "65")]),
            "/daily_prices/0/price",
            "more than zero",
        ),
        (
            "2026-03-31",
            days(&[("2026-03-30", "65"), ("2026-03-31", "65"), ("2026-04-01", "65")]),
            "/daily_prices/2/date",
            "after the end",
        ),
        (
            "2026-03-31",
            days(&[("2026-03-18", "65"), ("2026-03-19", "65"), ("2026-03-20", "65")]),
            "/daily_prices/2/date",
            "too early",
        ),
        ("2026-03-30", good.clone(), "/quarter_end", "2025-12-31"),
        ("2026-04-30", good.clone(), "/quarter_end", "2026-03-31"),
        (
            "2030-03-31",
            days(&[("2030-03-27", "65"), ("2030-03-28", "65"), ("2030-03-29", "65")]),
            "/quarter_end",
            "matures on 2030-01-15",
        ),
    ] {
        let detail =
            service.post_with(&path, &asked(quarter_end, &given), &[]).await.refused_at("invalid_field", pointer);
        assert!(detail.contains(says), "{detail}");
    }
    let early = days(&[("2024-12-27", "65"), ("2024-12-30", "65"), ("2024-12-31", "65")]);
    service.post_with(&path, &asked("2024-12-31", &early), &[]).await.refused_at("before_settlement", "/quarter_end");
    for (body, pointer) in [
        (json!({"quarter_end": "2026-03-31"}), ""),
        (json!({"quarter_end": "2026-02-30", "daily_prices": good}), "/quarter_end"),
        (asked("2026-03-31", &[json!({"date": "2026-03-31", "price": 65})]), "/daily_prices/0/price"),
        (json!({"quarter_end": "2026-03-31", "daily_prices": good, "days": 3}), "/days"),
    ] {
        let answer = service.post_with(&path, &body, &[]).await;
        let pointed = answer.problem(422, "invalid_field")["errors"][0]["pointer"].clone();
        assert!(text(&pointed).starts_with(pointer), "{pointed} and not {pointer}");
    }
    let young = json!({"reference": "CB-2", "settlement_date": "2026-03-30", "dated_date": "2026-03-30",
        "maturity_date": "2031-03-30", "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01",
        "sale_price_condition": condition(json!({"days": 2, "of_days": 3}))}});
    let young = service.issue(young).await;
    let answer = service.post_with(&on(&young, "sale-price-condition"), &asked("2026-03-31", &good), &[]).await;
    assert!(answer.refused_at("invalid_field", "/daily_prices/0/date").contains("settled on 2026-03-30"));
    let free = service.issue(json!({"reference": "CB-3"})).await;
    let answer = service.post_with(&on(&free, "sale-price-condition"), &asked("2026-03-31", &good), &[]).await;
    assert!(answer.refused_at("invalid_field", "/daily_prices").contains("no sale-price condition"));
    let straight = service.issue(json!({"reference": "SB-1", "conversion": null})).await;
    let answer = service.post_with(&on(&straight, "sale-price-condition"), &asked("2026-03-31", &good), &[]).await;
    answer.problem(422, "no_conversion_terms");
    let foreign = format!("{ISSUES}/ACME.01890000-0000-7000-8000-000000000000/sale-price-condition");
    service.post_with(&foreign, &asked("2026-03-31", &good), &[]).await.problem(404, "not_found");
    let query = format!("{path}?known_at=2999-01-01T00:00:00Z");
    service.post_with(&query, &asked("2026-03-31", &good), &[]).await.problem(400, "malformed_query");
}
