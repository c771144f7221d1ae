//! The page of disclosures: each figure, and each event with its batches.

use serde_json::{Value, json};

use super::document::{Page, Table, printed, rows, shown};
use super::{DEBT, check_row, check_that_json_is_the_same, page};
use crate::renderings::books::kept;
use crate::support::client::{Service, array, items, on_both_engines, text};

on_both_engines! {
    every_figure_of_disclosures_is_on_their_page
    what_was_posted_late_is_on_the_page_with_its_batches
}

/// Each item has a row that begins with its reference, and the total the last one.
#[track_caller]
fn check_each(
    report: &Value,
    table: &Table,
    figures: impl Fn(&Value) -> Value,
    columns: &[(&str, &str)],
    is_summed: bool,
) {
    let named = array(&report["items"]).iter().map(|item| (text(&item["reference"]), item));
    let named: Vec<_> = named.chain(is_summed.then_some(("All issues", &report["total"]))).collect();
    let named: Vec<_> =
        named.into_iter().map(|(name, of)| (name, figures(of))).filter(|(_, of)| !of.is_null()).collect();
    assert_eq!(rows(table).len(), named.len(), "{}", table.caption);
    for ((name, of), row) in named.iter().zip(rows(table)) {
        assert_eq!(row[0], *name);
        check_row(of, table, row, columns);
    }
}

const INTEREST: [(&str, &str); 6] = [
    ("Contractual interest", "contractual"),
    ("Amortization of premium (discount)", "amortization_of_premium_discount"),
    ("Amortization of issue costs", "amortization_of_issue_costs"),
    ("Modifications and estimates", "other"),
    ("Interest expense", "interest_expense"),
    ("Inducement expense", "inducement_expense"),
];
const CASH: [(&str, &str); 5] = [
    ("Proceeds", "proceeds"),
    ("Interest paid", "interest_paid"),
    ("Paid for bonds", "paid_for_bonds"),
    ("of it costs", "extinguishment_costs_paid"),
    ("Cash paid at conversions", "cash_paid_at_conversions"),
];
const WITHOUT_CASH: [(&str, &str); 4] = [
    ("Amortization", "noncash_amortization"),
    ("Inducement expense", "inducement_expense"),
    ("Gain (loss) on extinguishment", "gain_loss_on_extinguishment"),
    ("Converted without cash", "noncash_conversions"),
];
const CONVERTED: [(&str, &str); 5] = [
    ("Principal", "principal"),
    ("Carrying amount", "carrying_amount"),
    ("Shares issued", "shares"),
    ("Credited to capital", "credited_to_capital"),
    ("Cash paid", "cash_paid"),
];
const OPTION: [(&str, &str); 6] = [
    ("Shares per denomination", "shares_per_denomination"),
    ("Conversion price", "conversion_price"),
    ("Shares issuable", "shares_issuable"),
    ("Shares to reserve", "shares_to_reserve"),
    ("If-converted value", "if_converted_value"),
    ("Excess over principal", "excess_over_principal"),
];
const NOTED: [(&str, &str); 6] = [
    ("Principal", "principal"),
    ("Carrying amount", "carrying_amount"),
    ("Shares issued", "shares_issued"),
    ("Consideration", "consideration"),
    ("Inducement expense", "inducement_expense"),
    ("Gain (loss)", "gain_loss"),
];
const SURRENDERED: [(&str, &str); 6] = [
    ("Principal", "principal"),
    ("Premium (discount)", "premium_discount"),
    ("Issue costs", "issue_costs"),
    ("Carrying amount", "carrying_amount"),
    ("Interest payable", "interest"),
    ("Equity component", "equity_component"),
];

