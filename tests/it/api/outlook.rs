//! The forecast and the calendar: what they say comes true.

use serde_json::{Value, json};

use crate::support::client::{Service, array, assert_fields, assert_figures, on_both_engines, text};
use crate::support::ledger::figure;

on_both_engines! {
    what_is_forecast_is_what_is_posted
    an_assumed_conversion_comes_to_what_a_real_one_does
    at_maturity_what_is_outstanding_is_repaid
    months_are_cut_to_the_range_and_totals_are_of_all_pages
    what_was_known_then_is_forecast_again
    a_forecast_that_cannot_be_is_refused
    the_calendar_has_every_date_with_its_amount
    the_calendar_can_be_subscribed_to
}

const MONTH: &str = "from to opening_carrying_amount amortization other_movements principal premium_discount issue_costs \
                     carrying_amount coupon_interest interest_expense coupons_due repayment";

fn at_discount(reference: &str) -> Value {
    json!({"reference": reference, "proceeds": "960000.00", "issue_costs": "12000.00", "record_days": 15})
}

async fn forecast(service: &Service, query: &str) -> Value {
    let report = service.read(&format!("/v1/entities/ACME/forecast?{query}")).await;
    assert_fields(
        &report,
        "entity from to currency other_currencies known_at assumed_conversions items total next_cursor caution",
    );
    let of_items = array(&report["items"]).iter().map(|item| {
        assert_fields(item, "bond_issue reference months");
        &item["months"]
    });
    for months in of_items.chain([&report["total"]]) {
        let mut last: Option<&Value> = None;
        for month in array(months) {
            assert_fields(month, MONTH);
            let of = |name: &str| figure(&month[name]);
            let moved = of("amortization") + of("other_movements");
            assert_eq!(of("carrying_amount"), of("opening_carrying_amount") + moved, "{month}");
            assert_eq!(of("carrying_amount"), of("principal") + of("premium_discount") + of("issue_costs"), "{month}");
            assert_eq!(of("interest_expense"), of("coupon_interest") + of("amortization"), "{month}");
            if let Some(last) = last {
                assert_eq!(month["opening_carrying_amount"], last["carrying_amount"], "{month} after {last}");
            }
            last = Some(month);
        }
    }
    report
}

fn months<'a>(report: &'a Value, issue: &str) -> &'a Vec<Value> {
    let item = array(&report["items"]).iter().find(|item| item["bond_issue"] == json!(issue));
    array(&item.unwrap_or_else(|| panic!("{issue} is not in {report}"))["months"])
}

/// Converts in March, and in July after the record date, so that the coupon of July is due on all 900,000: months in which something is
/// converted are made of parts. What the rollforward of each month then shows as accrued is what was forecast when nothing was accrued yet.
async fn what_is_forecast_is_what_is_posted(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(at_discount("CB-1")).await;
    for (date, principal) in [("2025-03-19", "100000.00"), ("2025-07-03", "250000.00")] {
        service.record(&issue, "conversions", json!({"effective_date": date, "principal": principal})).await;
    }
    let told = forecast(&service, "from=2025-07-01&to=2026-12-31").await;
    service.record(&issue, "accruals", json!({"through": "2026-12-31"})).await;
    let told_months = months(&told, &issue);
    assert_eq!(told_months.len(), 18);
    assert_eq!(&told["total"], &json!(told_months));
    for month in told_months {
        let (from, to) = (text(&month["from"]), text(&month["to"]));
        let report = service.read(&format!("/v1/entities/ACME/rollforward?from={from}&to={to}")).await;
        let lines = array(&report["total"]);
        let sum = |movement: &str, component: &str| -> rust_decimal::Decimal {
            let of = lines.iter().filter(|line| line["movement"] == json!(movement));
            of.map(|line| figure(&line[component])).sum()
        };
        assert_eq!(figure(&month["amortization"]), sum("amortization", "expense"), "{month} of {report}");
        assert_eq!(figure(&month["coupon_interest"]), sum("coupon_accrued", "expense"), "{month} of {report}");
        assert_eq!(figure(&month["carrying_amount"]), sum("closing", "carrying_amount"), "{month} of {report}");
    }
    for (coupon_date, amount) in [("2025-07-15", "27000.00"), ("2026-01-15", "19500.00"), ("2026-07-15", "19500.00")] {
        let month = told_months.iter().find(|month| text(&month["from"])[..7] == coupon_date[..7]).expect("a month");
        assert_figures(month, json!({"coupons_due": amount}));
        let paid = service.record(&issue, "coupon-payments", json!({"coupon_date": coupon_date})).await;
        assert_eq!(paid["coupon_payment"]["amount"], json!(amount), "{paid}");
    }
    // And once everything is accrued and paid, it is forecast just the same.
    let again = forecast(&service, "from=2025-07-01&to=2026-12-31").await;
    assert_eq!(again["total"], told["total"]);
}

