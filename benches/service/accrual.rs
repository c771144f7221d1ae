//! The accrual of a whole portfolio through a month end, beside COPY of the rows that it wrote.

use std::time::{Duration, Instant};

use futures_util::TryStreamExt;
use jiff::ToSpan;
use jiff::civil::date;
use sqlx::postgres::PgPoolCopyExt;
use sqlx::{Connection, PgConnection, PgPool};

use crate::portfolio::Portfolio;
use crate::process::Process;
use crate::report::{RUNS, Report, Target};
use crate::written::{HEADS, TABLES};
use crate::{database, postgres};

const ISSUES: usize = 10_000;

pub async fn measure(report: &mut Report) {
    let Some(server) = postgres::server() else {
        return report.note("accrual on PostgreSQL", "left out: no PostgreSQL server".to_owned());
    };
    database::check_durable(server).await;
    let url = server.create_database().await;
    let mut process = Process::serve(&url, "off");
    let portfolio = Portfolio::create(process.address(), ISSUES).await;
    portfolio.accrue(process.address(), date(2020, 1, 31)).await;
    process.terminate();
    let copy = database::copy(server, &url).await;
    let process = Process::serve(&url, "off");
    let source = PgPool::connect(&url).await.expect("the database takes connections");
    let mut target = database::connect(&copy).await;
    let (mut taken, mut copied, mut rows) = (Vec::new(), Vec::new(), 0);
    for month in 1..=RUNS {
        let through = date(2020, 1, 31).checked_add((month as i64).months()).expect("a month end");
        database::checkpoint(server).await;
        taken.push(portfolio.accrue(process.address(), through).await.as_secs_f64());
        // An analysis that the store asked for is not to run beside the ceiling.
        tokio::time::sleep(Duration::from_secs(2)).await;
        let tables = read(&source, &portfolio.entity).await;
        rows = tables.iter().map(|(_, bytes)| bytes.iter().filter(|byte| **byte == b'\n').count()).sum();
        for (table, _) in HEADS {
            database::run(&mut target, &format!("delete from {table} where entity = '{}'", portfolio.entity)).await;
        }
        database::checkpoint(server).await;
        copied.push(write(&mut target, &tables).await.as_secs_f64());
    }
    report.note("rows of an accrual of 10,000 issues", rows.to_string());
    report.ratio("PostgreSQL: accrual of 10,000 issues (ceiling: COPY)", "s", &taken, &copied, Target::Under(3.0));
    target.close().await.ok();
    source.close().await;
    drop(process);
    database::drop(server, &url).await;
    database::drop(server, &copy).await;
}

/// The rows of the newest command, in the text format of COPY.
async fn read(source: &PgPool, entity: &str) -> Vec<(&'static str, Vec<u8>)> {
    let mut tables = Vec::new();
    let newest = format!("(select h.sequence from entity_head h where h.entity = '{entity}')");
    for (table, condition) in TABLES {
        let condition = condition.replace("$1", &format!("'{entity}'")).replace("$2", &newest);
        let statement = format!("copy (select t.* from {table} t where {condition}) to stdout");
        let chunks = source.copy_out_raw(&statement).await.unwrap_or_else(|error| panic!("{statement}: {error}"));
        let bytes = chunks.try_fold(Vec::new(), async |mut bytes, chunk| {
            bytes.extend_from_slice(&chunk);
            Ok(bytes)
        });
        tables.push((table, bytes.await.expect("the rows can be read")));
    }
    tables
}

/// Writes them in one transaction.
async fn write(target: &mut PgConnection, tables: &[(&'static str, Vec<u8>)]) -> Duration {
    let started = Instant::now();
    let mut transaction = target.begin().await.expect("a transaction can be begun");
    for (table, bytes) in tables {
        let mut copy =
            transaction.copy_in_raw(&format!("copy {table} from stdin")).await.expect("a table of the books");
        for chunk in bytes.chunks(1 << 20) {
            copy.send(chunk).await.expect("the rows can be sent");
        }
        copy.finish().await.unwrap_or_else(|error| panic!("{table}: {error}"));
    }
    transaction.commit().await.expect("the copy can be committed");
    started.elapsed()
}
