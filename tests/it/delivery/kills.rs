//! SIGKILL while delivering: nothing is lost, nothing overtakes, and what comes again is recognised.

use std::path::Path;

use serde_json::Value;

use super::receiver::{Receiver, Reply};
use super::{firsts, make_key, signature};
use crate::crash::{Client, verify};
use crate::support::postgres;
use crate::support::process::Process;

const ENTITY: &str = "ROPE";
/// Kills an engine; `PARWRIGHT_DELIVERY_KILLS=200` is the long run.
const KILLS: usize = 20;
/// Releases of an issue that is accrued to the end of its life: one of the issuance and one a month.
const RELEASES_AN_ISSUE: usize = 121;

/// Numbers that look random; the same seed gives the same ones.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }
}

fn serve(url: &str, key: &Path) -> Process {
    let key = key.display().to_string();
    let common = ["serve", "--database-url", url, "--listen", "127.0.0.1:0", "--auth", "off", "--signing-key", &key];
    // A lease is a little longer than an attempt: it is what the next process waits for.
    let more = ["--allow-private-destinations", "--delivery-timeout", "600ms", "--delivery-backoff", "20ms"];
    Process::start([common.as_slice(), &more].concat())
        .unwrap_or_else(|exited| panic!("parwright did not start: {}\n{}", exited.status, exited.stderr))
}

/// A receiver that takes most of what comes, each at another moment.
fn moody(seed: u64) -> impl FnMut(&super::Request) -> Reply + Send + 'static {
    let mut dice = Dice(seed);
    move |_| match dice.roll(12) {
        0 => Reply::status(500),
        1 => Reply::with(429, "Retry-After", 0),
        2 => Reply::Close,
        3 => Reply::BreakOff,
        _ => Reply::status(200),
    }
}

async fn kill_and_kill_again(url: &str, seed: u64) {
    let kills = match std::env::var("PARWRIGHT_DELIVERY_KILLS") {
        Ok(number) => number.parse().expect("PARWRIGHT_DELIVERY_KILLS is a number"),
        Err(_) => KILLS,
    };
    let directory = tempfile::tempdir().expect("a directory");
    let key = make_key(directory.path(), "key");
    let mut dice = Dice(seed);
    let mut receiver = Receiver::scripted(moody(seed)).await;
    let mut process = serve(url, &key);
    let mut client = Client::new(process.address());
    client.open_entity(ENTITY).await;
    // Up to six deliveries between two kills.
    for at in 0..kills * 6 / RELEASES_AN_ISSUE + 1 {
        let issue = client.issue(ENTITY, &format!("CB-{at}"), 100, "paid").await;
        let accrual = serde_json::json!({"through": "2034-01-14"});
        let answer =
            client.must_post(&format!("/v1/bond-issues/{issue}/accruals"), &format!("accrue-{at}"), &accrual).await;
        assert_eq!(answer.status, 201, "{}", answer.text);
    }
    let path = format!("/v1/entities/{ENTITY}/destinations");
    let body = serde_json::json!({"name": "ledger", "url": receiver.address});
    let made = client.must_post(&path, "unused", &body).await;
    assert_eq!(made.status, 201, "{}", made.text);
    for _ in 0..kills {
        for _ in 0..=dice.roll(5) {
            receiver.hear().await;
        }
        process.kill();
        // What the killed process had sent already does not count towards the next.
        receiver.unheard();
        process = serve(url, &key);
        client = Client::new(process.address());
    }
    let releases = client.releases(ENTITY).await;
    let last = releases.len() as i64;
    receiver.until(|accepted| accepted.last().is_some_and(|request| request.release() == last)).await;
    let (status, _) = process.terminate();
    assert!(status.success(), "{status}\n{}", process.stderr());

    let process = serve(url, &key);
    let client = Client::new(process.address());
    let keys = client.get_json(super::KEYS).await;
    let accepted = receiver.accepted();
    accepted.iter().for_each(|request| signature::check(request, &keys));
    // Of the releases that arrived, the first of each is in order, and the feed; each step back is one repetition.
    let data: Vec<Value> = firsts(&accepted).iter().map(|request| request.event()["data"].clone()).collect();
    assert_eq!(data, releases);
    for pair in accepted.windows(2) {
        let (before, after) = (pair[0].release(), pair[1].release());
        assert!(after == before || after == before + 1, "{after} follows {before}");
    }
    let mut attempts = client.items(&format!("{path}/ledger/attempts")).await;
    attempts.reverse();
    crate::crash::gap_free("attempts", attempts.iter().map(|attempt| attempt["attempt"].as_i64().expect("a number")));
    let with = |outcome: &str| attempts.iter().filter(|attempt| attempt["outcome"] == outcome).count();
    assert_eq!(with("delivered"), releases.len(), "each release is delivered once");
    // A kill that meets an idle service shows nothing.
    let interrupted = with("interrupted");
    assert!(interrupted * 4 >= kills, "only {interrupted} of {kills} kills cut an attempt off");
    eprintln!(
        "{kills} kills: {} releases, {} attempts, {interrupted} cut off, {} taken more than once",
        releases.len(),
        attempts.len(),
        accepted.len() - releases.len()
    );
    drop(process);
    let issues = kills * 6 / RELEASES_AN_ISSUE + 1;
    verify(url, 2 + 2 * issues + 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn kills_while_delivering_lose_nothing_on_sqlite() {
    let directory = tempfile::tempdir().expect("a directory");
    kill_and_kill_again(&format!("sqlite:{}", directory.path().join("books.sqlite").display()), 1).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn kills_while_delivering_lose_nothing_on_postgres() {
    let Some(server) = postgres::server() else { return };
    kill_and_kill_again(&server.create_database().await, 2).await;
}
