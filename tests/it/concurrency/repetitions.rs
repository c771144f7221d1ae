//! The same request from several clients at once, on one process.

use super::{Database, ENTITY, Held};
use crate::crash::{Answer, Client, check_entity, conversion, events};

/// All of these answers tell one event, which one of them recorded.
#[track_caller]
fn check_one_event(answers: &[Answer]) {
    let first = answers[0].event();
    for answer in answers {
        assert_eq!((answer.event(), &answer.text), (first.clone(), &answers[0].text));
    }
    assert_eq!(
        answers.iter().filter(|answer| !answer.replayed).count(),
        1,
        "one request records, the others repeat it"
    );
}

async fn at_once(client: &Client, path: &str, key: &str, body: &serde_json::Value) -> Vec<Answer> {
    futures_util::future::join_all((0..6).map(|_| client.must_post(path, key, body))).await
}

async fn repeat_what_can_be_done_only_once(client: &Client) {
    // A conversion of all bonds, a coupon and an accrual: done a second time, each would be refused or have nothing to do.
    let issue = client.issue(ENTITY, "all", 40, "forfeited").await;
    let cases = [
        ("accruals", serde_json::json!({"through": "2024-06-30"})),
        ("coupon-payments", serde_json::json!({"coupon_date": "2024-07-15"})),
        ("conversions", conversion("2024-08-10", 40)),
    ];
    for (kind, body) in cases {
        let path = format!("/v1/bond-issues/{issue}/{kind}");
        check_one_event(&at_once(client, &path, kind, &body).await);
    }
    let listed = events(client, std::slice::from_ref(&issue)).await;
    assert_eq!(listed.len(), 4);
    check_entity(client, ENTITY, &listed).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_request_sent_six_times_at_once_records_one_event_on_sqlite() {
    let database = Database::sqlite();
    let (_process, client) = database.serve().await;
    repeat_what_can_be_done_only_once(&client).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_request_sent_six_times_at_once_records_one_event_on_postgres() {
    let Some(database) = Database::postgres().await else { return };
    let (_process, client) = database.serve().await;
    repeat_what_can_be_done_only_once(&client).await;
}

/// While the head is held the writer waits with a first request, and those that come meanwhile share the next commit: so all
/// copies of a request are decided in one group.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn copies_of_a_request_that_share_a_commit_are_answered_alike() {
    let Some(database) = Database::postgres().await else { return };
    let (_process, client) = database.serve().await;
    let first = client.issue(ENTITY, "first", 10, "forfeited").await;
    let issue = client.issue(ENTITY, "all", 40, "forfeited").await;
    let mut held = Held::head(&database.url).await;
    let waiting = {
        let (client, path) = (client.clone(), format!("/v1/bond-issues/{first}/conversions"));
        tokio::spawn(async move { client.must_post(&path, "first", &conversion("2024-08-10", 1)).await })
    };
    held.until_waited_for().await;
    let copies = {
        let (client, path) = (client.clone(), format!("/v1/bond-issues/{issue}/conversions"));
        tokio::spawn(async move { at_once(&client, &path, "all", &conversion("2024-08-10", 40)).await })
    };
    // Each of these is answered after it came in, and so after copies that were sent before it on other connections had time to
    // come in; that they all did is no condition of the test, for together or apart they are answered alike.
    for _ in 0..20 {
        client.get("/livez").await;
    }
    held.release().await;
    assert_eq!(waiting.await.expect("the client ends").status, 201);
    check_one_event(&copies.await.expect("the clients end"));
    let listed = events(&client, &[first, issue]).await;
    assert_eq!(listed.len(), 4);
    check_entity(&client, ENTITY, &listed).await;
}
