//! What only a real connection shows.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Starts the service on a free port and gives its address.
async fn start() -> std::net::SocketAddr {
    let listener = parwright::app::bind(([127, 0, 0, 1], 0).into()).await.expect("a port");
    let address = listener.local_addr().expect("an address");
    tokio::spawn(async move { axum::serve(listener, super::app()).await });
    address
}

/// Sends a head and then `megabytes` of body as a simple client does, which reads only when it has sent all.
fn post(address: std::net::SocketAddr, head: &str, megabytes: usize) -> (String, Duration) {
    let mut stream = TcpStream::connect(address).expect("a connection");
    stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a time-out");
    let started = Instant::now();
    stream.write_all(head.as_bytes()).expect("the head is taken");
    let piece = vec![b' '; 1 << 20];
    for _ in 0..megabytes {
        stream.write_all(&piece).expect("the body is taken");
    }
    let mut answer = vec![0; 4096];
    let read = stream.read(&mut answer).expect("an answer");
    (String::from_utf8_lossy(&answer[..read]).into_owned(), started.elapsed())
}

fn head(length: &str) -> String {
    let path = format!("/v1/bond-issues/{}/conversions", super::ID);
    let headers = format!("host: x\r\nauthorization: Bearer {}\r\ncontent-type: application/json", super::TOKEN);
    format!("POST {path} HTTP/1.1\r\n{headers}\r\nidempotency-key: k\r\n{length}\r\n\r\n")
}

#[tokio::test(flavor = "multi_thread")]
async fn fifty_megabytes_are_refused_before_they_are_sent() {
    let address = start().await;
    let length = format!("content-length: {}", 50 << 20);
    let sent = tokio::task::spawn_blocking(move || post(address, &head(&length), 0)).await.expect("a client");
    assert!(sent.0.starts_with("HTTP/1.1 413"), "{}", sent.0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_sends_fifty_megabytes_first_can_read_why_they_were_refused() {
    let address = start().await;
    let length = format!("content-length: {}", 50 << 20);
    let sent = tokio::task::spawn_blocking(move || post(address, &head(&length), 50)).await.expect("a client");
    assert!(sent.0.starts_with("HTTP/1.1 413") && sent.0.contains("body_too_large"), "{}", sent.0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_waits_for_leave_is_not_asked_for_its_body() {
    let address = start().await;
    let length = format!("expect: 100-continue\r\ncontent-length: {}", 50 << 20);
    let sent = tokio::task::spawn_blocking(move || post(address, &head(&length), 0)).await.expect("a client");
    assert!(sent.0.starts_with("HTTP/1.1 413"), "{}", sent.0);
}