async fn an_assumed_conversion_comes_to_what_a_real_one_does(service: Service) {
    service.mapped_entity("ACME").await;
    let (first, second) = (service.issue(at_discount("CB-1")).await, service.issue(at_discount("CB-2")).await);
    let assumed = format!("{first}:2026-02-10:300000.00,{second}:2026-04-30:1000000.00,{first}:2026-02-20:100000.00");
    let query = "from=2026-01-01&to=2026-12-31";
    let without = forecast(&service, query).await;
    assert_eq!(without["assumed_conversions"], json!([]));
    let told = forecast(&service, &format!("{query}&assumed_conversions={assumed}")).await;
    assert_eq!(array(&told["assumed_conversions"]).len(), 3);
    assert_figures(
        &told["assumed_conversions"][0],
        json!({"bond_issue": first, "effective_date": "2026-02-10", "principal": "300000.00"}),
    );
    assert_ne!(told["total"], without["total"]);
    assert_eq!(told["total"][0], without["total"][0], "nothing is converted in January");
    assert_figures(&months(&told, &second)[3], json!({"principal": "0.00", "carrying_amount": "0.00"}));
    assert_eq!(forecast(&service, query).await["total"], without["total"], "nothing was recorded");
    for (issue, date, principal) in [
        (&first, "2026-02-10", "300000.00"),
        (&second, "2026-04-30", "1000000.00"),
        (&first, "2026-02-20", "100000.00"),
    ] {
        service.record(issue, "conversions", json!({"effective_date": date, "principal": principal})).await;
    }
    let real = forecast(&service, query).await;
    assert_eq!((&real["items"], &real["total"]), (&told["items"], &told["total"]));
}

async fn at_maturity_what_is_outstanding_is_repaid(service: Service) {
    service.mapped_entity("ACME").await;
    let at_105 = json!({"reference": "CB-1", "redemption_price": "105", "proceeds": "980000.00"});
    let issue = service.issue(at_105).await;
    let told = forecast(&service, "from=2029-12-01&to=2030-02-28").await;
    let months = months(&told, &issue);
    let nothing =
        json!({"carrying_amount": "0.00", "amortization": "0.00", "coupon_interest": "0.00", "coupons_due": "0.00"});
    assert_figures(&months[0], json!({"repayment": "0.00", "principal": "1000000.00", "coupons_due": "0.00"}));
    assert_figures(
        &months[1],
        json!({"repayment": "1050000.00", "coupons_due": "30000.00", "carrying_amount": "0.00"}),
    );
    let (opening, amortization) = (&months[1]["opening_carrying_amount"], &months[1]["amortization"]);
    assert_eq!(figure(opening) + figure(amortization), figure(&months[1]["repayment"]));
    assert_figures(&months[2], nothing);
    // Recorded, it is forecast as before; converted before, nothing is repaid.
    let redemption = json!({"kind": "maturity", "effective_date": "2030-01-15", "principal": "1000000.00"});
    service.record(&issue, "redemptions", redemption).await;
    let after = forecast(&service, "from=2029-12-01&to=2030-02-28").await;
    for (one, other) in array(&after["total"]).iter().zip(array(&told["total"])) {
        for figure in ["carrying_amount", "amortization", "coupon_interest", "coupons_due"] {
            assert_eq!(one[figure], other[figure], "{one}");
        }
    }
}

