//! The rollforward.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::inducements::all_met;
use crate::support::client::{Service, array, assert_fields, assert_figures, on_both_engines, text};
use crate::support::ledger::figure;

on_both_engines! {
    every_movement_has_its_line_and_opening_and_movements_are_closing
    the_closing_of_a_month_is_the_opening_of_the_next
    movements_name_their_batches
    currencies_are_not_added
    expense_and_equity_are_told_in_their_parts
    the_year_before_stands_beside_the_year
    interest_is_reasonable_or_said_not_to_be
    entries_posted_before_the_parts_were_kept_have_them
    a_period_that_ends_before_it_begins_is_refused
}

const LINE: &str = "movement class principal premium_discount issue_costs carrying_amount interest_payable interest_receivable gain_loss \
                    expense coupon_interest amortization debt_conversion_expense cash shares paid_in_capital common_stock \
                    additional_paid_in_capital batches";
const COMPONENTS: [&str; 5] = ["principal", "premium_discount", "issue_costs", "carrying_amount", "interest_payable"];

/// An issue at par: converted on 2025-04-15 (100,000), its coupon paid, induced on 2025-08-01 (200,000 for 5,000 in cash).
async fn year(service: &Service) -> String {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let body = json!({"acceptance_date": "2025-08-01", "effective_date": "2025-08-01", "principal": "200000.00",
        "cash": "5000.00", "criteria": all_met()});
    service.record(&issue, "inducements", body).await;
    service.record(&issue, "accruals", json!({"through": "2025-12-31"})).await;
    issue
}

async fn rollforward(service: &Service, from: &str, to: &str) -> Value {
    let report = service.read(&format!("/v1/entities/ACME/rollforward?from={from}&to={to}")).await;
    let of_issues = array(&report["issues"]).iter().map(|issue| &issue["lines"]);
    for lines in of_issues.chain([&report["total"]]) {
        let mut sum: BTreeMap<&str, rust_decimal::Decimal> = BTreeMap::new();
        for line in array(lines) {
            assert_fields(line, LINE);
            let of = |name: &str| figure(&line[name]);
            assert_eq!(of("carrying_amount"), of("principal") + of("premium_discount") + of("issue_costs"), "{line}");
            for component in COMPONENTS {
                match text(&line["movement"]) {
                    "closing" => assert_eq!(sum[component], of(component), "{component} of {lines}"),
                    _ => *sum.entry(component).or_default() += of(component),
                }
            }
        }
        assert_eq!(array(lines).first().map(|line| &line["movement"]), Some(&json!("opening")));
        assert_eq!(array(lines).last().map(|line| &line["movement"]), Some(&json!("closing")));
    }
    for check in array(&report["tie_out"]) {
        assert_fields(check, "check left right difference passed");
        assert_eq!((figure(&check["difference"]).is_zero(), &check["passed"]), (true, &json!(true)), "{check}");
    }
    assert!(array(&report["tie_out"]).len() >= 19);
    report
}

/// Coupons: 90 days of 1,000,000 (15,000), 90 of 900,000 (13,500), 16 of 900,000 (2,400) and 150 of 700,000 (17,500) are 48,400. Paid:
/// 27,000. Forfeited: 1,500 and 16 of 180 days of 6,000 (533.33).
async fn every_movement_has_its_line_and_opening_and_movements_are_closing(service: Service) {
    let issue = year(&service).await;
    let report = rollforward(&service, "2025-01-01", "2025-12-31").await;
    assert_fields(
        &report,
        "entity from to currency other_currencies known_at comparative_asked issues total tie_out interest_reasonableness comparative caution",
    );
    assert_fields(&report["issues"][0], "bond_issue reference lines");
    assert_eq!(report["issues"][0]["bond_issue"], json!(issue));
    assert_eq!(report["issues"][0]["lines"], report["total"]);
    let lines = array(&report["total"]);
    let movements: Vec<_> = lines.iter().map(|line| text(&line["movement"])).collect();
    let expected = [
        "opening",
        "issuance",
        "amortization",
        "coupon_accrued",
        "coupon_paid",
        "conversion",
        "induced_conversion",
        "closing",
    ];
    assert_eq!(movements, expected);
    let of = |movement: &str| lines.iter().find(|line| line["movement"] == json!(movement)).expect("a line");
    assert_figures(of("opening"), json!({"principal": "0.00", "interest_payable": "0.00", "batches": []}));
    assert_figures(of("issuance"), json!({"principal": "1000000.00", "cash": "1000000.00", "shares": "0"}));
    assert_figures(of("amortization"), json!({"carrying_amount": "0.00", "expense": "0.00"}));
    assert_figures(
        of("coupon_accrued"),
        json!({"interest_payable": "48400.00", "expense": "48400.00", "cash": "0.00"}),
    );
    assert_figures(of("coupon_paid"), json!({"interest_payable": "-27000.00", "cash": "-27000.00", "expense": "0.00"}));
    assert_figures(
        of("conversion"),
        json!({"principal": "-100000.00", "interest_payable": "-1500.00", "shares": "2000", "paid_in_capital": "101500.00",
            "gain_loss": "0.00", "cash": "0.00"}),
    );
    assert_figures(
        of("induced_conversion"),
        json!({"principal": "-200000.00", "interest_payable": "-533.33", "shares": "4000", "paid_in_capital": "200533.33",
            "expense": "5000.00", "cash": "-5000.00"}),
    );
    assert_figures(of("closing"), json!({"principal": "700000.00", "interest_payable": "19366.67"}));
}

