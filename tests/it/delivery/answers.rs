//! A receiver that answers wrongly what it took: it says that it counted other totals than were delivered.

use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::receiver::Receiver;
use super::{Desk, check_line_by_line};
use crate::support::client::{Service, assert_figures, change, items, on_both_engines, text};
use crate::support::ledger::figure;

on_both_engines! {
    a_receiver_that_lies_about_totals_settles_nothing_and_holds_nothing_up
}

/// What a ledger answers that posted what it got.
fn posted(release: &Value) -> Value {
    json!({"revision": release["revision"], "status": "acknowledged", "totals": release["totals"],
        "release_sha256": release["release_sha256"]})
}

fn acknowledgement(release: &Value) -> String {
    format!("/v1/journal-batches/{}/acknowledgement", text(&release["batch"]))
}

/// Answers a release with each lie there is; nothing of it is taken.
async fn lie(service: &Service, release: &Value) {
    let cent_more = figure(&release["totals"]["debit"]) + Decimal::new(1, 2);
    let lies = [
        (json!({"totals": {"entries": 0}}), "entries"),
        (json!({"totals": {"lines": 1}}), "lines"),
        (json!({"totals": {"debit": cent_more.to_string()}}), "debit"),
        (json!({"totals": {"credit": "0.00"}}), "credit"),
        // The hash of something else.
        (json!({"release_sha256": release["journal_batch"]["content_sha256"]}), "release_sha256"),
        (json!({"status": "rejected", "reason": "Out of balance", "totals": {"credit": "0.01"}}), "credit"),
    ];
    for (lie, total) in lies {
        let mut answer = posted(release);
        change(&mut answer, lie);
        let problem = service.post(&acknowledgement(release), &answer).await.problem(409, "totals_mismatch");
        assert_eq!(problem["figures"]["total"], json!(total), "{problem}");
    }
}

/// The numbers of the releases that the ledger has not answered.
async fn open(service: &Service) -> Vec<i64> {
    let open = items(&service.read("/v1/entities/ACME/open-releases").await);
    open.iter().map(|open| open["release"].as_i64().expect("a number")).collect()
}

async fn a_receiver_that_lies_about_totals_settles_nothing_and_holds_nothing_up(service: Service) {
    let mut desk = Desk::open(service).await;
    let (mut receiver, go) = Receiver::holding(2).await;
    desk.start();
    desk.destination("ledger", &receiver.address).await;
    // It lies about what it took, and about what it has not said that it took.
    let first = receiver.hear().await.event()["data"].clone();
    lie(&desk.service, &first).await;
    let second = receiver.hear().await.event()["data"].clone();
    lie(&desk.service, &second).await;
    go.notify_one();
    receiver.hear_until(3).await;
    assert_eq!(open(&desk.service).await, [1, 2, 3]);
    // The later ones come all the same, and are lied about as well.
    desk.accrue("2025-05-31").await;
    receiver.hear_until(6).await;
    desk.stop().await;
    desk.check_arrived(&receiver).await;
    let taken: Vec<Value> = receiver.accepted().iter().map(|request| request.event()["data"].clone()).collect();
    for release in &taken {
        lie(&desk.service, release).await;
    }
    assert_eq!(open(&desk.service).await, [1, 2, 3, 4, 5, 6]);
    desk.check_arrived(&receiver).await;

    // It mends its ways. One it posted nothing of, truthfully; that comes again under the same number, and is lied about once more.
    let mut rejected = posted(&taken[3]);
    change(&mut rejected, json!({"status": "rejected", "reason": "The account is blocked"}));
    desk.service.post(&acknowledgement(&taken[3]), &rejected).await.done();
    let again = format!("/v1/journal-batches/{}/release", text(&taken[3]["batch"]));
    desk.service.post(&again, &json!({})).await.created();
    desk.start();
    receiver.hear_until(7).await;
    desk.stop().await;
    let taken: Vec<Value> = receiver.accepted().iter().map(|request| request.event()["data"].clone()).collect();
    let last = &taken[6];
    assert_figures(last, json!({"release": 7, "revision": 2, "number": taken[3]["number"]}));
    lie(&desk.service, last).await;
    assert_eq!(open(&desk.service).await, [1, 2, 3, 5, 6, 7]);
    for release in taken.iter().filter(|release| release["release"] != taken[3]["release"]) {
        let answer = desk.service.post(&acknowledgement(release), &posted(release)).await.done();
        assert_figures(&answer, json!({"release": release["release"], "totals": release["totals"]}));
    }
    assert_eq!(open(&desk.service).await, [0; 0]);
    // Its books are those of the service.
    check_line_by_line(&desk.service, &taken).await;
    desk.service.verify().await;
}
