//! Lets a client that sends too much read the answer to it.
//!
//! When a request is refused before its body was read, closing the connection at once makes the system reset it, and the
//! client may lose the answer that tells it why (RFC 9112 section 9.6). So what is still coming is read and thrown away
//! for a while, in bounded memory, after the answer went out.

use std::future::poll_fn;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::{Body, Bytes, HttpBody};
use axum::extract::Request;
use axum::http::header;
use axum::middleware::Next;
use axum::response::Response;
use http_body::{Frame, SizeHint};

const AT_MOST: usize = 64 << 20;
const FOR_AT_MOST: Duration = Duration::from_secs(10);

/// The layer: watches over what is left of the body.
pub async fn linger(request: Request, next: Next) -> Response {
    // Who waits for "100 Continue" has not sent the body yet; reading from it would ask for it.
    let waits = request.headers().contains_key(header::EXPECT);
    if waits || request.body().is_end_stream() {
        return next.run(request).await;
    }
    next.run(request.map(|body| Body::new(Watched(Some(body))))).await
}

/// A body whose rest is drained when it is dropped unread.
struct Watched(Option<Body>);

impl HttpBody for Watched {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        let Some(body) = &mut self.0 else {
            return Poll::Ready(None);
        };
        let polled = Pin::new(body).poll_frame(context);
        if matches!(polled, Poll::Ready(None | Some(Err(_)))) {
            self.0 = None;
        }
        polled
    }

    fn is_end_stream(&self) -> bool {
        self.0.as_ref().is_none_or(HttpBody::is_end_stream)
    }

    fn size_hint(&self) -> SizeHint {
        self.0.as_ref().map_or_else(|| SizeHint::with_exact(0), HttpBody::size_hint)
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        let Some(body) = self.0.take().filter(|body| !body.is_end_stream()) else {
            return;
        };
        if let Ok(runtime) = tokio::runtime::Handle::try_current() {
            runtime.spawn(tokio::time::timeout(FOR_AT_MOST, drain(body)));
        }
    }
}

async fn drain(mut body: Body) {
    let mut read = 0;
    while let Some(Ok(frame)) = poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
        read += frame.data_ref().map_or(0, Bytes::len);
        if read > AT_MOST {
            return;
        }
    }
}
