//! Clients that go away in the middle, or stop reading.

use sqlx::{Connection, Row, SqliteConnection};

use super::socket::{self, Socket};
use super::{Database, ENTITY, Held};
use crate::crash::{Client, check_entity, conversion, events, verify};
use crate::support::process::Process;

const TIMES: usize = 20;

fn conversions(issue: &str) -> String {
    format!("/v1/bond-issues/{issue}/conversions")
}

/// Sends a whole conversion of one bond on a connection of its own.
fn send_whole(process: &Process, issue: &str, key: &str) -> Socket {
    let (head, body) = socket::post(&conversions(issue), key, "", &conversion("2025-03-10", 1));
    let mut socket = Socket::connect(process.address()).expect("a connection");
    socket.send(&[head, body].concat());
    socket
}

/// Repeats the conversions with these keys; returns how many had been recorded before.
async fn repeat(client: &Client, issue: &str, keys: impl IntoIterator<Item = String>) -> usize {
    let mut recorded = 0;
    for key in keys {
        let answer = client.must_post(&conversions(issue), &key, &conversion("2025-03-10", 1)).await;
        assert_eq!(answer.status, 201, "{}", answer.text);
        recorded += usize::from(answer.replayed);
    }
    recorded
}

/// What must hold when that many conversions of one bond were recorded.
async fn check_recorded(client: &Client, url: &str, issue: &String, conversions: usize) {
    let listed = events(client, std::slice::from_ref(issue)).await;
    assert_eq!(listed.len(), 1 + conversions);
    assert_eq!(client.outstanding(issue).await, 500 - conversions as i64);
    check_entity(client, ENTITY, &listed).await;
    verify(url, 2 + listed.len());
}

async fn vanish(database: Database) {
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 500, "forfeited").await;
    let key = |at: usize| format!("gone-{at}");
    for at in 0..TIMES {
        drop(send_whole(&process, &issue, &key(at)));
        // Nothing that the client before left stands in the way of the next.
        let answer = client.must_post(&conversions(&issue), &format!("next-{at}"), &conversion("2025-04-10", 1)).await;
        assert_eq!((answer.status, answer.replayed), (201, false), "{}", answer.text);
    }
    let recorded = repeat(&client, &issue, (0..TIMES).map(key)).await;
    assert_eq!(recorded, TIMES, "a request that had been sent whole was not recorded when its client went away");
    check_recorded(&client, &database.url, &issue, 2 * TIMES).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_closes_after_its_request_has_it_recorded_once_on_sqlite() {
    vanish(Database::sqlite()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_closes_after_its_request_has_it_recorded_once_on_postgres() {
    if let Some(database) = Database::postgres().await {
        vanish(database).await;
    }
}

async fn stop_half_way(database: Database) {
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 500, "forfeited").await;
    for at in 0..TIMES {
        let (head, body) = socket::post(&conversions(&issue), &format!("half-{at}"), "", &conversion("2025-03-10", 1));
        let mut socket = Socket::connect(process.address()).expect("a connection");
        socket.send(&head);
        socket.send(&body[..body.len() / 2]);
        drop(socket);
        let answer = client.must_post(&conversions(&issue), &format!("next-{at}"), &conversion("2025-04-10", 1)).await;
        assert_eq!((answer.status, answer.replayed), (201, false), "{}", answer.text);
    }
    check_recorded(&client, &database.url, &issue, TIMES).await;
    let before = repeat(&client, &issue, (0..TIMES).map(|at| format!("half-{at}"))).await;
    assert_eq!(before, 0, "half a request was recorded");
    check_recorded(&client, &database.url, &issue, 2 * TIMES).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_closes_half_way_through_its_request_has_nothing_recorded_on_sqlite() {
    stop_half_way(Database::sqlite()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_closes_half_way_through_its_request_has_nothing_recorded_on_postgres() {
    if let Some(database) = Database::postgres().await {
        stop_half_way(database).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_vanishes_while_its_posting_waits_for_the_head_neither_cancels_it_nor_leaves_a_lock() {
    let Some(database) = Database::postgres().await else { return };
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 500, "forfeited").await;
    let mut held = Held::head(&database.url).await;
    let socket = send_whole(&process, &issue, "gone");
    held.until_waited_for().await;
    drop(socket);
    held.release().await;
    assert_eq!(repeat(&client, &issue, ["next".to_owned()]).await, 0);
    assert_eq!(repeat(&client, &issue, ["gone".to_owned()]).await, 1, "the posting was cancelled");
    check_recorded(&client, &database.url, &issue, 2).await;
    let mut watcher = sqlx::PgConnection::connect(&database.url).await.expect("a connection");
    let open = sqlx::query(
        "select count(*) as open from pg_stat_activity \
         where datname = current_database() and pid <> pg_backend_pid() and state like 'idle in transaction%'",
    );
    let row = open.fetch_one(&mut watcher).await.expect("the server answers");
    assert_eq!(row.get::<i64, _>("open"), 0, "a transaction was left open");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_vanishes_while_the_file_is_locked_neither_cancels_its_posting_nor_leaves_a_lock() {
    let database = Database::sqlite();
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 500, "forfeited").await;
    let mut holder = SqliteConnection::connect(&database.url).await.expect("a connection");
    sqlx::query("begin immediate").execute(&mut holder).await.expect("begins");
    // The first answer of a connection shows that the service has it in hand, so that the close comes after the request and not
    // with it.
    let (head, body) =
        socket::post(&conversions(&issue), "gone", "expect: 100-continue\r\n", &conversion("2025-03-10", 1));
    let mut socket = Socket::connect(process.address()).expect("a connection");
    socket.send(&head);
    assert_eq!(socket.answer().0, 100);
    socket.send(&body);
    drop(socket);
    sqlx::query("commit").execute(&mut holder).await.expect("commits");
    assert_eq!(repeat(&client, &issue, ["next".to_owned()]).await, 0);
    assert_eq!(repeat(&client, &issue, ["gone".to_owned()]).await, 1, "the posting was cancelled");
    check_recorded(&client, &database.url, &issue, 2).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_stops_reading_holds_up_nobody_and_gets_all_answers_later() {
    let database = Database::sqlite();
    let (process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 500, "forfeited").await;
    let document = client.get("/openapi.json").await.len();
    // More than the buffers of both ends hold together, which Linux lets grow to ten megabytes.
    let asked = (24 << 20) / document + 1;
    let mut stalled = Socket::connect(process.address()).expect("a connection");
    stalled.send("GET /openapi.json HTTP/1.1\r\nhost: localhost\r\n\r\n".repeat(asked).as_bytes());
    let (head, body) = socket::post(&conversions(&issue), "stalled", "", &conversion("2025-03-10", 1));
    stalled.send(&[head, body].concat());
    for at in 0..TIMES {
        let answer = client.must_post(&conversions(&issue), &format!("next-{at}"), &conversion("2025-04-10", 1)).await;
        assert_eq!(answer.status, 201, "{}", answer.text);
    }
    check_recorded(&client, &database.url, &issue, TIMES).await;
    let answers = tokio::task::spawn_blocking(move || stalled.answers(asked + 1)).await.expect("all answers come");
    assert!(answers[..asked].iter().all(|(status, text)| *status == 200 && text.len() == document));
    assert_eq!(answers[asked].0, 201, "{}", answers[asked].1);
    check_recorded(&client, &database.url, &issue, TIMES + 1).await;
}
