//! Two processes of the service on one PostgreSQL database.

use std::collections::BTreeSet;

use super::{Database, ENTITY, with_status};
use crate::crash::{Client, check_entity, conversion, events, verify};
use crate::support::process::Process;

/// Clients of each process.
const CLIENTS: usize = 4;

/// Converts one bond after another through one process; returns the statuses, and the ids of events.
async fn convert(client: Client, issue: String, name: String, times: usize) -> (Vec<u16>, Vec<String>) {
    let (mut statuses, mut ids) = (Vec::new(), Vec::new());
    for at in 0..times {
        // Forward and back, so that conversions that need the whole history of the issue are among them.
        let date = format!("2025-{:02}-01", 1 + (at * 5) % 12);
        let path = format!("/v1/bond-issues/{issue}/conversions");
        let answer = client.must_post(&path, &format!("{name}-{at}"), &conversion(&date, 1)).await;
        match answer.status {
            201 => ids.push(answer.event().0),
            _ => {
                // Nothing is outstanding on the date, or nothing is left of what is once later conversions are taken off.
                let code = answer.json()["code"].clone();
                assert!(code == "exceeds_outstanding" || code == "later_event_in_the_way", "{}", answer.text);
            }
        }
        statuses.push(answer.status);
    }
    (statuses, ids)
}

async fn both(database: &Database) -> ([Process; 2], [Client; 2]) {
    let (first, client) = database.serve().await;
    let second = Process::serve(&database.url, "off");
    let other = Client::new(second.address());
    ([first, second], [client, other])
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_processes_that_convert_one_issue_at_once_never_convert_more_than_is_outstanding() {
    let Some(database) = Database::postgres().await else { return };
    let (_processes, clients) = both(&database).await;
    let (bonds, times) = (60, 12);
    let issue = clients[0].issue(ENTITY, "one", bonds, "forfeited").await;
    let tasks: Vec<_> = (0..2 * CLIENTS)
        .map(|at| tokio::spawn(convert(clients[at % 2].clone(), issue.clone(), format!("client-{at}"), times)))
        .collect();
    let (mut statuses, mut ids, mut by_process) = (Vec::new(), BTreeSet::new(), [0; 2]);
    for (at, task) in tasks.into_iter().enumerate() {
        let (answered, recorded) = task.await.expect("the client ends");
        by_process[at % 2] += recorded.len();
        statuses.extend(answered);
        ids.extend(recorded);
    }
    let attempts = 2 * CLIENTS * times;
    assert_eq!(with_status(&statuses, 201), bonds as usize, "{statuses:?}");
    assert_eq!(with_status(&statuses, 409), attempts - bonds as usize, "{statuses:?}");
    assert_eq!(ids.len(), bonds as usize, "two answers tell the same event");
    assert!(by_process.iter().all(|recorded| *recorded > 0), "only one process recorded anything: {by_process:?}");
    let listed = events(&clients[0], std::slice::from_ref(&issue)).await;
    assert_eq!(events(&clients[1], std::slice::from_ref(&issue)).await, listed);
    let converted: BTreeSet<String> =
        listed.iter().filter(|event| event.kind == "conversion").map(|event| event.id.clone()).collect();
    assert_eq!(converted, ids);
    for client in &clients {
        assert_eq!(client.outstanding(&issue).await, 0);
        check_entity(client, ENTITY, &listed).await;
    }
    for path in [
        format!("/v1/bond-issues/{issue}/carrying-value?as_of=2025-08-31"),
        format!("/v1/entities/{ENTITY}/rollforward?from=2024-01-01&to=2025-12-31"),
        format!("/v1/entities/{ENTITY}/trial-balance?as_of=2025-12-31"),
    ] {
        assert_eq!(clients[0].get(&path).await, clients[1].get(&path).await, "{path}");
    }
    verify(&database.url, 2 + listed.len());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_processes_on_one_entity_with_issues_of_their_own_leave_no_gap_in_any_counter() {
    let Some(database) = Database::postgres().await else { return };
    let (_processes, clients) = both(&database).await;
    let issues =
        [clients[0].issue(ENTITY, "one", 500, "paid").await, clients[1].issue(ENTITY, "two", 500, "payable").await];
    let times = 10;
    let tasks: Vec<_> = (0..2 * CLIENTS)
        .map(|at| tokio::spawn(convert(clients[at % 2].clone(), issues[at % 2].clone(), format!("client-{at}"), times)))
        .collect();
    for task in tasks {
        let (statuses, ids) = task.await.expect("the client ends");
        assert_eq!((with_status(&statuses, 201), ids.len()), (times, times), "{statuses:?}");
    }
    let listed = events(&clients[1], &issues).await;
    assert_eq!(listed.len(), 2 + 2 * CLIENTS * times);
    check_entity(&clients[0], ENTITY, &listed).await;
    for issue in &issues {
        assert_eq!(clients[0].outstanding(issue).await, 500 - (CLIENTS * times) as i64);
    }
    verify(&database.url, 2 + listed.len());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_key_sent_to_two_processes_at_once_records_one_event() {
    let Some(database) = Database::postgres().await else { return };
    let (_processes, clients) = both(&database).await;
    let issue = clients[0].issue(ENTITY, "one", 50, "forfeited").await;
    let path = format!("/v1/bond-issues/{issue}/conversions");
    for round in 0..10 {
        let (key, body) = (format!("round-{round}"), conversion("2025-03-10", 1));
        let (one, other) =
            tokio::join!(clients[0].must_post(&path, &key, &body), clients[1].must_post(&path, &key, &body));
        assert_eq!(one.event(), other.event());
        assert_eq!(one.text, other.text);
        assert!(one.replayed != other.replayed, "one records, the other repeats: {one:?} {other:?}");
    }
    let listed = events(&clients[0], std::slice::from_ref(&issue)).await;
    assert_eq!(listed.len(), 11);
    check_entity(&clients[1], ENTITY, &listed).await;
}
