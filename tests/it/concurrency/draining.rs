//! SIGTERM: no new connections, but an answer to what is in progress.

use std::time::Duration;

use sqlx::{Connection, PgConnection};

use super::socket::{self, Socket};
use super::{Database, ENTITY, Held, until};
use crate::crash::{Client, check_entity, conversion, events, verify};
use crate::support::process::Process;

pub type Ended = tokio::task::JoinHandle<(std::process::ExitStatus, Vec<String>)>;

/// Sends SIGTERM, and returns when the service takes no connections any more.
pub async fn terminate(mut process: Process) -> Ended {
    let address = process.address().to_owned();
    let ended = tokio::task::spawn_blocking(move || process.terminate());
    tokio::task::spawn_blocking(move || {
        for _ in 0..1_000_000 {
            if Socket::connect(&address).is_err() {
                return;
            }
        }
        panic!("the service goes on taking connections after SIGTERM");
    })
    .await
    .expect("the service stops listening");
    ended
}

/// The process ended well, and the books hold one conversion of one bond.
async fn check_end(ended: Ended, database: &Database, issue: &String) {
    let (status, _) = ended.await.expect("the process ends");
    assert!(status.success(), "{status}");
    let process = Process::serve(&database.url, "off");
    let client = Client::new(process.address());
    let listed = events(&client, std::slice::from_ref(issue)).await;
    assert_eq!((listed.len(), client.outstanding(issue).await), (2, 9));
    check_entity(&client, ENTITY, &listed).await;
    verify(&database.url, 2 + listed.len());
}

async fn drain(database: Database) {
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 10, "forfeited").await;
    let path = format!("/v1/bond-issues/{issue}/conversions");
    let (head, body) = socket::post(&path, "in-flight", "expect: 100-continue\r\n", &conversion("2025-03-10", 1));
    let mut socket = Socket::connect(process.address()).expect("a connection");
    socket.send(&head);
    // Asked to go on: the request is in the hands of the service.
    assert_eq!(socket.answer().0, 100);
    socket.send(&body[..body.len() / 2]);
    let ended = terminate(process).await;
    socket.send(&body[body.len() / 2..]);
    let (status, text) = socket.answer();
    assert_eq!(status, 201, "{text}");
    check_end(ended, &database, &issue).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_post_that_is_coming_in_at_sigterm_is_answered_on_sqlite() {
    drain(Database::sqlite()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_post_that_is_coming_in_at_sigterm_is_answered_on_postgres() {
    if let Some(database) = Database::postgres().await {
        drain(database).await;
    }
}

/// The reader would wait longer than the test does.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reader_of_the_feed_that_waits_at_sigterm_is_answered_at_once() {
    let Some(database) = Database::postgres().await else { return };
    let (process, client) = database.serve().await;
    client.issue(ENTITY, "one", 10, "forfeited").await;
    let reading = tokio::spawn(async move { client.next_releases(ENTITY, 1, 100).await });
    let mut watcher = PgConnection::connect(&database.url).await.expect("a connection");
    until(&mut watcher, "state = 'idle' and query like '%from release r where r.entity = $1 and r.release > $2%'")
        .await;
    let ended = terminate(process).await;
    let answer = tokio::time::timeout(Duration::from_secs(12), reading).await.expect("it does not wait any more");
    let page = answer.expect("the reader ends").expect("it is answered");
    assert_eq!(page, serde_json::json!({"items": [], "next_after": 1}));
    let (status, _) = ended.await.expect("the process ends");
    assert!(status.success(), "{status}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_post_that_waits_for_its_commit_at_sigterm_is_answered() {
    let Some(database) = Database::postgres().await else { return };
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 10, "forfeited").await;
    let mut held = Held::head(&database.url).await;
    let path = format!("/v1/bond-issues/{issue}/conversions");
    let posting = tokio::spawn(async move { client.must_post(&path, "in-flight", &conversion("2025-03-10", 1)).await });
    held.until_waited_for().await;
    let ended = terminate(process).await;
    held.release().await;
    assert_eq!(posting.await.expect("the client ends").status, 201);
    check_end(ended, &database, &issue).await;
}
