//! Receivers that fail in every way there is.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};

use super::receiver::{Receiver, Reply, Request};
use super::{DESTINATIONS, Desk, texts};
use crate::support::client::{Service, assert_fields, assert_figures, items, on_both_engines, text};

on_both_engines! {
    every_release_arrives_in_order_whatever_the_receiver_does
    a_release_that_was_taken_and_answered_late_comes_again_and_is_recognised
    the_next_attempt_is_when_the_receiver_asks_for_it
    a_receiver_that_is_gone_gets_nothing_more_until_it_is_resumed
    a_destination_is_parked_after_its_last_attempt_and_replayed
    a_receiver_that_stalls_holds_up_nobody_else
}

/// Replies to the attempts at each release, in order; 200 to all others.
fn by_release(replies: &[(i64, &[Reply])]) -> impl FnMut(&Request) -> Reply + Send + 'static {
    let mut replies: HashMap<i64, Vec<Reply>> =
        replies.iter().map(|(release, replies)| (*release, replies.iter().rev().cloned().collect())).collect();
    move |request| {
        if request.path == "/elsewhere" {
            return Reply::status(200);
        }
        replies.get_mut(&request.release()).and_then(Vec::pop).unwrap_or(Reply::status(200))
    }
}

async fn every_release_arrives_in_order_whatever_the_receiver_does(service: Service) {
    let mut desk = Desk::open(service).await;
    desk.push.timeout = Duration::from_millis(800);
    let mut receiver = Receiver::start().await;
    let elsewhere = format!("{}/elsewhere", receiver.address);
    receiver.now(by_release(&[
        (1, &[Reply::status(500), Reply::status(503)]),
        (2, &[Reply::Stall]),
        (3, &[Reply::with(429, "Retry-After", 0), Reply::with(429, "Retry-After", "soon")]),
        (4, &[Reply::with(307, "Location", &elsewhere), Reply::with(301, "Location", &elsewhere)]),
        (5, &[Reply::Close]),
        (6, &[Reply::BreakOff]),
        (7, &[Reply::status(400), Reply::status(404), Reply::status(408)]),
        (8, &[Reply::with(304, "Location", &elsewhere)]),
        (9, &[Reply::status(202)]),
        (10, &[Reply::status(204)]),
    ]));
    desk.accrue("2025-11-30").await;
    desk.start();
    desk.destination("ledger", &format!("{}/journals?book=main", receiver.address)).await;
    receiver.hear_until(12).await;
    desk.stop().await;
    // What is released while nothing is delivered is delivered later.
    desk.accrue("2025-12-31").await;
    desk.start();
    receiver.hear_until(13).await;
    // A commit wakes the courier.
    desk.accrue("2026-01-31").await;
    receiver.hear_until(14).await;
    desk.stop().await;

    desk.check_arrived(&receiver).await;
    let accepted = receiver.accepted();
    assert!(accepted.iter().all(|request| request.path == "/journals?book=main"), "a redirect was followed");
    let mut attempts = desk.attempts("ledger").await;
    attempts.reverse();
    let numbers: Vec<i64> = attempts.iter().map(|attempt| attempt["attempt"].as_i64().expect("a number")).collect();
    assert_eq!(numbers, (1..=numbers.len() as i64).collect::<Vec<_>>());
    let of = |release: i64| -> Vec<(String, Value)> {
        let of = attempts.iter().filter(|attempt| attempt["release"] == json!(release));
        of.map(|attempt| (text(&attempt["outcome"]).to_owned(), attempt["status"].clone())).collect()
    };
    let outcome = |name: &str, status: Value| (name.to_owned(), status);
    let delivered = |status: u16| outcome("delivered", json!(status));
    assert_eq!(of(1), [outcome("refused", json!(500)), outcome("refused", json!(503)), delivered(200)]);
    assert_eq!(of(2), [outcome("timed_out", Value::Null), delivered(200)]);
    assert_eq!(of(3), [outcome("refused", json!(429)), outcome("refused", json!(429)), delivered(200)]);
    assert_eq!(of(4), [outcome("redirected", json!(307)), outcome("redirected", json!(301)), delivered(200)]);
    assert_eq!(of(5), [outcome("unreachable", Value::Null), delivered(200)]);
    assert_eq!(of(6), [outcome("unreachable", Value::Null), delivered(200)]);
    assert_eq!(
        of(7),
        [
            outcome("refused", json!(400)),
            outcome("refused", json!(404)),
            outcome("refused", json!(408)),
            delivered(200)
        ]
    );
    assert_eq!(of(8), [outcome("redirected", json!(304)), delivered(200)]);
    assert_eq!((of(9), of(10), of(14)), (vec![delivered(202)], vec![delivered(204)], vec![delivered(200)]));
    for attempt in &attempts {
        assert_fields(attempt, "attempt release started_at duration_ms outcome status detail next_attempt_at");
        assert_eq!(attempt["outcome"] == json!("delivered"), attempt["detail"].is_null(), "{attempt}");
        assert_eq!(attempt["outcome"] == json!("delivered"), attempt["next_attempt_at"].is_null(), "{attempt}");
        assert!(!attempt.to_string().contains("RECEIVER-WORDS"), "what the receiver wrote is shown: {attempt}");
    }
    let destination = desk.read("ledger").await;
    assert_fields(
        &destination,
        "entity name url state reason delivered newest_release failed_attempts next_attempt_at changed_at",
    );
    assert_figures(
        &destination,
        json!({"entity": "ACME", "name": "ledger", "state": "active", "delivered": 14, "newest_release": 14,
            "failed_attempts": 0, "reason": null, "next_attempt_at": null}),
    );
}

