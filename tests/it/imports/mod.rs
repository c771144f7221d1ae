//! Imports as a process makes them: from the command line, beside a service that runs, and killed on the way.

mod long;

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::crash::{Client, verify};
use crate::support::postgres;
use crate::support::process::{self, Process};

const ENTITY: &str = "ROPE";

/// A database, and a directory for files to import.
struct Books {
    url: String,
    directory: tempfile::TempDir,
}

impl Books {
    fn sqlite() -> Books {
        let directory = tempfile::tempdir().expect("a directory");
        Books { url: format!("sqlite:{}", directory.path().join("books.sqlite").display()), directory }
    }

    async fn postgres() -> Option<Books> {
        let url = postgres::server()?.create_database().await;
        Some(Books { url, directory: tempfile::tempdir().expect("a directory") })
    }

    async fn serve(&self) -> (Process, Client) {
        let process = Process::serve(&self.url, "off");
        let client = Client::new(process.address());
        client.open_entity(ENTITY).await;
        (process, client)
    }

    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.directory.path().join(name);
        std::fs::write(&path, text).expect("a file");
        path
    }

    /// `parwright import`, with a report in a file: whether all is recorded, what it said, and the report.
    fn import(&self, file: &Path, mode: &str) -> (bool, String, Vec<Value>) {
        let report = self.directory.path().join("report");
        let run = process::run(self.arguments(file, mode, &report));
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(run.stdout.is_empty(), "the report is in the file");
        let report = std::fs::read_to_string(report).expect("a report");
        (run.status.success(), said, report.lines().map(json_of).collect())
    }

    fn arguments(&self, file: &Path, mode: &str, report: &Path) -> Vec<String> {
        let path = |path: &Path| path.display().to_string();
        let options = ["--entity", ENTITY, "--mode", mode, "--database-url", &self.url, "--report", &path(report)];
        let options = options.map(str::to_owned);
        ["import".to_owned(), path(file)].into_iter().chain(options).collect()
    }
}

fn json_of(line: &str) -> Value {
    serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"))
}

/// An invented issue; each has terms of its own.
fn row(at: usize) -> Value {
    json!({"entity": ENTITY, "reference": format!("NOTE-{at}"), "currency": "USD", "principal": "250000.00",
        "denomination": "1000.00", "coupon_rate": "0.045", "coupon_frequency": 2, "day_count": "30/360",
        "dated_date": "2025-01-15", "settlement_date": "2025-01-15", "maturity_date": "2031-01-15",
        "proceeds": format!("{}.00", 240_000 + at % 9_000), "issue_costs": "1200.00",
        "conversion": {"shares_per_denomination": "25", "share_par_value": "0.01"}})
}

fn rows(count: usize) -> String {
    (0..count).map(|at| format!("{}\n", row(at))).collect()
}

/// The ids of all issues by reference.
async fn issues(client: &Client) -> BTreeMap<String, String> {
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    let items = client.items(&format!("/v1/bond-issues?entity={ENTITY}")).await;
    items.iter().map(|issue| (text(&issue["reference"]), text(&issue["id"]))).collect()
}

macro_rules! on_both_databases {
    ($($check:ident)+) => {$(
        mod $check {
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn sqlite() {
                super::$check(super::Books::sqlite()).await;
            }

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn postgres() {
                if let Some(books) = super::Books::postgres().await {
                    super::$check(books).await;
                }
            }
        }
    )+};
}
use on_both_databases;

on_both_databases! {
    the_command_tells_what_became_of_each_row
    a_service_that_runs_goes_on_beside_the_command
    an_import_row_by_row_that_is_killed_is_sent_again
    an_import_in_one_commit_that_is_killed_is_there_whole_or_not_at_all
}

async fn the_command_tells_what_became_of_each_row(books: Books) {
    let (mut service, client) = books.serve().await;
    let mut wrong = row(1);
    wrong["principal"] = json!("250500.00");
    let text = format!("{}\n{wrong}\n{}\n", row(0), row(2));
    let file = books.file("portfolio.jsonl", &text);
    let (recorded, said, report) = books.import(&file, "atomic");
    assert!(!recorded && said.contains("nothing was recorded") && said.contains("line 2"), "{said}");
    assert_eq!((report.len(), &report[0]["line"], &report[0]["pointer"]), (1, &json!(2), &json!("/principal")));
    assert!(issues(&client).await.is_empty());
    let (recorded, said, report) = books.import(&file, "per-row");
    assert!(!recorded && said.contains("1 of 3 rows were refused") && said.contains("rows a second"), "{said}");
    assert_eq!((report.len(), &report[1]["status"], &report[2]["status"]), (4, &json!("refused"), &json!("recorded")));
    assert_eq!(report[3]["summary"], json!({"rows": 3, "recorded": 2, "present": 0, "refused": 1}));
    let csv = "reference,currency,principal,denomination,coupon_rate,coupon_frequency,day_count,dated_date,settlement_date,maturity_date,proceeds\n\
        NOTE-9,USD,250000.00,1000.00,0.045,2,30/360,2025-01-15,2025-01-15,2031-01-15,250000.00\n";
    for _ in 0..2 {
        // The second time it is answered as the first time.
        let (recorded, said, report) = books.import(&books.file("more.csv", csv), "atomic");
        assert!(recorded, "{said}");
        assert_eq!((&report[0]["recorded"], &report[0]["last_sequence"]), (&json!(1), &json!(5)));
    }
    let (recorded, said, _) = books.import(&books.file("more.txt", csv), "atomic");
    assert!(!recorded && said.contains("--format"), "{said}");
    assert_eq!(issues(&client).await.len(), 3);
    service.terminate();
    verify(&books.url, 5);
}

