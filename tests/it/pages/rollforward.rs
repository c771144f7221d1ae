//! The page of a rollforward: its lines, what stands beside them, its charts, and the ways to its other forms.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::document::{Page, Table, printed};
use super::{DEBT, check_row, page, rollforward};
use crate::renderings::books::kept;
use crate::support::client::{ISSUES, Service, array, on_both_engines, text};

on_both_engines! {
    every_figure_of_a_rollforward_is_on_its_page
    other_forms_of_a_rollforward_are_of_what_was_asked
}

const LABELS: [(&str, &str); 15] = [
    ("opening", "Opening balance"),
    ("closing", "Closing balance"),
    ("issuance", "Issuance"),
    ("opening_balance", "Balance taken over"),
    ("amortization", "Amortization"),
    ("coupon_accrued", "Coupon accrued"),
    ("coupon_paid", "Coupon paid"),
    ("prior_period_catch_up", "Catch-up of prior periods"),
    ("conversion", "Conversion under original terms"),
    ("induced_conversion", "Induced conversion"),
    ("repurchase", "Repurchase"),
    ("call", "Call by the issuer"),
    ("put", "Put by holders"),
    ("modification", "Modification of terms"),
    ("year_end_closing", "Year-end closing"),
];

fn label(line: &Value) -> String {
    let of = |name: &str| {
        let known = LABELS.iter().find(|(known, _)| *known == name).map(|(_, label)| (*label).to_owned());
        known.unwrap_or_else(|| name[..1].to_uppercase() + &name[1..])
    };
    let movement = of(text(&line["movement"]));
    match line["reverses_movement"].as_str() {
        Some(reversed) => format!("{movement}: {}", of(reversed).to_lowercase()),
        None => movement,
    }
}

const INCOME: [(&str, &str); 6] = [
    ("Coupon interest", "coupon_interest"),
    ("Amortization", "amortization"),
    ("Debt conversion expense", "debt_conversion_expense"),
    ("Loss on amendment of terms", "loss_on_amendment"),
    ("All expense", "expense"),
    ("Gain (loss)", "gain_loss"),
];
const EQUITY: [(&str, &str); 6] = [
    ("Cash received (paid)", "cash"),
    ("Shares issued", "shares"),
    ("Common stock", "common_stock"),
    ("Additional paid-in capital", "additional_paid_in_capital"),
    ("Treasury stock reissued", "treasury_stock"),
    ("All paid-in capital", "paid_in_capital"),
];

/// The lines as rows of these columns.
#[track_caller]
fn check_lines(lines: &[Value], rows: &[Vec<String>], table: &Table, columns: &[(&str, &str)]) {
    assert_eq!(rows.len(), lines.len());
    for (line, row) in lines.iter().zip(rows) {
        assert_eq!(row[0], label(line));
        check_row(line, table, row, columns);
    }
}

fn is_balance(line: &Value) -> bool {
    ["opening", "closing"].contains(&text(&line["movement"]))
}

async fn every_figure_of_a_rollforward_is_on_its_page(service: Service) {
    kept(&service).await;
    for (entity, currency) in
        [("ACME", "USD"), ("ACME", "JPY"), ("ACME", "KWD"), ("ACME", "CLF"), ("BETA", "USD"), ("GAMMA", "USD")]
    {
        let report = service.read(&rollforward(entity, currency)).await;
        let page = page(&service, &format!("{}&format=html", rollforward(entity, currency))).await;
        let total: Vec<&Value> = array(&report["total"]).iter().collect();
        let issues = array(&report["issues"]);
        for (kind, fields) in [("Debt", &DEBT[..]), ("Income and expense", &INCOME), ("Cash and equity", &EQUITY)] {
            let rows_of = |lines: &'_ Value| -> Vec<Value> {
                array(lines).iter().filter(|line| kind == "Debt" || !is_balance(line)).cloned().collect()
            };
            let table = page.table(&format!("{kind} of all issues"));
            let lines = rows_of(&report["total"]);
            check_lines(&lines, &table.groups[0].1, &table, fields);
            for (line, row) in lines.iter().zip(&table.groups[0].1) {
                let numbers: BTreeSet<&str> =
                    array(&line["batches"]).iter().map(|number| &text(number)[entity.len() + 1..]).collect();
                let shown = row.last().expect("the batches").split(' ').filter(|number| number.starts_with("20"));
                assert_eq!(shown.collect::<BTreeSet<_>>(), numbers);
            }
            let table = page.table(&format!("{kind} of each issue"));
            assert_eq!(table.groups.len(), issues.len());
            for (issue, (name, rows)) in issues.iter().zip(&table.groups) {
                assert!(name.as_ref().is_some_and(|name| name.starts_with(text(&issue["reference"]))));
                check_lines(&rows_of(&issue["lines"]), rows, &table, fields);
            }
        }
        let checks: Vec<Vec<String>> = array(&report["tie_out"])
            .iter()
            .map(|check| {
                let figures = ["left", "right", "difference"].map(|field| printed(text(&check[field])));
                assert_eq!(check["passed"], json!(true));
                [&[text(&check["check"]).to_owned()][..], &figures, &["passed".to_owned()]].concat()
            })
            .collect();
        assert_eq!(page.table("Checks of the total").groups[0].1, checks);
        assert!(page.text().contains(&format!("Yes: all {} checks passed.", checks.len())));
        let closing = printed(text(&total.last().expect("a closing line")["carrying_amount"]));
        let lead = format!("All issues in {currency} are carried at {closing} at the close of 2027-06-30");
        assert!(page.text().contains(&lead), "{lead}");
        check_bridge(&page, &total);
        check_beside(&service, &page, &report).await;
        check_lives(&service, &page, &report).await;
    }
}