async fn the_closing_of_a_month_is_the_opening_of_the_next(service: Service) {
    year(&service).await;
    let mut last: Option<Value> = None;
    let mut first = jiff::civil::date(2025, 1, 1);
    while first.year() == 2025 {
        let to = first.last_of_month();
        let report = rollforward(&service, &first.to_string(), &to.to_string()).await;
        let lines = array(&report["total"]);
        for component in COMPONENTS {
            if let Some(last) = &last {
                assert_eq!(lines[0][component], last[component], "{component} at {first}");
            }
        }
        let values = service.read(&format!("/v1/entities/ACME/carrying-values?as_of={to}&basis=posted")).await;
        let closing = lines.last().expect("a line");
        for component in COMPONENTS {
            assert_eq!(closing[component], values["total"][component], "{component} on {to}");
        }
        last = Some(closing.clone());
        first = to.tomorrow().expect("a day");
    }
}

async fn movements_name_their_batches(service: Service) {
    year(&service).await;
    let report = rollforward(&service, "2025-01-01", "2025-12-31").await;
    let mut expected: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for batch in service.batches().await {
        for entry in array(&batch["entries"]) {
            let movement = match text(&entry["kind"]) {
                "accrual" => "coupon_accrued",
                "issuance" => "issuance",
                "coupon_payment" => "coupon_paid",
                "inducement" => "induced_conversion",
                // The induced conversion is posted on the acceptance's date here.
                "conversion" if batch["posting_date"] == json!("2025-08-01") => "induced_conversion",
                "conversion" => "conversion",
                kind => panic!("no {kind} was recorded"),
            };
            expected.entry(movement).or_default().push(text(&batch["number"]).to_owned());
        }
    }
    for line in array(&report["total"]) {
        let mut numbers = expected.remove(text(&line["movement"])).unwrap_or_default();
        numbers.sort_unstable();
        numbers.dedup();
        if line["movement"] != json!("amortization") {
            assert_eq!(line["batches"], json!(numbers), "{line}");
        }
    }
    assert!(expected.is_empty(), "{expected:?}");
}

async fn currencies_are_not_added(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    service
        .issue(json!({"reference": "CB-2", "currency": "JPY", "principal": "500000000", "denomination": "1000000",
        "proceeds": "500000000", "conversion": null}))
        .await;
    let dollars = rollforward(&service, "2025-01-01", "2025-12-31").await;
    assert_figures(&dollars, json!({"currency": "USD", "other_currencies": ["JPY"]}));
    assert_eq!(array(&dollars["total"]).last().expect("a line")["principal"], json!("1000000.00"));
    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";
    let yen = service.read(&format!("{path}&currency=JPY")).await;
    assert_figures(&yen, json!({"currency": "JPY", "other_currencies": ["USD"]}));
    assert_eq!(array(&yen["total"]).last().expect("a line")["principal"], json!("500000000"));
}

/// Shares have a par value of 0.01: 2,000 and 4,000 of them are 20.00 and 40.00 of common stock.
async fn expense_and_equity_are_told_in_their_parts(service: Service) {
    year(&service).await;
    let report = rollforward(&service, "2025-01-01", "2025-12-31").await;
    let lines = array(&report["total"]);
    let of = |movement: &str| lines.iter().find(|line| line["movement"] == json!(movement)).expect("a line");
    assert_figures(of("issuance"), json!({"class": "issue"}));
    assert_figures(
        of("coupon_accrued"),
        json!({"class": "interest", "coupon_interest": "48400.00", "amortization": "0.00", "debt_conversion_expense": "0.00"}),
    );
    assert_figures(
        of("conversion"),
        json!({"class": "conversion", "common_stock": "20.00", "additional_paid_in_capital": "101480.00"}),
    );
    assert_figures(
        of("induced_conversion"),
        json!({"class": "induced_conversion", "debt_conversion_expense": "5000.00", "coupon_interest": "0.00",
            "amortization": "0.00", "common_stock": "40.00", "additional_paid_in_capital": "200493.33"}),
    );
    assert_figures(of("closing"), json!({"class": "closing", "common_stock": "0.00", "expense": "0.00"}));
}

