//! Reversals: what they carry and what they are answered with.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::wire::DateString;
use crate::accounting::Refusal;
use crate::accounting::transaction::reversal::Reversal;

/// Take a recorded event back: the inverse of its entries, then what is different because it did not happen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReversalRequest {
    /// Why; kept with the event.
    #[schema(example = "Recorded for the wrong issue")]
    pub reason: String,
    /// The id of the event to reverse. Needed where the batch holds several, such as one of conversion notices.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<String>,
    /// When everything is posted. If absent, each entry on the posting date of its original, or the first open day after it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub posting_date: Option<DateString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl ReversalRequest {
    /// The core's command.
    ///
    /// # Errors
    /// A [`Refusal`] without a reason.
    pub fn command(&self) -> Result<Reversal, Refusal> {
        if self.reason.trim().is_empty() {
            return Err(Refusal::missing(
                "reason",
                "an auditor asks why an entry was taken back; say it in a sentence",
            ));
        }
        Ok(Reversal { posting_date: self.posting_date.map(|date| date.0) })
    }
}

/// What was taken back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReversalBlock {
    /// The event that is reversed.
    pub reversed_event: String,
    /// Its kind.
    #[schema(example = "conversion")]
    pub reversed_kind: String,
    pub reason: String,
}
