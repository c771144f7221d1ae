//! Pages for people: what is on them is what the JSON says, and they are whole, safe and reachable.

mod access;
mod browser;
mod document;
mod notes;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use self::document::{Page, Table, printed};
use crate::renderings::books::{address, kept};
use crate::support::client::{ENTITIES, ISSUES, Service, all_accounts, array, mapping_path, on, on_both_engines, text};

on_both_engines! {
    every_figure_of_a_rollforward_is_on_its_page
    every_line_of_a_batch_is_on_its_page
    the_schedule_is_on_its_page_with_the_life_of_the_issue
    balances_are_on_their_pages
    the_start_page_leads_everywhere
    from_the_total_to_the_entry_behind_it_it_is_two_links
    whatever_a_text_holds_it_stays_a_text
    books_without_anything_are_shown_as_such
    what_blocks_a_close_and_what_changed_since_is_told
    other_forms_of_a_rollforward_are_of_what_was_asked
}

async fn page(service: &Service, path: &str) -> Page {
    Page::of(&service.get(path).await)
}

fn rollforward(entity: &str, currency: &str) -> String {
    format!("/v1/entities/{entity}/rollforward?from=2025-01-01&to=2027-06-30&currency={currency}")
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

const DEBT: [(&str, &str); 7] = [
    ("Principal", "principal"),
    ("Premium (discount)", "premium_discount"),
    ("Issue costs", "issue_costs"),
    ("Carrying amount", "carrying_amount"),
    ("Interest payable", "interest_payable"),
    ("Interest receivable", "interest_receivable"),
    ("Equity component", "equity_component"),
];
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

/// What is told of something stands in a row under these names. A column may be left out where it holds nothing at all.
#[track_caller]
fn check_row(of: &Value, table: &Table, row: &[String], columns: &[(&str, &str)]) {
    for (name, field) in columns {
        let figure = of[*field].as_str().unwrap_or("");
        match table.cell(row, name) {
            Some(cell) if figure.is_empty() => assert!(["", "\u{2013}"].contains(&cell), "{field} of {of}"),
            Some(cell) => assert_eq!(cell, printed(figure), "{field} of {of}"),
            None => assert!(figure.is_empty() || printed(figure) == "\u{2013}", "{field} of {of} is left out"),
        }
    }
}

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

async fn every_line_of_a_batch_is_on_its_page(service: Service) {
    let books = kept(&service).await;
    for batch in books.iter().flat_map(|book| &book.batches) {
        let page = page(&service, &format!("{}?format=html", address(batch))).await;
        let shown = page.text();
        for said in [&batch["number"], &batch["posting_date"], &batch["content_sha256"], &batch["recorded_at"]] {
            assert!(shown.contains(text(said)), "{said}");
        }
        let effects = page.table("What the batch does to the statements");
        let effects: Vec<&str> = effects.groups[0].1.iter().map(|row| row[1].as_str()).collect();
        let figures = ["assets", "liabilities", "equity", "net_income"];
        assert_eq!(effects, figures.map(|field| printed(text(&batch["statement_effects"][field]))));
        let table = page.table("Lines of each entry");
        assert_eq!(table.groups.len(), array(&batch["entries"]).len());
        for (entry, (group, rows)) in array(&batch["entries"]).iter().zip(&table.groups) {
            let group = group.as_ref().expect("a name");
            assert!(
                group.contains(text(&entry["description"])) && group.contains(text(&entry["reference"])),
                "{group}"
            );
            for (line, row) in array(&entry["lines"]).iter().zip(rows) {
                let amount = printed(text(&line["amount"]));
                let sides =
                    if line["side"] == json!("debit") { [amount, String::new()] } else { [String::new(), amount] };
                assert_eq!((&row[0], &row[3..5]), (&line["line"].to_string(), &sides[..]), "{line}");
                let account = line["account"].as_str().unwrap_or("no account yet");
                assert!(row[2].starts_with(account), "{line} {row:?}");
                assert!(row[2].contains(line["account_name"].as_str().unwrap_or_default()));
                assert_eq!(row[5], text(&line["memo"]).split_whitespace().collect::<Vec<_>>().join(" "));
                let derivation = &line["derivation"];
                assert!(row[6].contains(text(&derivation["rule"])) && row[6].contains(text(&derivation["paragraph"])));
                for figure in derivation["figures"].as_object().expect("figures").values() {
                    let figure = text(figure);
                    assert!(row[6].contains(figure) || row[6].contains(&printed(figure)), "{figure} in {row:?}");
                }
            }
            assert_eq!(rows.len(), array(&entry["lines"]).len());
        }
        let links = page.links();
        for (field, word) in [("reverses", "inverts the entries of"), ("reversed_by", "are inverted by")] {
            if let Some(other) = batch[field].as_str() {
                assert!(links.contains(&format!("/v1/journal-batches/{other}?format=html")) && shown.contains(word));
            }
        }
        if let Some(reason) = batch["acknowledgement"]["reason"].as_str() {
            assert!(shown.contains(reason));
        }
    }
}

async fn the_schedule_is_on_its_page_with_the_life_of_the_issue(service: Service) {
    kept(&service).await;
    for issue in service.all("/v1/bond-issues?limit=500").await {
        for query in ["principal=original", "principal=outstanding"] {
            let path = format!("{}?{query}", on(text(&issue["id"]), "schedule"));
            let schedule = service.read(&path).await;
            let page = page(&service, &format!("{path}&format=html")).await;
            let rows = page.table("A row a coupon period").groups.remove(0).1;
            assert_eq!(rows.len(), array(&schedule["rows"]).len());
            for (row, shown) in array(&schedule["rows"]).iter().zip(rows) {
                let figures = [
                    "coupon",
                    "interest_expense",
                    "amortization",
                    "premium_discount",
                    "issue_costs",
                    "carrying_amount",
                ];
                let expected =
                    [row["period"].to_string(), text(&row["start"]).to_owned(), text(&row["end"]).to_owned()];
                assert_eq!(
                    (&shown[..3], &shown[3..]),
                    (&expected[..], &figures.map(|field| printed(text(&row[field])))[..])
                );
            }
            assert_eq!(page.all("svg").len(), 1);
        }
    }
}

async fn balances_are_on_their_pages(service: Service) {
    kept(&service).await;
    for (entity, currency) in [("ACME", "USD"), ("ACME", "KWD"), ("BETA", "USD")] {
        let path = format!("/v1/entities/{entity}/trial-balance?as_of=2026-12-31&currency={currency}");
        let report = service.read(&path).await;
        let page = page(&service, &format!("{path}&format=html")).await;
        let rows = page.table("Trial balance at the close of 2026-12-31").groups.remove(0).1;
        let figures = |of: &Value, fields: &[&str]| -> Vec<String> {
            fields.iter().map(|field| printed(text(&of[field]))).collect()
        };
        assert_eq!(rows.len(), array(&report["rows"]).len() + 1);
        for (row, shown) in array(&report["rows"]).iter().zip(&rows) {
            assert_eq!(shown[2..], figures(row, &["debit", "credit", "balance"]), "{row}");
            assert!(shown[1].contains(row["account"].as_str().unwrap_or("no account yet")));
        }
        let total = rows.last().expect("a total");
        assert_eq!(
            (&total[0][..], &total[2..4]),
            ("All roles", &figures(&report, &["total_debit", "total_credit"])[..])
        );
    }
    for (entity, basis) in [("ACME", "effective"), ("BETA", "posted")] {
        let path = format!("/v1/entities/{entity}/carrying-values?as_of=2025-09-30&basis={basis}&limit=1");
        let mut page = page(&service, &format!("{path}&format=html")).await;
        let total = service.read(&path).await["total"].clone();
        for item in service.all(&path).await {
            let table = page.table("Carrying values at the close of 2025-09-30");
            let rows = &table.groups[0].1;
            check_row(&item, &table, &rows[0], &DEBT);
            check_row(&total, &table, &rows[1], &DEBT);
            let tied = if item["overdue"] == json!(true) { "Tied, overdue" } else { "Tied" };
            let said = ["Issue", "Ties to what is booked"].map(|column| table.cell(&rows[0], column));
            assert_eq!(said, [item["reference"].as_str(), Some(tied)]);
            if page.texts("a").iter().any(|link| link == "More issues") {
                page = self::page(&service, &page.link("More issues")).await;
            }
        }
    }
}

/// An address without ids and without the values in its query.
fn kind(address: &str) -> String {
    let (path, query) = address.split_once('?').unwrap_or((address, ""));
    let segments: Vec<&str> =
        path.split('/').map(|segment| if segment.contains('.') { "id" } else { segment }).collect();
    let asked = query.split('&').map(|pair| match pair.split_once('=') {
        Some((name, _)) if name != "format" => name,
        _ => pair,
    });
    format!("{}?{}", segments.join("/"), asked.collect::<Vec<_>>().join("&"))
}

/// The links of the start page, of the pages of entities, and of each kind of page that they lead to.
async fn the_start_page_leads_everywhere(service: Service) {
    kept(&service).await;
    service.post("/v1/entities/ACME/periods/2025-01/close", &json!({})).await.done();
    let layout =
        json!({"columns": [{"header": "Account", "field": "account"}, {"header": "Amount", "field": "amount"}]});
    let layout = service.put("/v1/entities/ACME/layouts/ledger", &layout).await;
    assert!(layout.status < 300);
    let start = page(&service, "/").await;
    assert_eq!(start.texts("tbody th"), ["Acme Ferries & Sons, Inc.", "Beta Harbours plc", "Gamma Cables"]);
    let (mut known, mut kinds, mut pages) = (BTreeSet::new(), BTreeMap::new(), vec![start]);
    while let Some(from) = pages.pop() {
        for address in from.links() {
            // A few of each kind: an address without its ids and what is asked of it.
            let seen = kinds.entry(kind(&address)).or_insert(0);
            if *seen == 8 || !known.insert(address.clone()) {
                continue;
            }
            *seen += 1;
            // A form needs what is typed into it.
            let days = "from=2025-01-01&to=2025-01-31&format=html&currency=USD";
            let typed = [
                ("/rollforward", days.to_owned()),
                ("/disclosures", "period_from=2025-01-01&as_of=2025-01-31&format=html&share_price=40".to_owned()),
                (
                    "/if-converted",
                    format!("{days}&tax_rate=0.25&average_share_price=40&income=1&weighted_average_shares=1"),
                ),
            ];
            let typed = typed.iter().find(|(action, _)| address.ends_with(action));
            let asked = typed.map_or_else(|| address.clone(), |(_, typed)| format!("{address}?{typed}"));
            let answer = service.get(&asked).await;
            assert_eq!(answer.status, 200, "{asked}: {}", String::from_utf8_lossy(&answer.bytes));
            if answer.header("content-type").starts_with("text/html") && !asked.starts_with("/docs") {
                pages.push(Page::of(&answer));
            }
        }
    }
    let has = |part: &str| assert!(known.iter().any(|address| address.contains(part)), "{part} in {known:?}");
    for part in [
        "rollforward?period=2025-01&view=as_closed&format=html",
        "&format=csv",
        "&format=ics",
        "format=xlsx",
        "format=xbrl-gl",
        "layout=ledger",
        "/layouts/ledger",
        "/docs/",
        "/trial-balance?",
        "/disclosures?",
        "/if-converted?",
        "/forecast?",
        "/calendar?",
        "/releases?",
        "/open-releases",
        "/sample-batches",
        "/carrying-value?",
        "/classification?",
        "/events",
        "/schedule?principal=outstanding&format=html",
        "currency=CLF",
    ] {
        has(part);
    }
    for report in ["/disclosures?", "/if-converted?", "/forecast?", "/calendar?"] {
        let is_page = |address: &String| address.contains(report) && address.ends_with("format=html");
        assert!(known.iter().any(is_page), "a page of {report} in {known:?}");
    }
}

async fn from_the_total_to_the_entry_behind_it_it_is_two_links(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"effective_date": "2025-04-15", "principal": "100000.00"});
    service.record(&issue, "conversions", body).await;
    let start = page(&service, "/").await;
    assert!(start.text().contains("Bond issues of ACME Ferries, Inc."), "one entity needs no list");
    assert!(page(&service, &start.link("page")).await.text().contains("All issues in USD are carried at"));
    let year = page(&service, &format!("{}&format=html", rollforward("ACME", "USD"))).await;
    let table = year.table("Debt of all issues");
    let row = table.groups[0].1.iter().find(|row| row[0] == "Conversion under original terms").expect("the movement");
    let batch = page(&service, &year.link(row.last().expect("its batch"))).await;
    let entry = batch.table("Lines of each entry").groups.pop().expect("an entry");
    assert!(entry.0.is_some_and(|name| name.contains("Conversion") && name.contains("CB-1")));
    assert!(
        entry.1.iter().any(|line| line[1].starts_with("Bonds payable") && line[3] == "100,000.00"),
        "{:?}",
        entry.1
    );
}

