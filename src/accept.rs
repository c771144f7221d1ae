//! Accepting connections.
//!
//! The loop is our own for one reason: a client may send a request whole and close its side at once, and what it asked for is
//! carried out all the same. The ready-made loop takes that close for a cancellation and drops the request half done.

use std::io;
use std::pin::pin;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;

/// How long a client may take to send the head of a request.
const HEAD_LIMIT: Duration = Duration::from_secs(30);
/// How long accepting rests when the system has no more sockets to give.
const REST: Duration = Duration::from_millis(100);

/// Serves connections until `stop`, then waits for those that have a request in progress.
pub async fn accept(listener: TcpListener, router: Router, stop: impl Future<Output = ()>) {
    let open = GracefulShutdown::new();
    let mut stop = pin!(stop);
    loop {
        let stream = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) => stream,
                Err(error) => {
                    rest_after(&error).await;
                    continue;
                }
            },
            () = &mut stop => break,
        };
        // A small answer must not wait for more data to fill a packet. A socket that refuses this still works.
        let _ = stream.set_nodelay(true);
        let connection = http1::Builder::new()
            .half_close(true)
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_LIMIT)
            .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router.clone()));
        let connection = open.watch(connection);
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(error = &error as &dyn std::error::Error, "a connection ended early");
            }
        });
    }
    drop(listener);
    open.shutdown().await;
}

/// A client that gives up before it is accepted is no trouble of ours; anything else may pass.
async fn rest_after(error: &io::Error) {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    if !matches!(error.kind(), ConnectionAborted | ConnectionRefused | ConnectionReset) {
        tracing::error!(error = error as &dyn std::error::Error, "cannot accept connections");
        tokio::time::sleep(REST).await;
    }
}
