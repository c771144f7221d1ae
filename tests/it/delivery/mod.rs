//! Push: every release arrives, in order, signed, whatever the receiver and the service do.

mod addresses;
mod answers;
mod commands;
mod failures;
mod kills;
mod processes;
pub mod receiver;
mod signature;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use parwright::delivery::{Courier, Keyring, Push, create_key};
use rust_decimal::Decimal;
use serde_json::{Value, json};

use self::receiver::{Receiver, Request};
use crate::support::client::{Service, array, text};
use crate::support::ledger;

const KEYS: &str = "/.well-known/parwright-keys";
const DESTINATIONS: &str = "/v1/entities/ACME/destinations";

/// The books of `ACME` with a service that can deliver.
pub struct Desk {
    pub service: Service,
    push: Push,
    courier: Option<Courier>,
    directory: tempfile::TempDir,
}

impl Desk {
    /// With releases 1 to 3: an issuance and two accruals. Nothing is delivered until it starts.
    pub async fn open(service: Service) -> Desk {
        service.mapped_entity("ACME").await;
        let issue = service.issue(json!({})).await;
        service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
        let directory = tempfile::tempdir().expect("a directory");
        let push = Push {
            keyring: keyring(&[make_key(directory.path(), "key")]),
            allow_private: true,
            timeout: Duration::from_secs(20),
            backoff: Duration::from_millis(1),
            poll: Duration::from_millis(50),
            ..Push::default()
        };
        let mut desk = Desk { service, push, courier: None, directory };
        desk.start();
        desk.stop().await;
        desk
    }

    pub fn start(&mut self) {
        self.courier = Some(self.service.delivering(&self.push));
    }

    /// Waits until attempts under way are finished and recorded; nothing is sent any more.
    pub async fn stop(&mut self) {
        let courier = self.courier.take().expect("it was started");
        courier.stopper().stop();
        courier.ended().await;
    }

    /// Makes a destination of everything.
    pub async fn destination(&self, name: &str, url: &str) {
        self.service.post_with(DESTINATIONS, &json!({"name": name, "url": url}), &[]).await.created();
    }

    async fn command(&self, name: &str, command: &str, body: Option<Value>) -> Value {
        let path = format!("{DESTINATIONS}/{name}/{command}");
        match body {
            Some(body) => self.service.post_with(&path, &body, &[]).await.done(),
            None => self.service.send(axum::http::Method::POST, &path, &[], axum::body::Body::empty()).await.done(),
        }
    }

    async fn read(&self, name: &str) -> Value {
        self.service.read(&format!("{DESTINATIONS}/{name}")).await
    }

    /// The attempts on a destination, the newest first, read two at a time.
    async fn attempts(&self, name: &str) -> Vec<Value> {
        self.service.all(&format!("{DESTINATIONS}/{name}/attempts?limit=2")).await
    }

    /// Accrues the issue through a month's end of 2025, a release a month.
    pub async fn accrue(&self, through: &str) {
        self.service.post("/v1/entities/ACME/accruals", &json!({"through": through})).await.created();
    }

    /// Checks that what a receiver took is the feed, in order and byte by byte; that each release that came again is the same, and
    /// told so by its key; and the signatures of all.
    async fn check_arrived(&self, receiver: &Receiver) {
        let keys = self.service.read_as(KEYS, "application/jwk-set+json").await;
        let accepted = receiver.accepted();
        accepted.iter().for_each(|request| signature::check(request, &keys));
        let first = firsts(&accepted);
        let releases = self.service.releases().await;
        let events: Vec<Value> = first.iter().map(|request| request.event()["data"].clone()).collect();
        assert_eq!(events, releases);
        for (request, release) in first.iter().zip(&releases) {
            let after = release["release"].as_i64().expect("a number") - 1;
            let page = self.service.get(&format!("/v1/entities/ACME/releases?limit=1&after={after}")).await;
            let page = String::from_utf8(page.bytes).expect("UTF-8");
            let shown = page
                .strip_prefix("{\"items\":[")
                .and_then(|rest| rest.rsplit_once("],\"next_after\""))
                .expect("a feed")
                .0;
            let body = std::str::from_utf8(&request.body).expect("UTF-8");
            assert!(body.ends_with(&format!("\"data\":{shown}}}")), "{body}\nis not\n{shown}");
        }
        check_line_by_line(&self.service, &events).await;
    }
}

/// Writes a new key and gives its file.
fn make_key(directory: &std::path::Path, name: &str) -> PathBuf {
    let file = directory.join(format!("{name}.pem"));
    create_key(&file).expect("a key is made");
    file
}

fn keyring(files: &[PathBuf]) -> Option<Arc<Keyring>> {
    Keyring::load(files).expect("the keys can be read").map(Arc::new)
}

/// The first time that each release was accepted, checked to be in order without gaps, and every repetition to be the same event.
#[track_caller]
fn firsts(accepted: &[Request]) -> Vec<Request> {
    let mut first: Vec<Request> = Vec::new();
    for request in accepted {
        let release = request.release();
        let known = usize::try_from(release - 1).ok().and_then(|at| first.get(at));
        match known {
            Some(before) => {
                assert_eq!(before.body, request.body, "release {release} came again as something else");
                assert_eq!(before.header("idempotency-key"), request.header("idempotency-key"));
            }
            None => {
                assert_eq!(release, first.len() as i64 + 1, "releases are in order and none is left out");
                first.push(request.clone());
            }
        }
    }
    first
}

/// The books of a receiver that took these releases are, line by line, those of the service, and add up to its trial balance.
async fn check_line_by_line(service: &Service, releases: &[Value]) {
    let lines = ledger::books(releases);
    assert_eq!(lines, service.journal_lines().await);
    let mut balances: BTreeMap<&str, Decimal> = BTreeMap::new();
    for line in &lines {
        let amount = |side: &str| if line[side].is_null() { Decimal::ZERO } else { ledger::figure(&line[side]) };
        *balances.entry(text(&line["account"])).or_default() += amount("debit") - amount("credit");
    }
    let report = service.read("/v1/entities/ACME/trial-balance?as_of=2050-12-31").await;
    for row in array(&report["rows"]) {
        assert_eq!(balances.remove(text(&row["account"])), Some(ledger::figure(&row["balance"])), "{row}");
    }
    assert!(balances.is_empty(), "{balances:?}");
}

/// Strings of a field of documents, in order.
fn texts(documents: &[Value], field: &str) -> Vec<String> {
    documents.iter().map(|document| text(&document[field]).to_owned()).collect()
}
