//! A large JSON answer, written while it is sent: its bytes never stand in memory beside its value.

use std::convert::Infallible;
use std::io::{self, BufWriter, Write};

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::Serialize;
use sha2::{Digest, Sha256};
use tokio::sync::mpsc;

use super::etag::{Answer, ETag, tag};
use super::pieces::PIECE;
use super::problem::Problem;

/// How many pieces wait to be sent.
const WAITING: usize = 4;

/// The same answer as [`Answer::ok`]. The value is written twice, because its tag and its length come before it.
pub fn ok<T: Serialize + Send + 'static>(value: T) -> Result<Response, Problem> {
    let measured = measure(&value).map_err(Problem::internal)?;
    if measured.length <= PIECE {
        return Ok(Answer::ok(value).into_response());
    }
    let (pieces, sent) = mpsc::channel::<Bytes>(WAITING);
    tokio::task::spawn_blocking(move || {
        // An error says that the reader has gone.
        let _ = write(&value, Sending(pieces));
    });
    let body = stream::unfold(sent, async |mut sent| {
        let piece = sent.recv().await?;
        Some((Ok::<_, Infallible>(piece), sent))
    });
    let headers = [(header::CONTENT_TYPE, "application/json")];
    let mut response = (StatusCode::OK, headers, Body::from_stream(body)).into_response();
    response.headers_mut().insert(header::CONTENT_LENGTH, measured.length.into());
    tag(&mut response, &ETag::hashed(&measured.hash.finalize()));
    Ok(response)
}

fn measure(value: &impl Serialize) -> io::Result<Measured> {
    let mut measured = Measured::default();
    write(value, &mut measured)?;
    Ok(measured)
}

fn write(value: &impl Serialize, out: impl Write) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(PIECE, out);
    serde_json::to_writer(&mut out, value)?;
    out.flush()
}

#[derive(Default)]
struct Measured {
    hash: Sha256,
    length: usize,
}

impl Write for Measured {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.hash.update(bytes);
        self.length += bytes.len();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Waits until there is room for what is written.
struct Sending(mpsc::Sender<Bytes>);

impl Write for Sending {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let piece = Bytes::copy_from_slice(bytes);
        self.0.blocking_send(piece).map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::time::Duration;

    use super::*;

    #[tokio::test]
    async fn an_answer_that_is_written_while_it_is_sent_is_the_same() {
        for length in [0, 10, PIECE, 40 * PIECE] {
            let value: Vec<String> = (0..length / 10).map(|at| format!("{at:08}")).collect();
            let (plain, streamed) = (Answer::ok(value.clone()).into_response(), ok(value));
            let Ok(streamed) = streamed else { panic!("it can be written") };
            assert_eq!(plain.status(), streamed.status());
            for name in [header::CONTENT_TYPE, header::CONTENT_LENGTH, header::ETAG, header::CACHE_CONTROL] {
                assert_eq!(plain.headers().get(&name), streamed.headers().get(&name));
            }
            assert!(streamed.headers().contains_key(header::ETAG));
            let bytes = async |response: Response| axum::body::to_bytes(response.into_body(), usize::MAX).await.ok();
            assert_eq!(bytes(plain).await, bytes(streamed).await);
        }
    }

    #[derive(Serialize)]
    struct Shown {
        numbers: Vec<u64>,
        #[serde(skip)]
        _alive: Arc<()>,
    }

    #[tokio::test]
    async fn a_reader_who_goes_away_ends_the_writing() {
        let alive = Arc::new(());
        let Ok(response) = ok(Shown { numbers: (0..PIECE as u64).collect(), _alive: Arc::clone(&alive) }) else {
            panic!("it can be written")
        };
        assert_eq!(Arc::strong_count(&alive), 2, "it waits to be read");
        drop(response);
        let given_up = async {
            while Arc::strong_count(&alive) > 1 {
                tokio::task::yield_now().await;
            }
        };
        assert!(tokio::time::timeout(Duration::from_secs(10), given_up).await.is_ok(), "it is still being written");
    }
}