async fn every_figure_of_disclosures_is_on_their_page(service: Service) {
    kept(&service).await;
    let issue = items(&service.read("/v1/bond-issues?entity=ACME&limit=500").await).remove(0);
    let valued = format!("&fair_values={}:2:950000.00&share_price=62.5", text(&issue["id"]));
    let mut unsettled = 0;
    for (entity, asked) in [
        ("ACME", format!("period_from=2025-01-01&as_of=2025-12-31{valued}")),
        ("ACME", "period_from=2025-04-01&as_of=2025-05-31".to_owned()),
        ("ACME", "period_from=2026-01-01&as_of=2027-06-30".to_owned()),
        ("ACME", "period_from=2025-01-01&as_of=2025-02-28&currency=KWD".to_owned()),
        ("BETA", "period_from=2025-01-01&as_of=2025-12-31&share_price=55".to_owned()),
    ] {
        let path = format!("/v1/entities/{entity}/disclosures?{asked}");
        let page = page(&service, &format!("{path}&format=html")).await;
        let report = check_that_json_is_the_same(&service, &page, &path).await;
        assert_eq!(service.get(&page.link("CSV")).await.bytes, service.get(&format!("{path}&format=csv")).await.bytes);
        check_totals(&page, &report);
        check_issues(&page, &report);
        check_events(&service, &page, &report).await;
        unsettled += array(&report["notices_not_settled"]).len();
        let rollforward = Page::of(&service.get(&page.link("rollforward of the period")).await);
        let carried = printed(text(&report["total"]["debt"]["carrying_amount"]));
        assert!(page.text().contains(&format!("are carried at {carried} at the close of")));
        assert!(!rollforward.tables().is_empty());
    }
    assert_eq!(unsettled, 1, "a notice of the surrendered bonds");
}

fn check_totals(page: &Page, report: &Value) {
    let total = &report["total"];
    let table = page.table("Debt of all issues");
    let parts = [
        ("All debt", "debt", &DEBT[..]),
        ("of it current", "current", &DEBT[..4]),
        ("of it non-current", "non_current", &DEBT[..4]),
        ("of it surrendered for conversion", "surrendered", &SURRENDERED),
    ];
    let parts = parts.into_iter().filter(|(_, field, _)| !total[*field].is_null()).collect::<Vec<_>>();
    assert_eq!(rows(&table).len(), parts.len());
    for ((name, field, columns), row) in parts.iter().zip(rows(&table)) {
        assert_eq!(row[0], *name);
        check_row(&total[*field], &table, row, columns);
    }
    let figures = |caption: &str| rows(&page.table(caption)).iter().map(|row| row[1].clone()).collect::<Vec<_>>();
    let of =
        |of: &Value, fields: &[&str]| fields.iter().map(|field| shown(&of[*field], "not known")).collect::<Vec<_>>();
    let interest =
        ["contractual", "amortization_of_premium_discount", "amortization_of_issue_costs", "other", "interest_expense"];
    assert_eq!(figures("Interest of all issues"), of(&total["interest"], &interest));
    let inducement = printed(text(&total["interest"]["inducement_expense"])).replace('\u{2013}', "nothing");
    assert!(page.text().contains(&format!("which is no interest: {inducement}.")));
    let flows = [
        "proceeds",
        "interest_paid",
        "paid_for_bonds",
        "accreted_interest_repaid",
        "extinguishment_costs_paid",
        "cash_paid_at_conversions",
        "noncash_amortization",
        "inducement_expense",
        "gain_loss_on_extinguishment",
        "noncash_conversions",
    ];
    assert_eq!(total["cash_flows"].as_object().map(serde_json::Map::len), Some(flows.len()));
    assert_eq!(figures("Cash flows of all issues"), of(&total["cash_flows"], &flows));
    let years = array(&total["maturities"]).iter();
    let years =
        years.map(|year| vec![year["through"].as_str().unwrap_or("later").to_owned(), printed(text(&year["amount"]))]);
    let table = page.table("Maturities of all issues");
    assert_eq!(rows(&table).iter().map(|row| row[1..].to_vec()).collect::<Vec<_>>(), years.collect::<Vec<_>>());
    let bands = array(&total["payments"]).iter().zip(array(&report["payment_bands"]));
    let bands = bands.map(|(of, band)| {
        let through = band["through"].as_str().unwrap_or("later").to_owned();
        let figures = ["interest", "principal", "total"].map(|field| printed(text(&of[field])));
        [vec![through], figures.to_vec()].concat()
    });
    let table = page.table("Undiscounted payments of all issues");
    assert_eq!(rows(&table).iter().map(|row| row[1..].to_vec()).collect::<Vec<_>>(), bands.collect::<Vec<_>>());
    let table = page.table("Conversions of all issues");
    for (row, field) in rows(&table).iter().zip(["contractual_conversions", "induced_conversions"]) {
        check_row(&total[field], &table, row, &CONVERTED);
    }
}

