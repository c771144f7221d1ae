//! Pages for people: what is on them is what the JSON says, and they are whole, safe and reachable.

mod access;
mod browser;
mod disclosures;
mod document;
mod if_converted;
mod outlook;
mod rollforward;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use self::document::{Page, Table, printed};
use crate::renderings::books::{address, kept};
use crate::support::client::{ENTITIES, Service, all_accounts, array, mapping_path, on, on_both_engines, text};

on_both_engines! {
    every_line_of_a_batch_is_on_its_page
    the_schedule_is_on_its_page_with_the_life_of_the_issue
    balances_are_on_their_pages
    the_start_page_leads_everywhere
    from_the_total_to_the_entry_behind_it_it_is_two_links
    whatever_a_text_holds_it_stays_a_text
    books_without_anything_are_shown_as_such
    what_blocks_a_close_and_what_changed_since_is_told
    days_without_anything_are_told_of_as_such
}

async fn page(service: &Service, path: &str) -> Page {
    Page::of(&service.get(path).await)
}

/// The other forms of a page ask what the page was asked: the JSON is the same to the byte.
async fn check_that_json_is_the_same(service: &Service, page: &Page, path: &str) -> Value {
    let report = service.get(path).await;
    report.done();
    assert!(service.get(&page.link("JSON")).await.bytes == report.bytes, "{}", page.link("JSON"));
    report.json()
}

fn rollforward(entity: &str, currency: &str) -> String {
    format!("/v1/entities/{entity}/rollforward?from=2025-01-01&to=2027-06-30&currency={currency}")
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
