//! Carrying values under load, beside the read of one row through the same stack.

use std::time::Duration;

use jiff::ToSpan;
use jiff::civil::date;
use parwright::document::wire::Timestamp;
use tempfile::TempDir;

use crate::books::{self, Conversions, Random};
use crate::client::{Client, Load, get, load};
use crate::portfolio::{self, Portfolio};
use crate::process::Process;
use crate::report::{RUNS, Report, Target, milliseconds};
use crate::stack::Stack;
use crate::{database, postgres, span};

const CLIENTS: usize = 32;
const ISSUES: usize = 10_000;
const CONVERSIONS: usize = 20_000;

/// What is asked for: issues, and the microseconds within which `known_at` lies.
#[derive(Clone)]
struct Asked {
    issues: Vec<String>,
    known: (i64, i64),
}

impl Asked {
    async fn carrying_values(&self, address: &str, seed: u64) -> Load {
        let source = |client: usize| {
            let (asked, mut random) = (self.clone(), Random(seed + client as u64));
            move || get(&asked.path(&mut random))
        };
        load(address, span(), (0..CLIENTS).map(source).collect()).await
    }

    fn path(&self, random: &mut Random) -> String {
        let issue = &self.issues[random.below(self.issues.len())];
        // From settlement to maturity.
        let as_of = date(2020, 1, 15).checked_add((random.below(3650) as i64).days()).expect("a date");
        let (from, to) = self.known;
        let at = from + random.below(usize::try_from(to - from).unwrap_or(1).max(1)) as i64;
        let at = Timestamp::from_microseconds(at).expect("a time of this year");
        format!("/v1/bond-issues/{issue}/carrying-value?as_of={as_of}&known_at={at}")
    }

    async fn rows(&self, address: &str) -> Load {
        let source = |client: usize| {
            let (issues, mut random) = (self.issues.clone(), Random(client as u64));
            move || get(&format!("/bench/row/{}", issues[random.below(issues.len())]))
        };
        load(address, span(), (0..CLIENTS).map(source).collect()).await
    }
}

/// Random issues, dates and known-at times.
async fn random(report: &mut Report, engine: &str, url: &str) {
    let process = Process::serve(url, "off");
    let portfolio = Portfolio::create(process.address(), ISSUES).await;
    let from = portfolio.newest(&mut Client::connect(process.address()).await).await;
    portfolio.convert(process.address(), CONVERSIONS, 30).await;
    portfolio.accrue(process.address(), date(2020, 3, 31)).await;
    let to = portfolio.newest(&mut Client::connect(process.address()).await).await;
    drop(process);
    let stack = Stack::start(url);
    let asked = Asked { issues: portfolio.issues, known: (from, to) };
    let (mut values, mut rows, mut p99) = (Vec::new(), Vec::new(), Vec::new());
    for run in 0..RUNS {
        let load = asked.carrying_values(stack.address(), run as u64 * 1000).await;
        p99.push(milliseconds(load.p99()));
        values.push(load.per_second);
        rows.push(asked.rows(stack.address()).await.per_second);
    }
    let name = format!("{engine}, 32 clients, {ISSUES} issues: carrying values");
    report.ratio(&name, "/s", &values, &rows, Target::AtLeast(0.6));
    report.figure(&format!("{name}, p99"), "ms", &p99, Target::Under(5.0));
}

/// A short and a long history, grown through the service on a new database and read after a restart.
async fn histories(report: &mut Report, engine: &str, url: &str) {
    const EVENTS: usize = 10_000;
    const DATES: usize = 2_000;
    let process = Process::serve(url, "off");
    let mut client = Client::connect(process.address()).await;
    let entity = books::entity_code(1);
    books::create_entity(&mut client, &entity).await;
    let short = books::create_issue(&mut client, &entity, 1).await;
    let long = books::create_issue(&mut client, &entity, 2).await;
    let from = portfolio::newest(&mut client, &short).await;
    let mut few = Conversions::of(&short);
    for nth in 0..10 {
        client.send(&few.on(Conversions::date(nth * 200))).await.ok();
    }
    let (mut many, mut random) = (Conversions::of(&long), Random(7));
    for nth in 0..EVENTS {
        let newest = nth * DATES / EVENTS;
        let at = if nth % 10 == 9 { random.below(newest.max(1)) } else { newest };
        client.send(&many.on(Conversions::date(at))).await.ok();
    }
    let to = portfolio::newest(&mut client, &short).await;
    drop(client);
    drop(process);
    let stack = Stack::start(url);
    let [short, long] = [short, long].map(|issue| Asked { issues: vec![issue], known: (from, to) });
    let (mut of_short, mut of_long, mut rows, mut p99) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for run in 0..RUNS {
        let seed = run as u64 * 1000;
        of_short.push(short.carrying_values(stack.address(), seed).await.per_second);
        let load = long.carrying_values(stack.address(), seed).await;
        of_long.push(load.per_second);
        p99.push(milliseconds(load.p99()));
        rows.push(long.rows(stack.address()).await.per_second);
    }
    let name = format!("{engine}: carrying value after 10,000 conversions");
    report.ratio(&name, "/s", &of_long, &rows, Target::AtLeast(0.6));
    report.figure(&format!("{name}, p99"), "ms", &p99, Target::Under(5.0));
    // The same, give or take what runs differ by.
    report.ratio(&format!("{name} (ceiling: after 10)"), "/s", &of_long, &of_short, Target::AtLeast(0.9));
}

/// Both, on both engines.
pub async fn measure(report: &mut Report) {
    on_postgres(report).await;
    let directory = TempDir::with_prefix("parwright-bench-").expect("a temporary directory can be made");
    let url = |name: &str| format!("sqlite:{}", directory.path().join(name).display());
    random(report, "SQLite", &url("random.sqlite")).await;
    histories(report, "SQLite", &url("histories.sqlite")).await;
}

async fn on_postgres(report: &mut Report) {
    let Some(server) = postgres::server() else {
        return report.note("reads on PostgreSQL", "left out: no PostgreSQL server".to_owned());
    };
    let url = server.create_database().await;
    random(report, "PostgreSQL", &url).await;
    database::drop(server, &url).await;
    let url = server.create_database().await;
    histories(report, "PostgreSQL", &url).await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    database::drop(server, &url).await;
}
