//! What only this machine can reach is not reached through a destination.

use serde_json::json;

use super::receiver::{Receiver, Reply};
use super::{DESTINATIONS, Desk};
use crate::support::client::{Service, assert_figures, on_both_engines, text};

on_both_engines! {
    addresses_that_are_not_public_are_refused
    a_name_that_resolves_to_this_machine_is_not_connected_to
    a_literal_that_was_allowed_once_is_not_connected_to
    an_operator_may_allow_them
}

async fn addresses_that_are_not_public_are_refused(service: Service) {
    let mut desk = Desk::open(service).await;
    desk.push.allow_private = false;
    desk.start();
    for host in [
        "127.0.0.1",
        "127.1",
        "2130706433",
        "0x7f000001",
        "0177.0.0.1",
        "0.0.0.0",
        "10.1.2.3",
        "172.16.0.1",
        "172.31.255.255",
        "192.168.1.1",
        "169.254.169.254",
        "100.64.0.1",
        "198.18.0.1",
        "224.0.0.1",
        "255.255.255.255",
        "[::]",
        "[::1]",
        "[::ffff:127.0.0.1]",
        "[::ffff:8.8.8.8]",
        "[fc00::1]",
        "[fd12:3456::1]",
        "[fe80::1]",
        "[ff02::1]",
        "[64:ff9b::a00:1]",
        "[2002:a00:1::]",
        "[2001:db8::1]",
    ] {
        let body = json!({"name": "ledger", "url": format!("https://{host}/in")});
        let refused = desk.service.post_with(DESTINATIONS, &body, &[]).await;
        let detail = refused.refused_at("invalid_field", "/url");
        assert!(detail.contains("--allow-private-destinations"), "{host}: {detail}");
    }
    for url in ["http://ledger.example.com/in", "http://8.8.8.8/in", "http://127.0.0.1/in"] {
        let refused = desk.service.post_with(DESTINATIONS, &json!({"name": "ledger", "url": url}), &[]).await;
        assert!(refused.refused_at("invalid_field", "/url").contains("https"), "{url}");
    }
    desk.stop().await;
}

/// The first attempt on a destination whose receiver does not hear of it. Asking takes the database a moment each time, and the answers
/// to be counted are bounded.
async fn attempted(desk: &mut Desk, name: &str) -> serde_json::Value {
    desk.push.backoff = std::time::Duration::from_secs(3600);
    desk.push.allow_private = false;
    desk.start();
    for _ in 0..100_000 {
        if let Some(attempt) = desk.attempts(name).await.pop() {
            desk.stop().await;
            return attempt;
        }
    }
    panic!("nothing was attempted");
}

async fn a_name_that_resolves_to_this_machine_is_not_connected_to(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut receiver = Receiver::start().await;
    let port = receiver.address.rsplit_once(':').expect("a port").1.to_owned();
    desk.destination("ledger", &format!("https://localhost:{port}/in")).await;
    let attempt = attempted(&mut desk, "ledger").await;
    assert_figures(&attempt, json!({"outcome": "address_refused", "status": null, "release": 1}));
    let detail = text(&attempt["detail"]);
    assert!(
        detail.contains("not a public one") && !detail.contains("127.0.0.1") && !detail.contains("::1"),
        "{detail}"
    );
    assert!(receiver.unheard().is_empty());
    receiver.check();
}

async fn a_literal_that_was_allowed_once_is_not_connected_to(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut receiver = Receiver::start().await;
    // Made while private addresses were allowed.
    desk.destination("ledger", &receiver.address).await;
    let attempt = attempted(&mut desk, "ledger").await;
    assert_figures(&attempt, json!({"outcome": "address_refused", "status": null}));
    assert!(receiver.unheard().is_empty());
}

async fn an_operator_may_allow_them(service: Service) {
    let mut desk = Desk::open(service).await;
    let mut receiver = Receiver::scripted(|request| {
        // To another private address, and on to this machine by another name: neither is followed.
        let to = if request.release() == 1 { "http://169.254.169.254/latest" } else { "http://localhost/" };
        if request.others == 0 && request.header("host").starts_with("127") {
            Reply::with(308, "Location", to)
        } else {
            Reply::status(200)
        }
    })
    .await;
    desk.push.attempts = 2;
    let port = receiver.address.rsplit_once(':').expect("a port").1.to_owned();
    desk.destination("by-address", &receiver.address).await;
    desk.start();
    receiver.hear().await;
    receiver.hear().await;
    desk.stop().await;
    assert_eq!(text(&desk.read("by-address").await["state"]), "parked");
    assert_eq!(text(&desk.attempts("by-address").await[0]["outcome"]), "redirected");
    // The target that is signed is the address as it was given, name and all.
    receiver.now(|_| Reply::status(200));
    desk.destination("by-name", &format!("http://localhost:{port}/in")).await;
    desk.start();
    let heard = receiver.hear().await;
    assert_eq!(heard.header("host"), format!("localhost:{port}"));
    receiver.hear_until(3).await;
    desk.stop().await;
    assert_eq!(desk.read("by-name").await["delivered"], json!(3));
}
