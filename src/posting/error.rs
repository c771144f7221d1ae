//! Why a command was not recorded.

use super::acknowledge::NotAcknowledged;
use super::close::NotClosed;
use crate::accounting::Refusal;
use crate::closing::WrongWaiver;
use crate::store::{Constraint, StoreError};

/// Why a command was not recorded. Nothing of it was kept.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// A rule said no.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// Rows of a list were refused, and with them the whole of it.
    #[error("{} of {of} rows are refused", rows.len())]
    RowsRefused { rows: Vec<RefusedRow>, of: usize },
    /// Rows of a file were refused that were right when they were checked, and with them the whole of it.
    #[error("{} rows are refused", .0.len())]
    LinesRefused(Vec<RefusedRow>),
    /// There is no such entity, issue or event.
    #[error("{0} does not exist")]
    NotFound(String),
    /// The ledger's answer cannot be taken.
    #[error(transparent)]
    NotAcknowledged(#[from] NotAcknowledged),
    /// A period cannot be closed or opened now.
    #[error(transparent)]
    NotClosed(#[from] NotClosed),
    /// A waiver of a close cannot be taken.
    #[error(transparent)]
    WrongWaiver(#[from] WrongWaiver),
    /// The reference names something else already.
    #[error("the reference {reference:?} is in use already by the {kind} {id}; give another one, or use that")]
    ReferenceInUse { kind: &'static str, reference: String, id: String },
    /// The entity exists.
    #[error("the entity {0} exists already")]
    EntityExists(String),
    /// The name is that of another destination, perhaps a closed one.
    #[error("the destination {0} exists already; use that, or give another name")]
    DestinationExists(String),
    /// Nothing more is delivered to it.
    #[error("the destination {0} is closed for good; make another one")]
    DestinationClosed(String),
    /// The key was used for another request.
    #[error("the idempotency key was used for another request; use a new key for a new request")]
    KeyReused,
    /// The result is not what was previewed.
    #[error("the result would differ from the preview: the books have changed since; look at a new preview")]
    PreviewDiffers,
    /// The issue is not as it was read.
    #[error("the issue has changed since it was read; read it again and decide anew")]
    PreconditionFailed,
    /// A workbook that is asked for would be longer than its sheets are.
    #[error(
        "the sheet {sheet} would have {rows} rows or more, and a worksheet holds {most}; ask for csv or json, or for fewer days"
    )]
    TooLong { sheet: &'static str, rows: i64, most: i64 },
    /// Other writers were always first, or the database cannot be reached.
    #[error("the books are busy; try again")]
    Busy(#[source] Option<StoreError>),
    /// The store failed.
    #[error("the store failed")]
    Store(#[from] StoreError),
    /// What the store holds cannot be read back.
    #[error("stored {what} cannot be read")]
    Corrupt { what: &'static str, source: Box<dyn std::error::Error + Send + Sync> },
}

/// Why a row of a list cannot be recorded, given that those before it which can be are.
#[derive(Debug)]
pub struct RefusedRow {
    /// Its place in the list, from 0; its line in a file, from 1.
    pub at: usize,
    pub why: RecordError,
}

impl RecordError {
    /// A stored document that cannot be read back.
    pub fn corrupt(what: &'static str, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> RecordError {
        RecordError::Corrupt { what, source: source.into() }
    }
}

/// What to do about a command that was not recorded.
pub(super) enum Failure {
    Conflict(Constraint),
    Retryable,
    Final,
}

impl RecordError {
    pub(super) fn failure(&self) -> Failure {
        match self {
            RecordError::Store(error) => match error.conflict() {
                Some(constraint) => Failure::Conflict(constraint),
                None if error.is_retryable() => Failure::Retryable,
                None => Failure::Final,
            },
            _ => Failure::Final,
        }
    }
}