fn check_issues(page: &Page, report: &Value) {
    let part = |name: &'static str| move |of: &Value| of[name].clone();
    check_each(report, &page.table("Debt of each issue"), part("debt"), &DEBT, true);
    check_each(report, &page.table("Interest of each issue"), part("interest"), &INTEREST, true);
    check_each(report, &page.table("Cash paid and received of each issue"), part("cash_flows"), &CASH, true);
    check_each(report, &page.table("What moved without cash of each issue"), part("cash_flows"), &WITHOUT_CASH, true);
    let has = |of: &dyn Fn(&Value) -> bool| array(&report["items"]).iter().any(of);
    for (caption, field, columns, is_summed) in [
        ("Current debt of each issue", "current", &DEBT[..4], !report["total"]["current"].is_null()),
        ("Non-current debt of each issue", "non_current", &DEBT[..4], !report["total"]["current"].is_null()),
        ("Surrendered for conversion and not settled", "surrendered", &SURRENDERED, true),
        ("What a conversion of each issue would give", "conversion", &OPTION, false),
        ("Fair values as they were entered", "fair_value", &[("Fair value", "amount")], false),
    ] {
        if has(&|item| !item[field].is_null()) {
            check_each(report, &page.table(caption), part(field), columns, is_summed);
        } else {
            assert!(!page.tables().iter().any(|table| table.caption.starts_with(caption)), "{caption}");
        }
    }
    let accreted = page.table("Cash paid and received of each issue");
    let year = page.table("Maturities of each issue");
    let terms = page.table("Terms and rates of each issue");
    let payments = page.table("Undiscounted payments of each issue");
    for (at, item) in array(&report["items"]).iter().enumerate() {
        let row = &rows(&accreted)[at];
        let repaid = shown(&item["cash_flows"]["accreted_interest_repaid"], "not known");
        assert_eq!(accreted.cell(row, "of it accreted interest"), Some(repaid.as_str()));
        let amounts: Vec<String> =
            array(&item["maturities"]).iter().map(|year| printed(text(&year["amount"]))).collect();
        assert_eq!(rows(&year)[at][1..], amounts);
        let row = &rows(&terms)[at];
        let said = ["Maturity", "Amortized through", "Remaining years"].map(|column| terms.cell(row, column));
        let fields = ["maturity_date", "amortized_through", "remaining_years"].map(|field| item[field].as_str());
        assert_eq!(said, fields);
        // Rates with their points two places further.
        let digits = |rate: &str| rate.replace(['.', '%'], "").trim_matches('0').to_owned();
        let rate = &item["effective_rate"];
        let rates =
            [&item["coupon_rate"], &rate["nominal_annual"], &rate["effective_annual"], &rate["gross_nominal_annual"]];
        assert_eq!(row[2..6].iter().map(|rate| digits(rate)).collect::<Vec<_>>(), rates.map(|rate| digits(text(rate))));
        let (name, bands) = &payments.groups[at];
        assert_eq!(name.as_deref(), item["reference"].as_str());
        for (of, row) in array(&item["payments"]).iter().zip(bands) {
            check_row(of, &payments, row, &[("Interest", "interest"), ("Principal", "principal"), ("Total", "total")]);
        }
    }
    let converting = array(&report["items"]).iter().flat_map(|item| {
        ["contractual_conversions", "induced_conversions"].map(|kind| (text(&item["reference"]), &item[kind]))
    });
    let converting: Vec<_> = converting
        .filter(|(_, of)| CONVERTED.iter().any(|(_, field)| printed(text(&of[*field])) != "\u{2013}"))
        .collect();
    if !converting.is_empty() {
        let table = page.table("Conversions of each issue that had some");
        assert_eq!(rows(&table).len(), converting.len());
        for ((reference, of), row) in converting.iter().zip(rows(&table)) {
            assert_eq!(row[0], *reference);
            check_row(of, &table, row, &CONVERTED);
        }
    }
}

