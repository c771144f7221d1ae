//! Previews: what would be posted, and the hash that says it is still the same.

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::error::RecordError;
use crate::document::hex;

/// SHA-256 over the JSON of an answer in which nothing has an id yet.
///
/// # Errors
/// When the answer cannot be written as JSON.
pub(super) fn hash(answer: &impl Serialize) -> Result<String, RecordError> {
    let bytes = serde_json::to_vec(answer).map_err(|error| RecordError::corrupt("answer", error))?;
    Ok(hex(&Sha256::digest(bytes)))
}

/// Compares the preview that a caller saw with what would be posted now.
///
/// # Errors
/// [`RecordError::PreviewDiffers`].
pub(super) fn check(expected: Option<&String>, answer: &impl Serialize) -> Result<(), RecordError> {
    match expected {
        Some(expected) if *expected != hash(answer)? => Err(RecordError::PreviewDiffers),
        _ => Ok(()),
    }
}
