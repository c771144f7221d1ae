//! SIGKILL under load: whole transactions only, nothing acknowledged lost, nothing doubled.
//!
//! The kernel keeps what a killed process wrote to files, so this shows what the service does in one commit and what it
//! acknowledges when; that a commit survives the loss of power is the business of the databases' own synchronous writes.

mod checks;
mod client;
mod ledger;
mod load;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use tokio::sync::mpsc;

use self::ledger::{Acknowledged, Ledger};
use self::load::{BONDS, Dice, ENTITY, Load};
use crate::support::postgres;
use crate::support::process::Process;

pub(crate) use self::checks::{check_entity, events, gap_free, verify};
pub(crate) use self::client::{Answer, Client, conversion};

/// Databases an engine, and kills a database: fifty kills an engine. Several databases, because every restart verifies the whole
/// of one.
const DATABASES: u64 = 10;
const KILLS: u64 = 5;
const CLIENTS: usize = 6;

/// What the service was doing when it was killed, as it turned out afterwards.
#[derive(Debug, Default)]
struct Met {
    /// Sent and not answered, and recorded.
    recorded: usize,
    /// Sent and not answered, and not recorded.
    lost: usize,
    /// Kinds of posts that were acknowledged.
    kinds: BTreeSet<String>,
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn fifty_kills_under_load_lose_and_double_nothing_on_sqlite() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut met = Met::default();
    for database in 0..DATABASES {
        let url = format!("sqlite:{}", directory.path().join(format!("{database}.sqlite")).display());
        kill_and_kill_again(&url, directory.path(), database, &mut met).await;
    }
    check_was_under_load(&met);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn fifty_kills_under_load_lose_and_double_nothing_on_postgres() {
    let Some(server) = postgres::server() else { return };
    let directory = tempfile::tempdir().expect("a directory");
    let mut met = Met::default();
    for database in 0..DATABASES {
        let url = server.create_database().await;
        kill_and_kill_again(&url, directory.path(), 100 + database, &mut met).await;
    }
    check_was_under_load(&met);
}

/// A kill that meets an idle service shows nothing, and neither do posts of one kind alone.
#[track_caller]
fn check_was_under_load(met: &Met) {
    let kills = (DATABASES * KILLS) as usize;
    assert!(met.recorded + met.lost >= 2 * kills && met.kinds.len() == 3, "{met:?}");
}

async fn kill_and_kill_again(url: &str, directory: &Path, seed: u64, met: &mut Met) {
    let mut dice = Dice(seed);
    let mut process = Process::serve(url, "off");
    let mut client = Client::new(process.address());
    let ledger = Ledger::create(&directory.join(format!("acknowledged-{seed}")));
    let load = Load::open(&client, ledger, seed, KILLS as usize * 22).await;
    for _ in 0..KILLS {
        // Requests and answers are counted alike, so that the kill comes after the one as well as after the other.
        let enough = 20 + dice.roll(30);
        let (told, mut heard) = mpsc::unbounded_channel();
        let clients: Vec<_> =
            (0..CLIENTS).map(|_| tokio::spawn(load.clone().run(client.clone(), told.clone()))).collect();
        drop(told);
        for _ in 0..enough {
            heard.recv().await.unwrap_or_else(|| panic!("seed {seed}: every client stopped:\n{}", process.stderr()));
        }
        process.kill();
        for client in clients {
            client.await.unwrap_or_else(|error| panic!("seed {seed}: {error}"));
        }
        process = Process::serve(url, "off");
        client = Client::new(process.address());
        // First, because a PostgreSQL server may still be busy with the last commit of the killed process, which a repetition
        // waits for and a look does not.
        let (recorded, lost) = load.settle(&client).await;
        met.recorded += recorded;
        met.lost += lost;
        let acknowledged = check(&client, url, &load).await;
        for row in acknowledged.iter().rev().take(4) {
            check_repetition(&client, &load, row).await;
        }
    }
    for row in load.ledger.read() {
        check_repetition(&client, &load, &row).await;
        met.kinds.insert(row.kind);
    }
    // Repetitions recorded nothing: the events are still those of the ledger.
    check(&client, url, &load).await;
    check_entity(&client, ENTITY, &events(&client, &load.issues).await).await;
}

/// Everything that must hold when all is answered. Returns the ledger.
async fn check(client: &Client, url: &str, load: &Load) -> Vec<Acknowledged> {
    let acknowledged = load.ledger.read();
    let events = events(client, &load.issues).await;
    let keys: BTreeSet<&str> = acknowledged.iter().map(|row| row.key.as_str()).collect();
    assert_eq!(keys.len(), acknowledged.len(), "a key was acknowledged twice");
    let told: BTreeMap<&str, (i64, &str)> =
        acknowledged.iter().map(|row| (row.event.as_str(), (row.sequence, row.issue.as_str()))).collect();
    assert_eq!(told.len(), acknowledged.len(), "two keys were answered with one event");
    let posted = events.iter().filter(|event| event.kind != "issuance");
    let found: BTreeMap<&str, (i64, &str)> =
        posted.map(|event| (event.id.as_str(), (event.sequence, event.issue.as_str()))).collect();
    assert_eq!(found, told, "the events are those acknowledged, no more and no fewer");
    for issue in load.issues.iter() {
        let converted: i64 = acknowledged.iter().filter(|row| row.issue == *issue).map(|row| row.bonds).sum();
        assert_eq!(client.outstanding(issue).await, BONDS - converted, "{issue}");
    }
    verify(url, 2 + events.len());
    acknowledged
}

/// The same request with the same key is answered with the same event.
async fn check_repetition(client: &Client, load: &Load, row: &Acknowledged) {
    let answer = load.post(&row.key).send(client).await.expect("an answer");
    assert!(answer.replayed, "{}: {}", row.key, answer.text);
    assert_eq!(answer.event(), (row.event.clone(), row.sequence), "{}", row.key);
}