/// Each event with its figures, and with every batch that the list of events has for it.
async fn check_events(service: &Service, page: &Page, report: &Value) {
    let links = page.links();
    for (caption, section) in [
        ("Conversions, inducements, extinguishments", "events_of_period"),
        ("Events effective after", "subsequent_events"),
        ("Received and not settled", "notices_not_settled"),
    ] {
        let events = array(&report[section]);
        if events.is_empty() {
            assert!(!page.tables().iter().any(|table| table.caption.starts_with(caption)));
            continue;
        }
        let table = page.table(caption);
        assert_eq!(rows(&table).len(), events.len());
        for (event, row) in events.iter().zip(rows(&table)) {
            assert_eq!(table.cell(row, "Issue"), event["reference"].as_str());
            let date = event["effective_date"].as_str().or(event["conversion_date"].as_str());
            assert_eq!(Some(row[0].as_str()), date);
            if section == "notices_not_settled" {
                check_row(event, &table, row, &NOTED[..2]);
                assert_eq!(
                    table.cell(row, "Settled later, on"),
                    Some(event["settled_on"].as_str().unwrap_or_default())
                );
            } else {
                check_row(event, &table, row, &NOTED);
            }
            let recorded =
                service.all(&format!("/v1/bond-issues/{}/events?limit=500", text(&event["bond_issue"]))).await;
            let recorded = recorded.into_iter().find(|other| other["id"] == event["event"]).expect("the event");
            let batches = array(&recorded["journal_batches"]);
            let shown =
                table.cell(row, "Journal batches").expect("batches").split(' ').filter(|number| !number.is_empty());
            assert_eq!(shown.count(), batches.len());
            for batch in batches {
                assert!(links.contains(&format!("/v1/journal-batches/{}?format=html", text(batch))), "{event}");
            }
        }
    }
}

async fn what_was_posted_late_is_on_the_page_with_its_batches(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "970000.00"})).await;
    service.post("/v1/entities/ACME/periods/2025-02/close", &json!({})).await.done();
    service.record(&issue, "conversions", json!({"effective_date": "2025-02-10", "principal": "100000.00"})).await;
    let path = "/v1/entities/ACME/disclosures?period_from=2025-03-01&as_of=2025-03-31";
    let page = page(&service, &format!("{path}&format=html")).await;
    let report = check_that_json_is_the_same(&service, &page, path).await;
    let entries = array(&report["prior_period_entries"]);
    assert!(!entries.is_empty());
    let (debt, others) =
        (page.table("Debt of what was posted"), page.table("Income, capital and cash of what was posted"));
    assert_eq!((rows(&debt).len(), rows(&others).len()), (entries.len(), entries.len()));
    for ((entry, debt_row), row) in entries.iter().zip(rows(&debt)).zip(rows(&others)) {
        check_row(&entry["amounts"], &debt, debt_row, &DEBT);
        let columns = [
            ("Expense", "expense"),
            ("Gain (loss)", "gain_loss"),
            ("Paid-in capital", "paid_in_capital"),
            ("Cash received (paid)", "cash"),
        ];
        check_row(entry, &others, row, &columns);
        for row in [debt_row, row] {
            assert_eq!([row[0].as_str(), &row[1]], [text(&entry["effective_date"]), text(&entry["posting_date"])]);
            assert!(text(&entry["batch"]).ends_with(&row[4]) && row[3] == "CB-1");
            let batch = Page::of(&service.get(&page.link(&row[4])).await);
            assert!(batch.text().contains(text(&entry["batch"])));
        }
    }
}
