//! A writer that stops in the middle of a transaction, with the head of an entity locked and releases written that are not committed.
//! Whoever follows the feed meanwhile sees each release once, in order, and none that has a gap before it.

use serde_json::Value;
use sqlx::{Connection, PgConnection};
use tokio::sync::watch;

use super::{Database, ENTITY, Held, until};
use crate::api_histories::dice::Dice;
use crate::crash::{Client, check_entity, conversion, events, verify};
use crate::support::process::Process;

/// Another entity, which has nothing to do with it.
const OTHER: &str = "WIRE";

/// What a reader has got, and who tells it that no more will come.
struct Reader {
    client: Client,
    limit: usize,
    got: Vec<Value>,
}

impl Reader {
    /// Follows the feed from its last number on, again and again, until it is told that all was recorded; then to its end.
    async fn follow(mut self, mut over: watch::Receiver<bool>) -> Vec<Value> {
        loop {
            let page = tokio::select! {
                page = self.client.next_releases(ENTITY, self.last(), self.limit) => page.expect("the feed is read"),
                _ = over.wait_for(|over| *over) => break,
            };
            self.take(&page);
        }
        loop {
            let path = format!("/v1/entities/{ENTITY}/releases?after={}&limit={}", self.last(), self.limit);
            let page = self.client.get_json(&path).await;
            if !self.take(&page) {
                return self.got;
            }
        }
    }

    fn last(&self) -> i64 {
        self.got.len() as i64
    }

    /// Whether there was something, which is checked to be what comes next.
    fn take(&mut self, page: &Value) -> bool {
        let items = page["items"].as_array().expect("a feed has items");
        for item in items {
            assert_eq!(item["release"], self.last() + 1, "releases come in order and none is left out");
            self.got.push(item.clone());
        }
        assert_eq!(page["next_after"], self.last());
        !items.is_empty()
    }
}

/// Posts a conversion, which may be answered late.
fn posting(client: &Client, issue: &str, key: &str, date: &str) -> tokio::task::JoinHandle<Option<u16>> {
    let (client, key, body) = (client.clone(), key.to_owned(), conversion(date, 1));
    let path = format!("/v1/bond-issues/{issue}/conversions");
    tokio::spawn(async move { client.post(&path, &key, &body).await.ok().map(|answer| answer.status) })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readers_miss_nothing_while_a_writer_stalls_before_its_commit() {
    let Some(database) = Database::postgres().await else { return };
    let (_first, client) = database.serve().await;
    let issue = client.issue(ENTITY, "one", 1000, "forfeited").await;
    client.open_entity(OTHER).await;
    let other = client.issue(OTHER, "other", 1000, "forfeited").await;
    let mut watcher = PgConnection::connect(&database.url).await.expect("a connection");
    let (told, over) = watch::channel(false);
    let readers: Vec<_> = [1, 2, 3, 500]
        .into_iter()
        .map(|limit| tokio::spawn(Reader { client: client.clone(), limit, got: Vec::new() }.follow(over.clone())))
        .collect();

    let mut dice = Dice::new(20_261_126);
    // Dates in two fiscal years, forward and back, so that a commit holds one release or many.
    let mut date = || format!("{}-{:02}-{:02}", dice.between(2024, 2025), dice.between(2, 12), dice.between(1, 28));
    let mut second = Process::serve(&database.url, "off");
    for (round, dies) in [false, true, false, true].into_iter().enumerate() {
        let before = client.releases(ENTITY).await.len();
        let stalled = Client::new(second.address());
        // It locks the head, and has to wait in the middle of the statement that writes its releases: there it is held.
        let mut held = Held::releases(&database.url).await;
        let (key, its_date) = (format!("stalled-{round}"), date());
        let late = posting(&stalled, &issue, &key, &its_date);
        let writer = held.until_waited_for().await;
        second.hold();
        held.release().await;
        until(&mut watcher, &format!("pid = {writer} and state = 'idle in transaction'")).await;

        // Its releases are written and not committed: nobody sees them, and another entity is not held up.
        assert_eq!(
            posting(&client, &other, &format!("other-{round}"), &date()).await.expect("it is posted"),
            Some(201)
        );
        assert_eq!(client.releases(ENTITY).await.len(), before);
        // What is posted through another process waits, so that its releases have numbers after those.
        let waiting = posting(&client, &issue, &format!("waiting-{round}"), &date());
        until(&mut watcher, &format!("wait_event_type = 'Lock' and pid <> {writer}")).await;
        assert_eq!(client.releases(ENTITY).await.len(), before);

        if dies {
            second.kill();
            assert_eq!(late.await.expect("the client ends"), None, "nobody is left to answer");
            assert_eq!(waiting.await.expect("the client ends"), Some(201));
            // Its numbers went to the one that waited. The client asks again.
            second = Process::serve(&database.url, "off");
            let again = posting(&Client::new(second.address()), &issue, &key, &its_date);
            assert_eq!(again.await.expect("the client ends"), Some(201));
        } else {
            second.go_on();
            assert_eq!(late.await.expect("the client ends"), Some(201));
            assert_eq!(waiting.await.expect("the client ends"), Some(201));
        }
    }

    told.send_replace(true);
    let feed = client.releases(ENTITY).await;
    for reader in readers {
        assert_eq!(reader.await.expect("the reader ends"), feed);
    }
    assert_eq!(Client::new(second.address()).releases(ENTITY).await, feed);
    let years: std::collections::BTreeSet<&str> =
        feed.iter().map(|release| &release["number"].as_str().expect("a number")[..9]).collect();
    assert_eq!(years.into_iter().collect::<Vec<_>>(), ["ROPE-2024", "ROPE-2025"]);
    let listed = events(&client, std::slice::from_ref(&issue)).await;
    assert_eq!(listed.len(), 9, "each conversion once");
    check_entity(&client, ENTITY, &listed).await;
    let of_other = events(&client, std::slice::from_ref(&other)).await;
    check_entity(&client, OTHER, &of_other).await;
    verify(&database.url, 4 + listed.len() + of_other.len());
}
