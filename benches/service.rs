//! The service under load, each figure beside a ceiling of the same run.
//!
//! `cargo bench --bench service` runs everything, `cargo bench --bench service -- sqlite reads` some sections. The service is
//! the release binary (for reads: the same router with one route more) in a process of its own, asked over HTTP on
//! loopback by this process: both share the machine, as a service and its callers on one host would. PostgreSQL is a
//! private server with its durability on. `PARWRIGHT_BENCH_SECONDS` is how long one load lasts (4 by default).

// Both are written for the tests, which use more of them.
#[path = "../tests/it/support/postgres.rs"]
#[allow(dead_code)]
mod postgres;
#[path = "../tests/it/support/process.rs"]
#[allow(dead_code)]
mod process;

#[path = "service/accrual.rs"]
mod accrual;
#[path = "service/alone.rs"]
mod alone;
#[path = "service/books.rs"]
mod books;
#[path = "service/client.rs"]
mod client;
#[path = "service/conversions.rs"]
mod conversions;
#[path = "service/database.rs"]
mod database;
#[path = "service/memory.rs"]
mod memory;
#[path = "service/pgbench.rs"]
mod pgbench;
#[path = "service/portfolio.rs"]
mod portfolio;
#[path = "service/reads.rs"]
mod reads;
#[path = "service/report.rs"]
mod report;
#[path = "service/stack.rs"]
mod stack;
#[path = "service/written.rs"]
mod written;

use std::time::Duration;

use client::Span;
use report::Report;

/// As in the service's own binary: the reads are served by this one.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const SECTIONS: [&str; 5] = ["conversions", "sqlite", "reads", "accrual", "memory"];

/// How long one load lasts.
fn span() -> Span {
    let seconds = std::env::var("PARWRIGHT_BENCH_SECONDS").ok().and_then(|seconds| seconds.parse().ok()).unwrap_or(4.0);
    Span { warm: Duration::from_secs(1), measured: Duration::from_secs_f64(seconds) }
}

fn main() {
    stack::serve_if_asked();
    // Cargo adds options of its own.
    let asked: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    if let Some(unknown) = asked.iter().find(|section| !SECTIONS.contains(&section.as_str())) {
        eprintln!("no section {unknown}; there are {}", SECTIONS.join(", "));
        std::process::exit(2);
    }
    // One thread: what the clients need is taken from the service.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime can be built");
    let mut report = Report::default();
    runtime.block_on(async {
        for section in SECTIONS.iter().filter(|section| asked.is_empty() || asked.iter().any(|name| name == *section)) {
            eprintln!("{section} (load of the machine before: {})", machine_load());
            match *section {
                "conversions" => conversions::on_postgres(&mut report).await,
                "sqlite" => conversions::on_sqlite(&mut report).await,
                "reads" => reads::measure(&mut report).await,
                "accrual" => accrual::measure(&mut report).await,
                _ => memory::measure(&mut report).await,
            }
        }
    });
    report.print();
}

/// What else the machine had to do, for whoever reads the figures.
fn machine_load() -> String {
    std::fs::read_to_string("/proc/loadavg").unwrap_or_default().split(' ').take(2).collect::<Vec<_>>().join(" ")
}