async fn whatever_a_text_holds_it_stays_a_text(service: Service) {
    let hostile = "<script>alert(1)</script>\"'&amp;<b onclick=x>";
    let entity = json!({"code": "ACME", "name": hostile, "functional_currency": "USD", "framework": "us_gaap",
        "fiscal_year_end": "12-31"});
    service.post(ENTITIES, &entity).await.created();
    let mut accounts = all_accounts();
    accounts["accounts"]["cash"] = json!({"account": hostile, "name": hostile, "dimensions": {"bank": hostile}});
    service.put(&mapping_path("ACME", "2000-01-01"), &accounts).await.done();
    let long = format!("{hostile} {}", "x".repeat(60));
    let issue = service.issue(json!({"reference": long})).await;
    let waivers = json!({"waivers": [{"bond_issue": issue, "expected": "coupon_payment", "date": "2025-07-15",
        "reason": hostile, "name": hostile}]});
    service.post("/v1/entities/ACME/periods/2025-07/close", &waivers).await.done();
    let reopening = json!({"reason": hostile, "name": hostile});
    service.post("/v1/entities/ACME/periods/2025-07/reopen", &reopening).await.done();
    let batch = service.batches().await.remove(0);
    // Each page is looked at for elements and attributes that are not its own as it is read.
    for path in [
        "/".to_owned(),
        "/v1/entities/ACME/rollforward?period=2025-07&view=current&format=html".to_owned(),
        format!("{}?format=html", address(&batch)),
        format!("{}?format=html", on(&issue, "schedule")),
    ] {
        assert!(page(&service, &path).await.text().contains(hostile), "{path}");
    }
}