/// The receiver keeps what came and answers when nobody waits any more; then again; then in time.
async fn a_release_that_was_taken_and_answered_late_comes_again_and_is_recognised(service: Service) {
    let mut desk = Desk::open(service).await;
    desk.push.timeout = Duration::from_millis(400);
    let kept = Arc::new(Mutex::new(Vec::new()));
    let keep = Arc::clone(&kept);
    let mut receiver = Receiver::scripted(move |request| {
        let mut kept = keep.lock().expect("no test panicked");
        kept.push(request.clone());
        match kept.len() {
            1 | 2 => Reply::Stall,
            // More words than anybody wants to hear.
            3 => Reply::Endless,
            _ => Reply::status(200),
        }
    })
    .await;
    desk.start();
    desk.destination("ledger", &receiver.address).await;
    receiver.hear_until(3).await;
    desk.stop().await;
    let kept = kept.lock().expect("no script panicked").clone();
    let ids: Vec<Value> = kept.iter().map(|request| request.event()["id"].clone()).collect();
    assert_eq!(
        ids,
        ["ACME-2025-000001.1", "ACME-2025-000001.1", "ACME-2025-000001.1", "ACME-2025-000002.1", "ACME-2025-000003.1"]
    );
    assert_eq!(super::firsts(&kept).len(), 3);
    desk.check_arrived(&receiver).await;
}

async fn the_next_attempt_is_when_the_receiver_asks_for_it(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut receiver = Receiver::start().await;
    desk.destination("ledger", &receiver.address).await;
    let date = jiff::Timestamp::now() + jiff::SignedDuration::from_secs(600);
    let date = date.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string();
    for (asked, at_least, at_most) in [
        ("120", 119, 125),
        (date.as_str(), 590, 610),
        ("999999999", 3599, 3605),
        ("Thu, 01 Jan 1970 00:00:00 GMT", 0, 2),
    ] {
        let asked = asked.to_owned();
        receiver.now(move |_| Reply::with(503, "Retry-After", &asked));
        desk.start();
        receiver.hear().await;
        desk.stop().await;
        receiver.unheard();
        let attempt = &desk.attempts("ledger").await[0];
        let time = |name: &str| text(&attempt[name]).parse::<jiff::Timestamp>().expect("a time");
        let wait = time("next_attempt_at").duration_since(time("started_at")).as_secs();
        assert!((at_least..=at_most).contains(&wait), "{wait} s of {attempt}");
        let destination = desk.read("ledger").await;
        assert_eq!(destination["next_attempt_at"], attempt["next_attempt_at"]);
        assert_eq!(text(&destination["state"]), "active");
        // Somebody who knows better does not wait.
        let resumed = desk.command("ledger", "resume", None).await;
        assert_figures(&resumed, json!({"failed_attempts": 0, "next_attempt_at": null}));
    }
    receiver.now(|_| Reply::status(200));
    desk.start();
    receiver.hear_until(3).await;
    desk.stop().await;
    desk.check_arrived(&receiver).await;
}

