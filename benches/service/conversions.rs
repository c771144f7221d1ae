//! Conversions recorded through HTTP, durable, beside a program that only writes their rows.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use sqlx::{Connection, Row, SqliteConnection};
use tempfile::TempDir;

use crate::books::{self, Conversions};
use crate::client::{Client, Load, Span, load};
use crate::pgbench::{self, Style};
use crate::process::Process;
use crate::report::{RUNS, Report, Target, median, milliseconds};
use crate::written::{self, Written};
use crate::{alone, database, postgres, span};

const CLIENTS: usize = 16;
const ISSUES: usize = 64;

/// The issues of each client, which go on where the run before ended.
type Work = Vec<Arc<Mutex<Vec<Conversions>>>>;

fn work(issues: &[String]) -> Work {
    let of_client = |client: usize| {
        let own = issues.iter().skip(client).step_by(CLIENTS).map(|issue| Conversions::of(issue)).collect();
        Arc::new(Mutex::new(own))
    };
    (0..CLIENTS).map(of_client).collect()
}

async fn record(address: &str, span: Span, work: &[Arc<Mutex<Vec<Conversions>>>]) -> Load {
    let source = |own: &Arc<Mutex<Vec<Conversions>>>| {
        let (own, mut at) = (Arc::clone(own), 0);
        move || {
            let mut own = own.lock().expect("a client does not panic");
            at = (at + 1) % own.len();
            own[at].next()
        }
    };
    load(address, span, work.iter().map(source).collect()).await
}

/// Records a few conversions of an issue and returns the sequences of one on a date that the issue had no conversion on and of
/// one on a date that it had: they write different rows.
async fn shapes(client: &mut Client, issue: &str) -> [i64; 2] {
    let mut conversions = Conversions::of(issue);
    let mut sequence = [0; 2];
    for (date, at) in [(0, 0), (1, 0), (1, 1)] {
        let request = conversions.on(Conversions::date(date));
        let answer = client.send(&request).await.json();
        assert!(date == 0 || answer["journal_batches"].as_array().is_some_and(|batches| batches.len() == 1));
        sequence[at] = answer["event"]["sequence"].as_i64().expect("an event has a sequence");
    }
    sequence
}

pub async fn on_postgres(report: &mut Report) {
    let (Some(server), Some(program)) = (postgres::server(), database::pgbench()) else {
        return report.note("conversions on PostgreSQL", "left out: no PostgreSQL server or no pgbench".to_owned());
    };
    database::check_durable(server).await;
    let url = server.create_database().await;
    let mut process = Process::serve(&url, "off");
    let mut client = Client::connect(process.address()).await;
    let (mut many, mut one) = (Vec::new(), Vec::new());
    for number in 1..=ISSUES + 1 {
        let code = books::entity_code(number);
        books::create_entity(&mut client, &code).await;
        if number <= ISSUES {
            many.push(books::create_issue(&mut client, &code, number).await);
        } else {
            for issue in 0..ISSUES {
                one.push(books::create_issue(&mut client, &code, issue).await);
            }
        }
    }
    let spare = books::create_issue(&mut client, &books::entity_code(1), ISSUES + 1).await;
    let [new, same] = shapes(&mut client, &spare).await;
    process.terminate();
    let mut connection = database::connect(&url).await;
    let entity = books::entity_code(1);
    let new = written::from_postgres(&mut connection, &entity, new).await;
    let same = written::from_postgres(&mut connection, &entity, same).await;
    connection.close().await.ok();
    report.note("rows a conversion on a date of its own, on a date shared", rows(&new, &same));
    let copy = database::copy(server, &url).await;
    let ceiling = pgbench::Ceiling::new(copy.clone(), ISSUES, &[(new, 1), (same, books::A_DATE - 1)]).await;

    let process = Process::serve(&url, "off");
    let (many, one) = (work(&many), work(&one));
    let mut rates = [Vec::new(), Vec::new(), Vec::new(), Vec::new()];
    let mut p99 = [Vec::new(), Vec::new()];
    let whole = span().warm + span().measured;
    for _ in 0..RUNS {
        for (at, work) in [&one, &many].into_iter().enumerate() {
            database::checkpoint(server).await;
            let load = record(process.address(), span(), work).await;
            rates[at].push(load.per_second);
            p99[at].push(milliseconds(load.p99()));
        }
        for (at, style) in [(2, Style::Tables), (3, Style::Together)] {
            database::checkpoint(server).await;
            rates[at].push(ceiling.run(&program, style, whole));
        }
    }
    let [one, many, most, together] = rates;
    report.ratio("PostgreSQL, 16 clients, 1 entity: conversions", "/s", &one, &most, Target::AtLeast(0.7));
    report.ratio("PostgreSQL, 16 clients, 64 entities: conversions", "/s", &many, &most, Target::AtLeast(0.7));
    report.note("PostgreSQL: pgbench with one statement for all tables", format!("{:.0} /s", median(&together)));
    let [one, many] = p99;
    report.figure("PostgreSQL, 16 clients, 1 entity: p99", "ms", &one, Target::Under(25.0));
    report.figure("PostgreSQL, 16 clients, 64 entities: p99", "ms", &many, Target::Under(25.0));
    drop(process);
    database::drop(server, &url).await;
    database::drop(server, &copy).await;
}