async fn months_are_cut_to_the_range_and_totals_are_of_all_pages(service: Service) {
    service.mapped_entity("ACME").await;
    for at in 1..=3 {
        service.issue(at_discount(&format!("CB-{at}"))).await;
    }
    let parts = forecast(&service, "from=2025-02-10&to=2025-04-02&limit=2").await;
    let ends: Vec<_> = array(&parts["total"]).iter().map(|month| (text(&month["from"]), text(&month["to"]))).collect();
    assert_eq!(ends, [("2025-02-10", "2025-02-28"), ("2025-03-01", "2025-03-31"), ("2025-04-01", "2025-04-02")]);
    assert_eq!(array(&parts["items"]).len(), 2);
    let cursor = text(&parts["next_cursor"]);
    let rest = forecast(&service, &format!("from=2025-02-10&to=2025-04-02&limit=2&cursor={cursor}")).await;
    assert_eq!((array(&rest["items"]).len(), &rest["next_cursor"]), (1, &Value::Null));
    assert_eq!(rest["total"], parts["total"]);
    for (at, total) in array(&parts["total"]).iter().enumerate() {
        let of_items = array(&parts["items"]).iter().chain(array(&rest["items"]));
        let sum: rust_decimal::Decimal = of_items.map(|item| figure(&item["months"][at]["interest_expense"])).sum();
        assert_eq!(figure(&total["interest_expense"]), sum);
    }
    let whole = forecast(&service, "from=2025-02-10&to=2025-02-10").await;
    assert_eq!(array(&whole["total"]).len(), 1);
}

async fn what_was_known_then_is_forecast_again(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(at_discount("CB-1")).await;
    let query = "from=2025-07-01&to=2026-06-30";
    let before = forecast(&service, query).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-08-10", "principal": "500000.00"})).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-08-10", "principal": "100000.00"})).await;
    assert_ne!(forecast(&service, query).await["total"], before["total"]);
    let known_at = text(&before["known_at"]);
    assert_eq!(forecast(&service, &format!("{query}&known_at={known_at}")).await, before);
}

async fn a_forecast_that_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(at_discount("CB-1")).await;
    let euro = json!({"reference": "CB-2", "currency": "EUR"});
    let euro = service.issue(euro).await;
    let path = |query: &str| format!("/v1/entities/ACME/forecast?{query}");
    for (query, says) in [
        ("from=2026-01-01", "\"to\" is required"),
        ("from=2026-02-01&to=2026-01-01", "before from"),
        ("from=2026-02-01&to=2127-02-01", "more than 100 years"),
        ("from=2026-01-01&to=2026-02-01&assumed_conversions=", "expected bond issue:date:principal"),
        ("from=2026-01-01&to=2026-02-01&assumed_conversions=CB-1", "expected bond issue:date:principal"),
        ("from=2026-01-01&to=2026-02-01&assumed_conversions=a:2026-02-30:1.00", "not a day of the calendar"),
        ("from=2026-01-01&to=2026-02-01&assumed_conversions=a:2026-01-10:1e3", "a:2026-01-10:1e3"),
        ("from=2026-01-01&to=2026-02-01&known_at=2999-01-01T00:00:00Z", "in the future"),
    ] {
        let problem = service.get(&path(query)).await.problem(400, "malformed_query");
        assert!(text(&problem["detail"]).contains(says), "{problem}");
    }
    service.get("/v1/entities/NONE/forecast?from=2026-01-01&to=2026-02-01").await.problem(404, "not_found");
    let assuming = |assumed: &str| path(&format!("from=2026-01-01&to=2026-02-01&assumed_conversions={assumed}"));
    for assumed in [format!("{euro}:2026-01-10:1000.00"), "ACME-none:2026-01-10:1000.00".to_owned()] {
        let problem = service.get(&assuming(&assumed)).await.problem(404, "not_found");
        assert!(text(&problem["detail"]).contains("in USD and settled by 2026-02-01"), "{problem}");
    }
    for (assumed, status, code) in [
        (format!("{issue}:2026-01-10:1000000.00,{issue}:2026-01-11:1000.00"), 409, "exceeds_outstanding"),
        (format!("{issue}:2026-01-10:500.00"), 422, "principal_not_multiple_of_denomination"),
        (format!("{issue}:2026-01-10:0.00"), 422, "invalid_field"),
        (format!("{issue}:2026-01-10:1000.001"), 422, "too_many_decimals"),
        (format!("{issue}:2024-01-10:1000.00"), 422, "before_settlement"),
    ] {
        service.get(&assuming(&assumed)).await.problem(status, code);
    }
}

