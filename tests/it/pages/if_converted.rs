//! The page of if-converted inputs.

use serde_json::json;

use super::document::{printed, rows, shown};
use super::{check_row, check_that_json_is_the_same, page};
use crate::renderings::books::kept;
use crate::support::client::{Service, array, on_both_engines, text};

on_both_engines! {
    if_converted_inputs_are_on_their_page
}

async fn if_converted_inputs_are_on_their_page(service: Service) {
    kept(&service).await;
    let days = "from=2025-01-01&to=2025-12-31";
    for (entity, asked) in [
        ("ACME", format!("{days}&tax_rate=0.25&average_share_price=60&income=1000000&weighted_average_shares=500000")),
        ("ACME", format!("{days}&tax_rate=0.25")),
        ("ACME", format!("{days}&tax_rate=0&currency=KWD")),
        ("BETA", format!("{days}&tax_rate=0.3&average_share_price=60.5&income=1&weighted_average_shares=20000000")),
    ] {
        let path = format!("/v1/entities/{entity}/if-converted?{asked}");
        let page = page(&service, &format!("{path}&format=html")).await;
        let report = check_that_json_is_the_same(&service, &page, &path).await;
        let items = array(&report["items"]);
        let said = page.text();
        assert_eq!(said.contains("Not complete."), !array(&report["missing"]).is_empty());
        if items.is_empty() {
            assert!(said.contains("There is no convertible issue in KWD in these days."));
            continue;
        }
        let table = page.table("What is added to income and to shares");
        assert_eq!(rows(&table).len(), items.len());
        for (item, row) in items.iter().zip(rows(&table)) {
            assert_eq!(row[0], text(&item["reference"]));
            let columns = [
                ("Interest expense", "interest_expense"),
                ("Inducement expense", "inducement_expense"),
                ("Added back before tax", "add_back_before_tax"),
                ("Added back after tax", "add_back_after_tax"),
            ];
            check_row(item, &table, row, &columns);
            let shares = shown(&item["incremental_shares"], "needs the share price");
            assert_eq!(table.cell(row, "Incremental shares"), Some(shares.as_str()));
            let of_share = shown(&item["per_incremental_share"], "");
            assert_eq!(table.cell(row, "Added back for a share"), Some(of_share.as_str()));
            let words = |name: &str| name.replace('_', " ").to_lowercase();
            let method = table.cell(row, "Method").map(str::to_lowercase).unwrap_or_default();
            for name in array(&item["flags"]).iter().chain([&item["method"]]) {
                assert!(method.contains(&words(text(name))), "{name} in {method}");
            }
            assert_eq!(table.cell(row, "Bonds").map(str::to_lowercase).as_deref(), item["bonds"].as_str());
        }
        let table = page.table("Days on which the same principal was outstanding");
        let spanned: Vec<_> = items.iter().filter(|item| !array(&item["spans"]).is_empty()).collect();
        assert_eq!(table.groups.len(), spanned.len());
        for (item, (_, rows)) in spanned.iter().zip(&table.groups) {
            for (span, row) in array(&item["spans"]).iter().zip(rows) {
                let shares = shown(&span["shares"], "needs the share price");
                let figures = ["principal", "shares_per_denomination"].map(|field| printed(text(&span[field])));
                assert_eq!(row[2..], [&[span["days"].to_string()][..], &figures, &[shares]].concat());
            }
        }
        let earnings = &report["earnings_per_share"];
        assert_eq!(earnings.is_null(), !said.contains("Diluted earnings per share are"));
        if earnings.is_null() {
            continue;
        }
        let table = page.table("Earnings per share from basic to diluted");
        let (basic, steps) = rows(&table).split_first().expect("basic ones");
        assert_eq!(basic[6], printed(text(&earnings["basic"])));
        let (diluted, steps) = steps.split_last().expect("diluted ones");
        assert_eq!(diluted[6], printed(text(&earnings["diluted"])));
        assert_eq!(steps.len(), array(&earnings["sequence"]).len());
        for (step, row) in array(&earnings["sequence"]).iter().zip(steps) {
            let fields = ["income", "shares", "earnings_per_share"].map(|field| printed(text(&step[field])));
            assert_eq!(row[4..], fields);
            assert_eq!(row[2], printed(text(&step["per_incremental_share"])));
            assert_eq!(row[3] == "Yes", step["dilutive"] == json!(true));
        }
    }
}