const BESIDE_DEBT: [(&str, &str); 3] =
    [("Principal", "principal"), ("Carrying amount", "carrying_amount"), ("Interest payable", "interest_payable")];
const BESIDE_CASH: [(&str, &str); 3] =
    [("All expense", "expense"), ("Gain (loss)", "gain_loss"), ("Cash received (paid)", "cash")];

/// Each line of these days and of those before has a row, in which both stand.
#[track_caller]
fn check_beside_lines(both: [&Value; 2], table: &Table, rows: &[Vec<String>], (kind, fields): (&str, &[(&str, &str)])) {
    let lines = both.map(|lines| {
        let lines = lines.as_array().into_iter().flatten().filter(|line| kind == "Debt" || !is_balance(line));
        lines.map(|line| (label(line), line)).collect::<BTreeMap<_, _>>()
    });
    assert_eq!(
        rows.iter().map(|row| &row[0]).collect::<BTreeSet<_>>(),
        lines.iter().flat_map(BTreeMap::keys).collect::<BTreeSet<_>>()
    );
    for row in rows {
        for (name, field) in fields {
            for (lines, column) in lines.iter().zip([(*name).to_owned(), format!("{name}, before")]) {
                let expected = lines.get(&row[0]).map_or_else(|| printed("0"), |line| printed(text(&line[*field])));
                assert_eq!(table.cell(row, &column), Some(expected.as_str()), "{column} of {}", row[0]);
            }
        }
    }
}

/// The days before stand beside these, and interest beside what is expected of it.
async fn check_beside(service: &Service, page: &Page, report: &Value) {
    let before = &report["comparative"];
    for (kind, fields) in [("Debt", &BESIDE_DEBT), ("Expense and cash", &BESIDE_CASH)] {
        let [from, to] = ["from", "to"].map(|day| [text(&report[day]), text(&before[day])]);
        let days = format!("{} to {} beside {} to {}", from[0], to[0], from[1], to[1]);
        let beside = |of: &str| format!("{kind} beside the days before, of {of}: {days}");
        let table = page.table(&beside("all issues"));
        check_beside_lines([&report["total"], &before["total"]], &table, &table.groups[0].1, (kind, fields));
        let table = page.table(&beside("each issue"));
        assert_eq!(table.groups.len(), array(&report["issues"]).len());
        for (issue, (name, rows)) in array(&report["issues"]).iter().zip(&table.groups) {
            assert!(name.as_ref().is_some_and(|name| name.starts_with(text(&issue["reference"]))));
            let those = array(&before["issues"]).iter().find(|other| other["bond_issue"] == issue["bond_issue"]);
            check_beside_lines(
                [&issue["lines"], &those.unwrap_or(&Value::Null)["lines"]],
                &table,
                rows,
                (kind, fields),
            );
        }
    }
    let own = Page::of(&service.get(&page.link("Their own rollforward")).await);
    let facts = own.texts("dd");
    assert!(["from", "to"].iter().all(|day| facts.iter().any(|fact| fact == text(&before[*day]))), "{facts:?}");
    let interest = &report["interest_reasonableness"];
    if array(&interest["issues"]).is_empty() {
        return assert!(page.text().contains("There is no interest to look at."));
    }
    let rows = page.table("Interest expected and booked").groups.remove(0).1;
    let expected = array(&interest["issues"]).iter().map(|issue| (text(&issue["reference"]), issue));
    let expected: Vec<_> = expected.chain([("All issues", &interest["total"])]).collect();
    assert_eq!(rows.len(), expected.len());
    for (row, (name, of)) in rows.iter().zip(expected) {
        let fields = ["average_carrying_amount", "expected", "booked", "difference"];
        let verdict =
            if of["reasonable"] == json!(true) { "within a twentieth" } else { "more than a twentieth apart" };
        assert_eq!((&row[0][..], &row[6][..]), (name, verdict));
        assert_eq!(row[2..6], fields.map(|field| printed(text(&of[field]))));
        // The rate with its point two places further.
        let digits = |rate: &str| rate.replace(['.', '%'], "").trim_matches('0').to_owned();
        assert_eq!(digits(&row[1]), digits(of["effective_rate"].as_str().unwrap_or_default()));
    }
}

