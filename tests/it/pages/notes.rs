//! The pages of disclosures, of if-converted inputs and of what lies ahead: what their JSON says is on them.

use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::document::{Page, Table, printed};
use super::{DEBT, check_row, page};
use crate::renderings::books::kept;
use crate::support::client::{Service, array, items, on_both_engines, text};

on_both_engines! {
    every_figure_of_disclosures_is_on_their_page
    what_was_posted_late_is_on_the_page_with_its_batches
    if_converted_inputs_are_on_their_page
    a_forecast_is_on_its_page
    a_calendar_is_on_its_page
    days_without_anything_are_told_of_as_such
}

/// A figure that may be null, as it is printed.
fn shown(figure: &Value, instead: &str) -> String {
    figure.as_str().map_or_else(|| instead.to_owned(), printed)
}

/// The other forms of a page ask what the page was asked: the JSON is the same to the byte.
async fn check_that_json_is_the_same(service: &Service, page: &Page, path: &str) -> Value {
    let report = service.get(path).await;
    report.done();
    assert!(service.get(&page.link("JSON")).await.bytes == report.bytes, "{}", page.link("JSON"));
    report.json()
}

fn rows(table: &Table) -> &[Vec<String>] {
    assert_eq!(table.groups.len(), 1);
    &table.groups[0].1
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

async fn days_without_anything_are_told_of_as_such(service: Service) {
    service.entity("ACME").await;
    let of = |what: &str| format!("/v1/entities/ACME/{what}&format=html");
    for (path, said) in [
        ("disclosures?period_from=2025-01-01&as_of=2025-12-31", "There is no issue in USD"),
        ("if-converted?from=2025-01-01&to=2025-12-31&tax_rate=0", "There is no convertible issue in USD"),
        ("forecast?from=2025-01-01&to=2025-12-31", "There is no issue in USD"),
        ("calendar?from=2025-01-01&to=2025-12-31", "There is none from 2025-01-01"),
    ] {
        assert!(page(&service, &of(path)).await.text().contains(said), "{path}");
        // A browser asks for pages; who says nothing gets JSON.
        let path = of(path).replace("&format=html", "");
        let by_accept = service.read_as(&path, "application/json").await;
        assert_eq!(by_accept["entity"], json!("ACME"));
        let headers = [("accept", "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8")];
        let answer = service.send(axum::http::Method::GET, &path, &headers, axum::body::Body::empty()).await;
        Page::of(&answer);
    }
}
