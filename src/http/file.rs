//! An answer that is written to a temporary file first, because it may be larger than what should stand in memory.

use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use sha2::{Digest, Sha256};

use super::accept::{Media, by_accept, named};
use super::etag::{ETag, tag};
use super::problem::Problem;

/// How much is read at once.
const PIECE: usize = 256 * 1024;

/// A file without a name, which is gone when this is.
#[derive(Debug)]
pub struct TemporaryFile {
    file: BufWriter<File>,
    hash: Sha256,
    length: u64,
}

impl TemporaryFile {
    /// An empty one.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn new() -> io::Result<TemporaryFile> {
        Ok(TemporaryFile { file: BufWriter::new(tempfile::tempfile()?), hash: Sha256::new(), length: 0 })
    }

    /// Its content as a file of this name, with its tag, sent a piece at a time.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn answer(self, media: Media, name: &str) -> Result<Response, Problem> {
        let own = ETag::hashed(&self.hash.finalize());
        let mut file = self.file.into_inner().map_err(|error| Problem::internal(error.into_error()))?;
        file.seek(SeekFrom::Start(0)).map_err(Problem::internal)?;
        let mut response = (StatusCode::OK, [(header::CONTENT_TYPE, media.content_type())]).into_response();
        response.headers_mut().insert(header::CONTENT_LENGTH, self.length.into());
        *response.body_mut() = Body::from_stream(stream::try_unfold(file, next));
        tag(&mut response, &own);
        Ok(named(by_accept(response), media, name))
    }
}

impl Write for TemporaryFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.length += u64::try_from(written).unwrap_or_default();
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// The next piece, read where waiting holds nobody up.
async fn next(mut file: File) -> io::Result<Option<(Bytes, File)>> {
    let read = tokio::task::spawn_blocking(move || {
        let mut piece = Vec::with_capacity(PIECE);
        let limit = u64::try_from(PIECE).unwrap_or(u64::MAX);
        io::Read::take(&mut file, limit).read_to_end(&mut piece)?;
        Ok::<_, io::Error>((piece, file))
    });
    let (piece, file) = read.await.map_err(io::Error::other)??;
    Ok((!piece.is_empty()).then(|| (piece.into(), file)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_file_is_answered_as_it_was_written() -> Result<(), Box<dyn std::error::Error>> {
        for length in [0, 1, PIECE, 2 * PIECE + 7] {
            let bytes: Vec<u8> = (0..length).map(|at| u8::try_from(at % 251).unwrap_or_default()).collect();
            let mut file = TemporaryFile::new()?;
            for part in bytes.chunks(10_000) {
                file.write_all(part)?;
            }
            let response = file.answer(Media::Xlsx, "name").map_err(|problem| problem.to_string())?;
            let header = |name| response.headers().get(name).and_then(|value| value.to_str().ok()).map(str::to_owned);
            assert_eq!(header("content-length"), Some(length.to_string()));
            assert_eq!(header("content-disposition").as_deref(), Some("attachment; filename=\"name.xlsx\""));
            assert_eq!(header("etag"), Some(ETag::of(&bytes).to_string()));
            let body = axum::body::to_bytes(response.into_body(), usize::MAX).await?;
            assert!(body == bytes, "{length}");
        }
        Ok(())
    }
}