async fn a_service_that_runs_goes_on_beside_the_command(books: Books) {
    let (_service, client) = books.serve().await;
    let file = books.file("portfolio.jsonl", &rows(300));
    let issue = client.issue(ENTITY, "SERVED", 1_000, "forfeited").await;
    let converting = tokio::spawn({
        let (client, path) = (client.clone(), format!("/v1/bond-issues/{issue}/conversions"));
        async move {
            for at in 0..40 {
                let body = crate::crash::conversion("2025-03-01", 1);
                client.must_post(&path, &format!("conversion-{at}"), &body).await.event();
            }
        }
    });
    let (recorded, said, report) = tokio::task::block_in_place(|| books.import(&file, "per-row"));
    converting.await.expect("every conversion is recorded");
    assert!(recorded, "{said}");
    assert_eq!(report[300]["summary"]["recorded"], json!(300));
    assert_eq!(issues(&client).await.len(), 301);
    verify(&books.url, 2 + 301 + 40);
}

async fn an_import_row_by_row_that_is_killed_is_sent_again(books: Books) {
    const ROWS: usize = 1_100;
    let (mut service, _) = books.serve().await;
    let http = reqwest::Client::builder().no_proxy().build().expect("a client");
    let send = |address: String| {
        let request = http.post(format!("{address}/v1/entities/{ENTITY}/bond-issue-imports?mode=per_row"));
        request.header("content-type", "application/jsonl").body(rows(ROWS)).send()
    };
    let mut answer = send(service.address().to_owned()).await.expect("an answer begins");
    assert_eq!(answer.status(), 200);
    // Some rows are done, and the next ones are being recorded.
    let mut told = Vec::new();
    while !told.ends_with(b"\n") {
        told.extend(answer.chunk().await.expect("a piece of the report").expect("it goes on"));
    }
    service.kill();
    let told: Vec<Value> = String::from_utf8(told).expect("UTF-8").lines().map(json_of).collect();
    assert!(told.len() < ROWS, "{}", told.len());
    let service = Process::serve(&books.url, "off");
    let client = Client::new(service.address());
    let again = send(service.address().to_owned()).await.expect("an answer").text().await.expect("a whole report");
    let again: Vec<Value> = again.lines().map(json_of).collect();
    for (first, second) in told.iter().zip(&again) {
        assert_eq!((&first["status"], &second["status"]), (&json!("recorded"), &json!("present")));
        assert_eq!(first["bond_issue"], second["bond_issue"]);
    }
    let summary = &again[ROWS]["summary"];
    assert_eq!((&summary["rows"], &summary["refused"]), (&json!(ROWS), &json!(0)));
    assert_eq!(issues(&client).await.len(), ROWS);
    verify(&books.url, 2 + ROWS);
}

async fn an_import_in_one_commit_that_is_killed_is_there_whole_or_not_at_all(books: Books) {
    const ROWS: usize = 2_000;
    let (mut service, _) = books.serve().await;
    service.terminate();
    let file = books.file("portfolio.jsonl", &rows(ROWS));
    let mut running = process::spawn(books.arguments(&file, "atomic", &books.directory.path().join("report")));
    let said = BufReader::new(running.stderr.take().expect("standard error is a pipe"));
    // Until it has written some rows, or all.
    let written =
        said.lines().map_while(Result::ok).any(|line| line.contains("rows a second") && !line.starts_with("0 "));
    running.kill().expect("a child can be killed");
    let ended = running.wait().expect("a child can be waited for");
    assert!(written || ended.success());
    let service = Process::serve(&books.url, "off");
    let client = Client::new(service.address());
    let there = issues(&client).await.len();
    assert!([0, ROWS].contains(&there), "{there} of {ROWS}");
    let (recorded, said, report) = books.import(&file, "atomic");
    assert!(recorded, "{said}");
    assert_eq!(report[0]["recorded"], json!(ROWS));
    assert_eq!(issues(&client).await.len(), ROWS);
    verify(&books.url, 2 + ROWS);
}