async fn books_without_anything_are_shown_as_such(service: Service) {
    assert!(page(&service, "/").await.text().contains("There are no entities yet."));
    service.entity("ACME").await;
    let start = page(&service, "/").await.text();
    for said in ["There is no issue in USD yet.", "Nothing is posted yet.", "None is closed yet."] {
        assert!(start.contains(said), "{said} in {start}");
    }
    let report = page(&service, &format!("{}&format=html", rollforward("ACME", "USD"))).await;
    assert!(report.text().contains("There is no issue in USD yet."));
    assert_eq!(report.all("svg").len(), 1);
    service.get("/?entity=NONE").await.problem(404, "not_found");
    service.get("/?currency=USD").await.problem(400, "malformed_query");
    service.get("/?entity=ACME&currency=XXY").await.problem(400, "malformed_query");
    service.get("/?entities=ACME").await.problem(400, "unknown_query_parameter");
    let many: Vec<String> = (0..101).map(|at| format!("E{at:03}")).collect();
    for code in &many {
        service.entity(code).await;
    }
    let first = page(&service, "/").await;
    let second = page(&service, &first.link("More entities")).await;
    assert_eq!((first.texts("tbody tr").len(), second.texts("tbody tr").len()), (100, 2));
}

async fn what_blocks_a_close_and_what_changed_since_is_told(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.post("/v1/entities/ACME/periods/2025-02/close", &json!({})).await.done();
    let late = json!({"effective_date": "2025-02-10", "principal": "100000.00"});
    service.record(&issue, "conversions", late).await;
    let report = page(&service, "/v1/entities/ACME/rollforward?period=2025-02&view=current&format=html").await;
    let table = report.table("What was recorded since the close");
    let expected = service.read("/v1/entities/ACME/rollforward?period=2025-02&view=current").await;
    let expected = array(&expected["changed_since_close"]);
    assert_eq!(table.groups[0].1.len(), expected.len());
    for (change, row) in expected.iter().zip(&table.groups[0].1) {
        check_row(&change["amounts"], &table, row, &DEBT);
        assert!(row[0].ends_with(&text(&change["batch"])[5..]) && row[1] == "CB-1");
    }
    let as_closed = service.get("/v1/entities/ACME/rollforward?period=2025-02&view=as_closed&format=html").await;
    assert!(Page::of(&as_closed).text().contains("2025-02, as it was closed"));
    let again = service.get("/v1/entities/ACME/rollforward?period=2025-02&view=as_closed&format=html").await;
    assert!(as_closed.bytes == again.bytes);
    let start = page(&service, "/").await;
    assert!(start.text().contains("Closed through 2025-02-28."), "{}", start.text());
    assert!(start.text().contains("What blocks the close of 2025-03"));
    for period in ["2025-03", "2025-04", "2025-05", "2025-06"] {
        service.post(&format!("/v1/entities/ACME/periods/{period}/close"), &json!({})).await.done();
    }
    let start = page(&service, "/").await;
    let blocks = start.table("What stands in the way of closing 2025-07").groups.remove(0).1;
    let found = service.read("/v1/entities/ACME/periods/2025-07").await;
    assert_eq!(blocks.len(), array(&found["in_the_way"]).len());
    assert_eq!(blocks[0][0], "A coupon payment is expected");
    assert_eq!(blocks[0][4], printed(text(&found["in_the_way"][0]["amount"])));
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
