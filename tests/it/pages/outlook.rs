//! The pages of what lies ahead: the forecast and the calendar.

use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::document::{Page, Table, printed, rows};
use super::{check_row, check_that_json_is_the_same, page};
use crate::renderings::books::kept;
use crate::support::client::{Service, array, items, on_both_engines, text};

on_both_engines! {
    a_forecast_is_on_its_page
    a_calendar_is_on_its_page
}

const CARRIED: [(&str, &str); 7] = [
    ("Opening carrying amount", "opening_carrying_amount"),
    ("Amortization", "amortization"),
    ("Other movements", "other_movements"),
    ("Closing carrying amount", "carrying_amount"),
    ("of it principal", "principal"),
    ("premium (discount)", "premium_discount"),
    ("issue costs", "issue_costs"),
];
const PAID: [(&str, &str); 5] = [
    ("Coupon interest", "coupon_interest"),
    ("Amortization", "amortization"),
    ("Interest expense", "interest_expense"),
    ("Coupons due", "coupons_due"),
    ("Repaid at maturity", "repayment"),
];

/// The sum of a field over months, as it is printed.
fn summed(months: &[Value], field: &str) -> String {
    let sum: Decimal = months.iter().map(|month| text(&month[field]).parse::<Decimal>().expect("a decimal")).sum();
    printed(&sum.to_string())
}

#[track_caller]
fn check_months(months: &[Value], table: &Table, shown: &[Vec<String>], columns: &[(&str, &str)]) {
    assert_eq!(shown.len(), months.len());
    for (month, row) in months.iter().zip(shown) {
        assert_eq!(row[..2], [text(&month["from"]), text(&month["to"])]);
        check_row(month, table, row, columns);
    }
}

async fn a_forecast_is_on_its_page(service: Service) {
    kept(&service).await;
    let issue = items(&service.read("/v1/bond-issues?entity=ACME&limit=500").await)
        .into_iter()
        .find(|issue| issue["reference"] == json!("CB-1"))
        .expect("the issue");
    let id = text(&issue["id"]);
    let known = service.read(&format!("/v1/bond-issues/{id}/carrying-value?as_of=2026-01-31")).await;
    assert!(known["principal"].is_string());
    for (entity, asked) in [
        ("ACME", "from=2027-01-15&to=2028-03-31&limit=2"),
        ("ACME", "from=2025-02-01&to=2025-04-30&currency=KWD"),
        ("BETA", "from=2025-06-01&to=2026-05-31&limit=1"),
    ] {
        let path = format!("/v1/entities/{entity}/forecast?{asked}");
        let mut page = page(&service, &format!("{path}&format=html")).await;
        let report = check_that_json_is_the_same(&service, &page, &path).await;
        let total = array(&report["total"]);
        for (name, columns) in [("Carrying amount", &CARRIED[..]), ("Interest and payments", &PAID)] {
            let table = page.table(&format!("{name} of all issues by month"));
            let (sum, months) = rows(&table).split_last().expect("a last row");
            check_months(total, &table, months, columns);
            for (column, field) in columns {
                let expected = match *field {
                    "opening_carrying_amount" => printed(text(&total[0][*field])),
                    "carrying_amount" | "principal" | "premium_discount" | "issue_costs" => {
                        printed(text(&total[total.len() - 1][*field]))
                    }
                    field => summed(total, field),
                };
                assert_eq!(table.cell(sum, column), Some(expected.as_str()), "{column}");
            }
        }
        assert!(page.text().contains(&format!("is {}, of which", summed(total, "interest_expense"))));
        // Page by page every issue comes.
        let mut path = path;
        loop {
            let report = service.read(&path).await;
            for (name, columns) in [("Carrying amount", &CARRIED[..]), ("Interest and payments", &PAID)] {
                let table = page.table(&format!("{name} of each issue by month"));
                assert_eq!(table.groups.len(), array(&report["items"]).len());
                for (item, (reference, rows)) in array(&report["items"]).iter().zip(&table.groups) {
                    assert_eq!(reference.as_deref(), item["reference"].as_str());
                    check_months(array(&item["months"]), &table, rows, columns);
                }
            }
            let Some(cursor) = report["next_cursor"].as_str() else { break };
            let first = path.split("&cursor").next().expect("an address").to_owned();
            path = format!("{first}&cursor={cursor}");
            page = Page::of(&service.get(&page.link("More issues")).await);
        }
        assert!(!page.texts("a").iter().any(|link| link == "More issues"));
    }
    // What is assumed is told, and the links ask for it too.
    let other = service.issue(json!({"reference": "CB-9", "entity": "ACME"})).await;
    let path = format!(
        "/v1/entities/ACME/forecast?from=2027-01-01&to=2027-03-31&assumed_conversions={other}:2027-02-10:100000.00"
    );
    let page = self::page(&service, &format!("{path}&format=html")).await;
    check_that_json_is_the_same(&service, &page, &path).await;
    let table = page.table("Conversions that are assumed");
    assert_eq!(*rows(&table), [["CB-9", "2027-02-10", "100,000.00"]]);
}

async fn a_calendar_is_on_its_page(service: Service) {
    kept(&service).await;
    for (entity, asked) in [
        ("ACME", "from=2025-01-01&to=2035-12-31"),
        ("ACME", "from=2025-01-01&to=2026-12-31&currency=JPY"),
        ("BETA", "from=2025-01-01&to=2035-12-31"),
    ] {
        let path = format!("/v1/entities/{entity}/calendar?{asked}");
        let page = page(&service, &format!("{path}&format=html")).await;
        let report = check_that_json_is_the_same(&service, &page, &path).await;
        assert_eq!(
            service.get(&page.link("iCalendar")).await.bytes,
            service.get(&format!("{path}&format=ics")).await.bytes
        );
        let entries = array(&report["items"]);
        let table = page.table("Dates from");
        assert_eq!(rows(&table).len(), entries.len());
        for (entry, row) in entries.iter().zip(rows(&table)) {
            let expected = [
                text(&entry["date"]).to_owned(),
                text(&entry["reference"]).to_owned(),
                entry["coupon_date"].as_str().unwrap_or_default().to_owned(),
                printed(text(&entry["principal"])),
                printed(text(&entry["amount"])),
            ];
            assert_eq!([&row[0], &row[2], &row[3], &row[4], &row[5]], expected.each_ref());
            assert_eq!(row[1].to_lowercase().replace(' ', "_"), text(&entry["occasion"]));
        }
        let table = page.table("Dates by what they are of");
        for (occasion, row) in ["coupon_date", "put_date", "maturity_date", "record_date"].iter().zip(rows(&table)) {
            let of: Vec<Value> = entries.iter().filter(|entry| entry["occasion"] == json!(occasion)).cloned().collect();
            assert_eq!(row[1..], [of.len().to_string(), summed(&of, "amount")], "{occasion}");
        }
    }
}
