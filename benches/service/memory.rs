//! What the service keeps in memory, with a million lines in its books.

use jiff::ToSpan;
use jiff::civil::date;
use sqlx::{Connection, Row};
use tempfile::TempDir;

use crate::client::Client;
use crate::portfolio::Portfolio;
use crate::process::Process;
use crate::report::{Report, Target};
use crate::{database, postgres};

const ISSUES: usize = 10_000;
const LINES: i64 = 1_000_000;

/// What the kernel says of the memory of a process, in megabytes: its peak and what it holds.
fn resident(process: &Process) -> (f64, f64) {
    let status = std::fs::read_to_string(format!("/proc/{}/status", process.id())).expect("the process runs");
    let field = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("the kernel tells it");
        let kibibytes: f64 = line.trim().trim_end_matches(" kB").trim().parse().expect("a number");
        kibibytes * 1024.0 / 1e6
    };
    (field("VmHWM:"), field("VmRSS:"))
}

async fn on(report: &mut Report, engine: &str, url: &str) {
    let process = Process::serve(url, "off");
    let portfolio = Portfolio::create(process.address(), ISSUES).await;
    let mut months = 0;
    // An accrual posts a few lines an issue; how many depends on the terms, so they are counted.
    while lines(url).await < LINES {
        let through = date(2020, 1, 31).checked_add((months as i64).months()).expect("a month end");
        portfolio.accrue(process.address(), through).await;
        months += 1;
    }
    let (peak, now) = resident(&process);
    let lines = lines(url).await;
    let peaked = format!("peak after {months} accruals, {lines} lines");
    report.figure(&format!("{engine}: memory, {peaked}"), "MB", &[peak], Target::Under(150.0));
    report.note(&format!("{engine}: memory then held"), format!("{now:.0} MB"));
    rollforward(&portfolio, &process).await;
    let (peak, now) = resident(&process);
    report.figure(
        &format!("{engine}: memory, peak through a rollforward after that"),
        "MB",
        &[peak],
        Target::Under(150.0),
    );
    report.note(&format!("{engine}: memory then held"), format!("{now:.0} MB"));
    drop(process);
    let process = Process::serve(url, "off");
    let took = rollforward(&portfolio, &process).await;
    let (peak, now) = resident(&process);
    let name = format!("{engine}: memory, peak through a rollforward after a restart");
    report.figure(&name, "MB", &[peak], Target::Under(150.0));
    report.note(&format!("{engine}: memory then held, time of the rollforward"), format!("{now:.0} MB, {took:.1} s"));
}

/// Reads the rollforward of all years, and returns how many seconds it took.
async fn rollforward(portfolio: &Portfolio, process: &Process) -> f64 {
    let mut client = Client::connect(process.address()).await;
    let started = std::time::Instant::now();
    let path = format!("/v1/entities/{}/rollforward?from=2020-02-01&to=2030-01-31", portfolio.entity);
    client.get(&path).await.ok();
    started.elapsed().as_secs_f64()
}

async fn lines(url: &str) -> i64 {
    let text = "select cast(coalesce(sum(lines), 0) as bigint) from batch";
    if url.starts_with("postgres") {
        let mut connection = database::connect(url).await;
        let row = sqlx::query(text).fetch_one(&mut connection).await.expect("the books can be read");
        connection.close().await.ok();
        row.get(0)
    } else {
        let mut connection = sqlx::SqliteConnection::connect(url).await.expect("the file can be opened");
        let row = sqlx::query(text).fetch_one(&mut connection).await.expect("the books can be read");
        connection.close().await.ok();
        row.get(0)
    }
}

pub async fn measure(report: &mut Report) {
    match postgres::server() {
        Some(server) => {
            let url = server.create_database().await;
            on(report, "PostgreSQL", &url).await;
            database::drop(server, &url).await;
        }
        None => report.note("memory on PostgreSQL", "left out: no PostgreSQL server".to_owned()),
    }
    let directory = TempDir::with_prefix("parwright-bench-").expect("a temporary directory can be made");
    on(report, "SQLite", &format!("sqlite:{}", directory.path().join("books.sqlite").display())).await;
}