pub async fn on_sqlite(report: &mut Report) {
    let directory = TempDir::with_prefix("parwright-bench-").expect("a temporary directory can be made");
    let path = |name: &str| directory.path().join(name).to_str().expect("a path in UTF-8").to_owned();
    let (file, copy, other) = (path("books.sqlite"), path("ceiling.sqlite"), path("one-issue.sqlite"));
    let url = format!("sqlite:{file}");
    let mut process = Process::serve(&url, "off");
    let mut client = Client::connect(process.address()).await;
    let entity = books::entity_code(1);
    books::create_entity(&mut client, &entity).await;
    let mut issues = Vec::new();
    for issue in 0..ISSUES {
        issues.push(books::create_issue(&mut client, &entity, issue).await);
    }
    let spare = books::create_issue(&mut client, &entity, ISSUES).await;
    let [new, same] = shapes(&mut client, &spare).await;
    process.terminate();
    for copy in [&copy, &other] {
        std::fs::copy(&file, copy).expect("a file can be copied once nobody writes to it");
    }
    let mut connection = SqliteConnection::connect(&format!("sqlite:{copy}")).await.expect("a copy can be opened");
    let newest =
        sqlx::query("select max(sequence) from record").fetch_one(&mut connection).await.expect("there is one");
    let newest: i64 = newest.get(0);
    let new = written::from_sqlite(&mut connection, &entity, new).await;
    let same = written::from_sqlite(&mut connection, &entity, same).await;
    connection.close().await.ok();
    let mut shapes: Vec<&[Written]> = vec![&same; books::A_DATE];
    shapes[0] = &new;
    let mut ceiling = alone::Ceiling::new(&copy, &entity, &issues, newest, &shapes).await;
    let mut on_one = alone::Ceiling::new(&other, &entity, &[spare], newest, &shapes).await;

    let process = Process::serve(&url, "off");
    let work = work(&issues);
    let mut rates = [Vec::new(), Vec::new(), Vec::new(), Vec::new()];
    let mut p99 = Vec::new();
    for _ in 0..RUNS {
        let sixteen = record(process.address(), span(), &work).await;
        rates[0].push(sixteen.per_second);
        p99.push(milliseconds(sixteen.p99()));
        rates[1].push(record(process.address(), span(), &work[..1]).await.per_second);
        for (at, ceiling) in [(2, &mut ceiling), (3, &mut on_one)] {
            ceiling.run(Duration::from_millis(500)).await;
            rates[at].push(ceiling.run(span().measured).await);
        }
    }
    let [sixteen, single, most, on_one] = rates;
    report.ratio("SQLite, 16 clients: conversions", "/s", &sixteen, &most, Target::AtLeast(2.0));
    report.ratio("SQLite, 1 client: conversions", "/s", &single, &most, Target::AtLeast(0.6));
    report.note("SQLite: sqlx alone on one issue, all on the same pages", format!("{:.0} /s", median(&on_one)));
    report.figure("SQLite, 16 clients: p99", "ms", &p99, Target::Under(25.0));
}

fn rows(new: &[Written], same: &[Written]) -> String {
    format!("{}, {}", written::count(new), written::count(same))
}
