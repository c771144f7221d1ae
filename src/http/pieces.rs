//! The bytes of an answer while they are written: in pieces, because one buffer that grows holds a large answer three times.

use std::io;

use axum::body::{Body, Bytes};
use futures_util::stream;
use sha2::{Digest, Sha256};

use super::etag::ETag;

/// How large a piece is.
pub const PIECE: usize = 64 * 1024;

/// Bytes written so far.
#[derive(Debug, Default)]
pub struct Pieces {
    full: Vec<Bytes>,
    last: Vec<u8>,
    length: usize,
}

impl Pieces {
    /// The strong tag of all bytes: the same as if they were in one piece.
    pub fn tag(&self) -> ETag {
        let mut hash = Sha256::new();
        self.full.iter().for_each(|piece| hash.update(piece));
        hash.update(&self.last);
        ETag::hashed(&hash.finalize())
    }

    /// How many bytes there are.
    pub fn length(&self) -> usize {
        self.length
    }

    /// A body of these bytes, each piece freed once it is sent.
    pub fn into_body(mut self) -> Body {
        if self.full.is_empty() {
            return Body::from(self.last);
        }
        self.full.push(self.last.into());
        Body::from_stream(stream::iter(self.full.into_iter().map(Ok::<_, io::Error>)))
    }
}

impl io::Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.last.extend_from_slice(bytes);
        self.length += bytes.len();
        if self.last.len() >= PIECE {
            let piece = std::mem::replace(&mut self.last, Vec::with_capacity(PIECE + PIECE / 8));
            self.full.push(piece.into());
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[tokio::test]
    async fn pieces_are_the_bytes_and_have_their_tag() {
        for length in [0, 1, PIECE - 1, PIECE, 3 * PIECE + 5] {
            let bytes: Vec<u8> = (0..length).map(|at| u8::try_from(at % 251).unwrap_or_default()).collect();
            let mut pieces = Pieces::default();
            for part in bytes.chunks(1_000) {
                assert!(pieces.write_all(part).is_ok());
            }
            assert_eq!((pieces.tag(), pieces.length()), (ETag::of(&bytes), length));
            let body = axum::body::to_bytes(pieces.into_body(), usize::MAX).await;
            assert_eq!(body.map(|body| body.to_vec()).ok(), Some(bytes));
        }
    }
}
