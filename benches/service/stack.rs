//! The service with one route more, in a process of its own: a read of one row by its key. What that costs is what the stack
//! costs (sockets, HTTP, routing, the edge, the pool, one statement), and so the ceiling of every read.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use axum::extract::State;
use axum::routing::get;
use parwright::config::DatabaseUrl;
use parwright::http::edge::{self, Edge};
use parwright::http::etag::Answer;
use parwright::http::extract::Path;
use parwright::http::guard::Guard;
use parwright::http::ids::{RecordId, Scoped};
use parwright::http::problem::Problem;
use parwright::http::refusals::KINDS;
use parwright::http::resource::{self, App};
use parwright::service::Started;
use parwright::stop::Stop;
use parwright::{app, service};
use serde::Serialize;

/// Set in the process that serves, to the address of its database.
const SERVE: &str = "PARWRIGHT_BENCH_SERVE";

#[derive(Serialize)]
struct Row {
    id: String,
    reference: String,
    currency: String,
    settlement_date: String,
    maturity_date: String,
    terms: String,
    rates: String,
}

async fn row(State(app): State<Arc<App>>, Path(id): Path<RecordId>) -> Result<Answer<Row>, Problem> {
    let mut reading = app.recorder.store().reading().await.map_err(Problem::internal)?;
    let found = reading.reader().bond_issue(id.entity(), &id.to_string()).await.map_err(Problem::internal)?;
    let found = found.ok_or_else(|| Problem::not_found("the row"))?;
    Ok(Answer::ok(Row {
        id: found.id,
        reference: found.reference,
        currency: found.currency,
        settlement_date: found.settlement_date,
        maturity_date: found.maturity_date,
        terms: found.terms,
        rates: found.rates,
    }))
}

/// Serves, if this process was started to; then it does not return.
pub fn serve_if_asked() {
    let Ok(url) = std::env::var(SERVE) else { return };
    app::use_small_pages();
    // Ends with the process that started it, however that ended.
    std::thread::spawn(|| {
        std::io::stdin().read_to_end(&mut Vec::new()).ok();
        std::process::exit(0);
    });
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime can be built");
    runtime.block_on(async {
        let database: DatabaseUrl = url.parse().expect("the address of a database");
        let store = service::open(&database).await.expect("the database can be opened");
        let routes = resource::router().route("/bench/row/{id}", get(row));
        let readiness = Arc::new(|| Box::pin(async { Ok(()) }) as std::pin::Pin<Box<_>>);
        let router = edge::router(routes, Arc::new(service::app(&store)), Edge::new(Guard::Open, readiness, KINDS));
        let listener = app::bind(([127, 0, 0, 1], 0).into()).await.expect("a port is free");
        let started = Started { router, courier: None, stop: Stop::default() };
        app::serve(listener, started, app::print_address).await.expect("it serves");
    });
    std::process::exit(0);
}

/// The running process; it ends when this is dropped.
pub struct Stack {
    child: Child,
    address: String,
}

impl Stack {
    pub fn start(url: &str) -> Stack {
        let mut child = Command::new(std::env::current_exe().expect("this program knows its path"))
            .env(SERVE, url)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("this program can be run again");
        let mut address = String::new();
        let output = child.stdout.take().expect("standard output is a pipe");
        BufReader::new(output).read_line(&mut address).expect("it writes its address");
        assert!(address.starts_with("http://"), "the bench's own service did not start");
        Stack { child, address: address.trim().to_owned() }
    }

    pub fn address(&self) -> &str {
        &self.address
    }
}

impl Drop for Stack {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}
