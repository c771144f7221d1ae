//! How much memory an import takes, and how long: `PARWRIGHT_IMPORT_ROWS=100000 cargo test --release --test it imports::long --
//! --nocapture` is the long run, which prints what it found.

use std::time::Instant;

use serde_json::json;

use super::{Books, ENTITY, issues, on_both_databases, row};
use crate::support::process::Process;

/// Rows where the long run is not asked for.
const FEW: usize = 1_200;

/// The most memory of a process so far, in MB.
fn peak(process: &Process) -> Option<usize> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", process.id())).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.split_whitespace().next()?.parse::<usize>().ok()? / 1_024)
}

on_both_databases! {
    a_large_portfolio_is_imported_in_bounded_memory
}

async fn a_large_portfolio_is_imported_in_bounded_memory(books: Books) {
    let rows = std::env::var("PARWRIGHT_IMPORT_ROWS").ok().and_then(|text| text.parse().ok()).unwrap_or(FEW);
    let http = reqwest::Client::builder().no_proxy().build().expect("a client");
    let (service, client) = books.serve().await;
    for (mode, first) in [("atomic", 0), ("per_row", rows)] {
        let body: String = (first..first + rows).map(|at| format!("{}\n", row(at))).collect();
        let (begun, bytes, before) = (Instant::now(), body.len(), peak(&service));
        let request = http.post(format!("{}/v1/entities/{ENTITY}/bond-issue-imports?mode={mode}", service.address()));
        let request = request.header("content-type", "application/jsonl").header("idempotency-key", mode);
        let answer = request.body(body).send().await.expect("an answer");
        let status = answer.status().as_u16();
        let report = answer.text().await.expect("a whole answer");
        assert_eq!(status, if mode == "atomic" { 201 } else { 200 }, "{report}");
        if mode == "per_row" {
            let last = report.lines().last().map(super::json_of).expect("a line");
            assert_eq!(last["summary"]["recorded"], json!(rows), "{last}");
        }
        let seconds = begun.elapsed().as_secs_f64();
        println!(
            "{} {mode}: {rows} rows, {bytes} bytes, {seconds:.1} s, {:.0} rows a second; peak memory {before:?} MB before and {:?} MB after",
            books.url.split(':').next().unwrap_or_default(),
            rows as f64 / seconds,
            peak(&service)
        );
    }
    assert_eq!(issues(&client).await.len(), 2 * rows);
}
