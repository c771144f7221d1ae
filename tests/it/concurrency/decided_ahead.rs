//! Commands that are decided while the group before them is being written.

use jiff::Timestamp;
use sqlx::{Connection, PgConnection};

use super::{Database, ENTITY, Held};
use crate::crash::{Client, check_entity, conversion, events};

async fn execute(connection: &mut PgConnection, statement: &'static str) {
    sqlx::query(statement).execute(connection).await.expect("the statement runs");
}

fn post(client: &Client, issue: &str, key: &'static str, bonds: i64) -> tokio::task::JoinHandle<crate::crash::Answer> {
    let (client, path) = (client.clone(), format!("/v1/bond-issues/{issue}/conversions"));
    let mut body = conversion("2024-08-10", bonds);
    body["reference"] = key.into();
    tokio::spawn(async move { client.must_post(&path, key, &body).await })
}

/// The first conversion waits for the head with its rows made. Those that come meanwhile are decided as if it were committed; then its
/// reference turns out to be taken.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_decided_after_a_command_that_is_not_kept_is_decided_anew() {
    let Some(database) = Database::postgres().await else { return };
    let (_process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "all", 40, "forfeited").await;
    let mut held = Held::head(&database.url).await;
    let refused = post(&client, &issue, "taken", 30);
    held.until_waited_for().await;
    let kept = [post(&client, &issue, "small", 4), post(&client, &issue, "large", 20)];
    // Each of these is answered after it came in, and so after what was sent before it had time to.
    for _ in 0..20 {
        client.get("/livez").await;
    }
    execute(&mut held.holder, "insert into natural_key values ('ROPE', 'conversion', 'taken', 'another')").await;
    held.release().await;
    let refused = refused.await.expect("the client ends");
    assert_eq!((refused.status, refused.json()["code"].as_str()), (409, Some("reference_in_use")), "{}", refused.text);
    // Of 40 bonds these leave 16: the 20 could not be converted after the 30.
    for answer in kept {
        let answer = answer.await.expect("the client ends");
        assert_eq!(answer.status, 201, "{}", answer.text);
    }
    assert_eq!(client.outstanding(&issue).await, 16);
    let listed = events(&client, std::slice::from_ref(&issue)).await;
    assert_eq!(listed.len(), 3);
    check_entity(&client, ENTITY, &listed).await;
    let mut connection = PgConnection::connect(&database.url).await.expect("a connection");
    execute(&mut connection, "delete from natural_key where id = 'another'").await;
    crate::crash::verify(&database.url, 5);
}

/// A command that waited long for its turn is recorded at the time when it had it, not when it was decided first: whoever asked meanwhile
/// for what was known gets the same answer again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_decided_long_before_its_turn_is_decided_anew() {
    let Some(database) = Database::postgres().await else { return };
    let (_process, client) = database.serve().await;
    let issue = client.issue(ENTITY, "all", 40, "forfeited").await;
    let mut held = Held::head(&database.url).await;
    let waiting = post(&client, &issue, "waits", 30);
    held.until_waited_for().await;
    // The wait after which it counts as long is a second.
    tokio::time::sleep(std::time::Duration::from_millis(1_100)).await;
    let asked = Timestamp::now();
    held.release().await;
    let answer = waiting.await.expect("the client ends");
    assert_eq!(answer.status, 201, "{}", answer.text);
    let recorded_at = answer.json()["event"]["recorded_at"].as_str().expect("a time").parse::<Timestamp>();
    assert!(recorded_at.as_ref().is_ok_and(|recorded_at| *recorded_at >= asked), "{recorded_at:?} is before {asked}");
    let listed = events(&client, std::slice::from_ref(&issue)).await;
    check_entity(&client, ENTITY, &listed).await;
}