async fn the_calendar_has_every_date_with_its_amount(service: Service) {
    service.mapped_entity("ACME").await;
    let puttable = json!({"reference": "CB-1", "put_dates": ["2027-01-15"], "record_days": 15});
    let issue = service.issue(puttable).await;
    service.record(&issue, "conversions", json!({"effective_date": "2026-02-01", "principal": "400000.00"})).await;
    let found = service.read("/v1/entities/ACME/calendar?from=2026-01-01&to=2027-01-31").await;
    assert_fields(&found, "entity from to currency other_currencies known_at items caution");
    let rows: Vec<_> = array(&found["items"])
        .iter()
        .map(|item| {
            assert_eq!((&item["bond_issue"], &item["reference"]), (&json!(issue), &json!("CB-1")));
            let of = |name: &str| item[name].as_str().unwrap_or_default();
            [of("date"), of("occasion"), of("coupon_date"), of("principal"), of("amount")]
        })
        .collect();
    assert_eq!(
        rows,
        [
            ["2026-01-15", "coupon_date", "", "1000000.00", "30000.00"],
            ["2026-06-30", "record_date", "2026-07-15", "600000.00", "18000.00"],
            ["2026-07-15", "coupon_date", "", "600000.00", "18000.00"],
            ["2026-12-31", "record_date", "2027-01-15", "600000.00", "18000.00"],
            ["2027-01-15", "coupon_date", "", "600000.00", "18000.00"],
            ["2027-01-15", "put_date", "", "600000.00", "600000.00"],
        ]
    );
    let end = service.read("/v1/entities/ACME/calendar?from=2030-01-01&to=2030-12-31").await;
    assert_figures(&end["items"][1], json!({"occasion": "maturity_date", "amount": "600000.00"}));
    service.record(&issue, "conversions", json!({"effective_date": "2026-03-01", "principal": "600000.00"})).await;
    let left = service.read("/v1/entities/ACME/calendar?from=2026-04-01&to=2099-12-31").await;
    assert_eq!(left["items"], json!([]));
    service.get("/v1/entities/ACME/calendar?from=2026-04-01&to=2026-01-01").await.problem(400, "malformed_query");
}

/// The lines of RFC 5545, unfolded (section 3.1). They should be no longer than 75 octets; the library that writes them does not count the
/// blank that leads the last piece of one.
fn unfolded(file: &str) -> Vec<String> {
    let lines = || file.split("\r\n");
    assert!(file.ends_with("\r\n") && lines().all(|line| line.len() <= 76 && !line.contains('\n')), "{file}");
    file.replace("\r\n ", "").split("\r\n").filter(|line| !line.is_empty()).map(str::to_owned).collect()
}

async fn the_calendar_can_be_subscribed_to(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"reference": "Notes; 6%, due 2030"})).await;
    let path = "/v1/entities/ACME/calendar?from=2026-01-01&to=2026-12-31";
    let answer = service.get(&format!("{path}&format=ics")).await;
    assert_eq!(answer.header("content-type"), "text/calendar; charset=utf-8");
    assert_eq!(answer.header("vary"), "accept");
    let text_of = |answer: &crate::support::client::Answer| String::from_utf8(answer.bytes.clone()).expect("UTF-8");
    let file = text_of(&answer);
    let lines = unfolded(&file);
    let has = |line: &str| assert!(lines.iter().any(|known| known == line), "{line} is not in {file}");
    assert_eq!(
        (lines.first().map(String::as_str), lines.last().map(String::as_str)),
        (Some("BEGIN:VCALENDAR"), Some("END:VCALENDAR"))
    );
    for line in ["VERSION:2.0", "DTSTART;VALUE=DATE:20260115", "DTSTART;VALUE=DATE:20260715"] {
        has(line);
    }
    has(&format!("UID:coupon_date-2026-01-15@{issue}"));
    has("SUMMARY:Coupon: Notes\\; 6%\\, due 2030\\, USD 30000.00");
    let events = lines.iter().filter(|line| *line == "BEGIN:VEVENT").count();
    let stamps = lines.iter().filter(|line| line.starts_with("DTSTAMP:20") && line.ends_with('Z')).count();
    assert_eq!((events, stamps), (2, 2));
    assert_eq!(
        text_of(&service.get(&format!("{path}&format=ics")).await),
        file,
        "it is the same as long as nothing changes"
    );
}