/// The bridge names each balance, and each movement that changes the carrying amount, with its figure.
fn check_bridge(page: &Page, total: &[&Value]) {
    let written = page.texts("figure.bridge svg text");
    for line in total {
        let figure = text(&line["carrying_amount"]);
        if is_balance(line) || printed(figure) != "\u{2013}" {
            assert!(written.contains(&label(line)) && written.contains(&printed(figure)), "{line} in {written:?}");
        }
    }
}

/// Each issue has a chart, whose figures are its carrying values by what was effective.
async fn check_lives(service: &Service, page: &Page, report: &Value) {
    let lives: Vec<_> =
        page.tables().into_iter().filter(|table| table.caption.contains("figures of the chart")).collect();
    assert_eq!(lives.len(), array(&report["issues"]).len().min(12));
    for issue in array(&report["issues"]) {
        let reference = text(&issue["reference"]);
        let start = format!("Carrying amount of {reference} over its life");
        let table = lives.iter().find(|table| table.caption.starts_with(&start)).expect("a chart of the issue");
        let rows = &table.groups[0].1;
        let terms = service.read(&format!("{ISSUES}/{}", text(&issue["bond_issue"]))).await;
        assert_eq!(rows.last().map(|row| row[0].as_str()), terms["maturity_date"].as_str());
        for row in rows.iter().filter(|row| row[0].as_str() < text(&terms["maturity_date"])) {
            let value = service.carrying_value(text(&issue["bond_issue"]), &row[0]).await;
            let expected = ["principal", "carrying_amount"].map(|field| printed(text(&value[field])));
            assert_eq!(row[3..], expected, "{reference} on {}", row[0]);
        }
    }
}

/// The links of a page to its other forms ask what the page was asked, the days beside it among it.
async fn other_forms_of_a_rollforward_are_of_what_was_asked(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({})).await;
    service.post("/v1/entities/ACME/periods/2025-02/close", &json!({})).await.done();
    let path = "/v1/entities/ACME/rollforward";
    for asked in ["period=2025-02&view=as_closed", "period=2025-02&view=current", "from=2025-02-01&to=2025-02-28"] {
        for beside in ["prior_year", "prior_period", "none", ""] {
            let said = if beside.is_empty() { String::new() } else { format!("&comparative={beside}") };
            let page = page(&service, &format!("{path}?{asked}{said}&format=html")).await;
            let expected = if beside.is_empty() { "prior_year" } else { beside };
            let links = ["JSON", "XLSX", "CSV"].map(|name| page.link(name));
            for link in &links {
                assert!(link.contains(asked) && link.contains(&format!("&comparative={expected}&")), "{link}");
                assert_eq!(service.get(link).await.status, 200, "{link}");
            }
            let report = service.read(&links[0]).await;
            let told = (!asked.ends_with("as_closed")).then_some(expected);
            assert_eq!(report["comparative_asked"].as_str(), told, "{asked}");
            let from = report["comparative"]["from"].as_str();
            let days = match expected {
                "prior_year" => Some("2024-02-01"),
                "prior_period" => Some("2025-01-01"),
                _ => None,
            };
            assert_eq!(from, days);
            assert_eq!(page.text().contains("Beside the days before"), days.is_some());
            assert_eq!(
                days.is_none(),
                !page.text().contains(&format!("The days before are those from {}", days.unwrap_or_default()))
            );
        }
    }
}