async fn a_receiver_that_is_gone_gets_nothing_more_until_it_is_resumed(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut receiver = Receiver::scripted(by_release(&[(2, &[Reply::status(410)])])).await;
    desk.start();
    desk.destination("ledger", &receiver.address).await;
    receiver.hear_until(2).await;
    desk.stop().await;
    let gone = desk.read("ledger").await;
    assert_figures(&gone, json!({"state": "gone", "delivered": 1, "failed_attempts": 1, "next_attempt_at": null}));
    assert_eq!(text(&gone["reason"]), "release 2: the receiver answered 410 and wants no more");
    assert_eq!(texts(&desk.attempts("ledger").await, "outcome"), ["gone", "delivered"]);

    // Another one gets its releases, so that the courier has looked.
    let mut other = Receiver::start().await;
    desk.destination("other", &other.address).await;
    desk.start();
    other.hear_until(3).await;
    assert!(receiver.unheard().is_empty());
    assert_eq!(items(&desk.service.read(&format!("{DESTINATIONS}?state=gone")).await), [desk.read("ledger").await]);
    assert_figures(&desk.command("ledger", "resume", None).await, json!({"state": "active", "reason": null}));
    receiver.hear_until(3).await;
    desk.stop().await;
    desk.check_arrived(&receiver).await;
}

async fn a_destination_is_parked_after_its_last_attempt_and_replayed(service: Service) {
    let mut desk = Desk::open(service).await;
    desk.push.attempts = 3;
    let mut receiver =
        Receiver::scripted(by_release(&[(2, &[Reply::status(500), Reply::status(502), Reply::status(503)])])).await;
    desk.start();
    desk.destination("ledger", &format!("{}/in", receiver.address)).await;
    for release in [1, 2, 2, 2] {
        assert_eq!(receiver.hear().await.release(), release);
    }
    desk.stop().await;
    let parked = desk.read("ledger").await;
    assert_figures(&parked, json!({"state": "parked", "delivered": 1, "failed_attempts": 3, "next_attempt_at": null}));
    assert_eq!(
        text(&parked["reason"]),
        "release 2 was not delivered in 3 attempts; the last: the receiver answered 503"
    );
    assert!(desk.attempts("ledger").await[0]["next_attempt_at"].is_null());
    let mut other = Receiver::start().await;
    desk.destination("other", &other.address).await;
    desk.start();
    other.hear_until(3).await;
    assert!(receiver.unheard().is_empty(), "a parked destination is left alone");
    assert_eq!(items(&desk.service.read(&format!("{DESTINATIONS}?state=parked")).await), [parked]);
    let active = items(&desk.service.read(&format!("{DESTINATIONS}?state=active")).await);
    assert_eq!(texts(&active, "name"), ["other"]);

    // From the beginning: the first comes again.
    desk.command("ledger", "replay", Some(json!({"after": 0}))).await;
    receiver.hear_until(3).await;
    desk.stop().await;
    desk.check_arrived(&receiver).await;
    let releases: Vec<i64> = receiver.accepted().iter().map(Request::release).collect();
    assert_eq!(releases, [1, 1, 2, 3]);
    // Past what is not wanted.
    desk.accrue("2025-04-30").await;
    assert_eq!(desk.command("ledger", "replay", Some(json!({"after": 4}))).await["delivered"], json!(4));
    desk.start();
    receiver.hear_until(5).await;
    desk.stop().await;
    let releases: Vec<i64> = receiver.accepted().iter().map(Request::release).collect();
    assert_eq!(releases, [1, 1, 2, 3, 5]);
}

async fn a_receiver_that_stalls_holds_up_nobody_else(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut stalled = Receiver::scripted(|_| Reply::Stall).await;
    let mut other = Receiver::start().await;
    desk.start();
    desk.destination("a-stalled", &stalled.address).await;
    stalled.hear().await;
    // On SQLite an open transaction would keep these from being recorded.
    desk.destination("other", &other.address).await;
    desk.accrue("2025-06-30").await;
    other.hear_until(7).await;
    assert!(stalled.unheard().is_empty(), "one delivery at a time");
    assert_eq!(desk.read("a-stalled").await["delivered"], json!(0));
    // The stalled attempt is not waited for.
    drop(desk.courier.take());
}