async fn the_year_before_stands_beside_the_year(service: Service) {
    let issue = year(&service).await;
    service.record(&issue, "accruals", json!({"through": "2026-12-31"})).await;
    let path = "/v1/entities/ACME/rollforward";
    let asked = |from: &str, to: &str, beside: &str| format!("{path}?from={from}&to={to}{beside}");
    let before = service.read(&asked("2025-01-01", "2025-12-31", "&comparative=none")).await;
    assert_eq!((before.get("comparative"), &before["comparative_asked"]), (None, &json!("none")));
    let report = service.read(&asked("2026-01-01", "2026-12-31", "")).await;
    let comparative = &report["comparative"];
    assert_fields(comparative, "from to issues total tie_out");
    assert_figures(comparative, json!({"from": "2025-01-01", "to": "2025-12-31"}));
    for part in ["issues", "total"] {
        assert_eq!(comparative[part], before[part], "{part}");
    }
    let closing = array(&comparative["total"]).last().expect("a line");
    assert_eq!(closing["carrying_amount"], report["total"][0]["carrying_amount"]);
    assert!(array(&comparative["tie_out"]).iter().all(|check| check["passed"] == json!(true)));
    // Of a quarter: the one before, or that of the year before.
    let quarter = ("2026-04-01", "2026-06-30");
    for (beside, from, to) in [("prior_period", "2026-01-01", "2026-03-31"), ("prior_year", "2025-04-01", "2025-06-30")]
    {
        let report = service.read(&asked(quarter.0, quarter.1, &format!("&comparative={beside}"))).await;
        assert_figures(&report["comparative"], json!({"from": from, "to": to}));
        assert_eq!(report["comparative_asked"], json!(beside));
    }
    service.get(&asked(quarter.0, quarter.1, "&comparative=last_week")).await.problem(400, "malformed_query");
}

/// At par the effective rate is the coupon rate. 90 days of 1,000,000, 106 of 900,000 and 150 of 700,000 are 290,400,000 in 346 days:
/// 839,306.36 on average, and at 6% of 360 days 48,400.
async fn interest_is_reasonable_or_said_not_to_be(service: Service) {
    let issue = year(&service).await;
    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";
    let report = service.read(path).await;
    let expected = json!({"average_carrying_amount": "839306.36", "expected": "48400.00", "booked": "48400.00",
        "difference": "0.00", "reasonable": true});
    assert_eq!(report["interest_reasonableness"]["total"], expected);
    let of_issue = &report["interest_reasonableness"]["issues"][0];
    assert_figures(of_issue, expected);
    assert_figures(of_issue, json!({"bond_issue": issue, "reference": "CB-1", "effective_rate": "0.0600000000000000"}));
    // A twentieth of it is 2,420.00.
    let last = "where kind = 'accrual' and posting_date = '2025-12-31'";
    service.tamper("entry", &format!("set expense = expense + 242000 {last}")).await;
    let report = service.read(path).await;
    assert_figures(&report["interest_reasonableness"]["total"], json!({"difference": "2420.00", "reasonable": true}));
    service.tamper("entry", &format!("set expense = expense + 1 {last}")).await;
    let report = service.read(path).await;
    assert_figures(&report["interest_reasonableness"]["total"], json!({"difference": "2420.01", "reasonable": false}));
}

/// The columns are taken away with the record of their migration, which is then done again.
async fn entries_posted_before_the_parts_were_kept_have_them(service: Service) {
    year(&service).await;
    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";
    let report = service.read(path).await;
    let columns = ["common_stock", "treasury_stock", "debt_conversion_expense", "loss_on_amendment"];
    service.alter(&columns.map(|column| format!("alter table entry drop column {column}"))).await;
    service.alter(&["delete from _sqlx_migrations where version = 16".to_owned()]).await;
    service.store.migrate().await.expect("migrates");
    assert_eq!(service.read(path).await, report);
}

async fn a_period_that_ends_before_it_begins_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    for query in ["from=2025-02-01&to=2025-01-31", "from=2025-02-01", "to=2025-01-31", "from=2025-02-30&to=2025-03-31"]
    {
        service.get(&format!("/v1/entities/ACME/rollforward?{query}")).await.problem(400, "malformed_query");
    }
    service.get("/v1/entities/NOBODY/rollforward?from=2025-01-01&to=2025-01-31").await.problem(404, "not_found");
}
