//! A body that is a file: it is written to a temporary one as it comes, so that neither memory nor the books wait for it.

use std::fs::File;
use std::future::poll_fn;
use std::io::Write;
use std::pin::Pin;

use axum::body::HttpBody;
use axum::extract::Request;
use axum::http::header;
use sha2::Digest;

use super::body::{Fingerprint, cut_off, declared, too_large};
use super::problem::Problem;
use crate::import::{Format, MOST_BYTES, Upload};

/// How much is written at once.
const PIECE: usize = 256 << 10;

/// The media types of rows. JSON Lines has no registered one; both of these are in use.
const MEDIA_TYPES: [(&str, Format); 3] =
    [("application/jsonl", Format::JsonLines), ("application/x-ndjson", Format::JsonLines), ("text/csv", Format::Csv)];

/// Receives the rows of an import for an entity, whole.
///
/// # Errors
/// 415 for another media type, 413 for too much, 400 when the body ends before it is complete.
pub async fn receive(request: Request, entity: &str) -> Result<(Upload, Fingerprint), Problem> {
    let media_type = declared(request.headers(), &MEDIA_TYPES.map(|(name, _)| name))?;
    let format =
        MEDIA_TYPES.iter().find(|(name, _)| *name == media_type).map_or(Format::JsonLines, |(_, format)| *format);
    let most = usize::try_from(MOST_BYTES).unwrap_or(usize::MAX);
    let length = request.headers().get(header::CONTENT_LENGTH).and_then(|value| value.to_str().ok());
    if length.and_then(|text| text.parse::<u64>().ok()).is_some_and(|length| length > MOST_BYTES) {
        return Err(too_large(most));
    }
    let mut hash = Fingerprint::begin(request.method(), request.uri().path());
    let mut file = tempfile::tempfile().map_err(Problem::internal)?;
    let (mut body, mut piece, mut received) = (request.into_body(), Vec::with_capacity(PIECE), 0_usize);
    while let Some(frame) = poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
        let Ok(data) = frame.map_err(cut_off)?.into_data() else { continue };
        received = received.saturating_add(data.len());
        if received > most {
            return Err(too_large(most));
        }
        hash.update(&data);
        piece.extend_from_slice(&data);
        if piece.len() >= PIECE {
            (file, piece) = written(file, piece).await?;
        }
    }
    (file, _) = written(file, piece).await?;
    Ok((Upload::new(file, format, entity), Fingerprint(hash.finalize().into())))
}

async fn written(mut file: File, mut piece: Vec<u8>) -> Result<(File, Vec<u8>), Problem> {
    let writing = tokio::task::spawn_blocking(move || {
        file.write_all(&piece)?;
        piece.clear();
        Ok::<_, std::io::Error>((file, piece))
    });
    writing.await.map_err(Problem::internal)?.map_err(Problem::internal)
}
