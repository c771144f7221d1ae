//! What can go wrong in the store, in the terms its callers act on.

use std::sync::Arc;

use sqlx::error::DatabaseError;

/// An error of the store.
///
/// A caller acts on the variant: [`Unavailable`](Self::Unavailable) and [`Busy`](Self::Busy) may be tried again, a
/// [`Conflict`](Self::Conflict) says that somebody else was first, and the other two are faults in this program or its
/// database. `Display` never repeats the source: print the chain. A clone is the same error, for each of several callers who
/// share a statement.
#[derive(Debug, Clone, thiserror::Error)]
pub enum StoreError {
    /// The database cannot be reached, or has no connection free.
    #[error("the database is not available")]
    Unavailable(#[source] Arc<sqlx::Error>),
    /// The transaction lost against another one; nothing of it was kept.
    #[error("the database is busy")]
    Busy(#[source] Arc<sqlx::Error>),
    /// A row with the same key is there already.
    #[error("a row with the same key exists: {constraint:?}")]
    Conflict {
        /// The key that was taken.
        constraint: Constraint,
        /// What the database said.
        source: Arc<sqlx::Error>,
    },
    /// A check, a foreign key or a trigger of the schema refused the rows.
    #[error("the database refused the rows")]
    Refused(#[source] Arc<sqlx::Error>),
    /// Anything else.
    #[error("the database failed")]
    Fault(#[source] Arc<sqlx::Error>),
    /// The address of the database cannot be understood.
    #[error("the database address is not usable: {0}")]
    Address(&'static str),
}

impl StoreError {
    /// Whether the database answered, but with rows that cannot be what a statement asks for: what they refer to is not there.
    pub fn is_of_rows(&self) -> bool {
        matches!(self, Self::Fault(error) if matches!(**error, sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_)))
    }

    /// Whether the same work may succeed if it is done again from the start.
    pub fn is_retryable(&self) -> bool {
        matches!(self, Self::Unavailable(_) | Self::Busy(_))
    }

    /// The key that was taken, if that is what went wrong.
    pub fn conflict(&self) -> Option<Constraint> {
        match self {
            Self::Conflict { constraint, .. } => Some(*constraint),
            _ => None,
        }
    }
}

/// A unique key of the schema that two writers can collide on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Constraint {
    /// An entity with this code exists.
    EntityCode,
    /// The sequence was given to another command: the head was not locked.
    RecordSequence,
    /// Another command of the entity was recorded at the same microsecond.
    RecordedAt,
    /// A bond issue with this id exists.
    BondIssueId,
    /// Another event already follows the one that this event follows.
    EventFollows,
    /// An event with this id exists.
    EventId,
    /// The coupon was paid, or its payment taken back, by another event.
    CouponPaid,
    /// The batch number was given to another batch.
    BatchNumber,
    /// The release number was given to another release.
    ReleaseNumber,
    /// The batch has this revision already.
    ReleaseRevision,
    /// The idempotency key has an answer.
    IdempotencyKey,
    /// The reference is in use.
    NaturalKey,
    /// The token exists.
    Token,
    /// A key that only a fault in this program can violate.
    Other,
}

/// The constraint, its name on PostgreSQL and what SQLite, which has no names for it, says instead.
const CONSTRAINTS: [(Constraint, &str, &str); 13] = [
    (Constraint::EntityCode, "entity_pkey", "entity.entity"),
    (Constraint::RecordSequence, "record_pkey", "record.entity, record.sequence"),
    (Constraint::RecordedAt, "record_entity_recorded_at_key", "record.entity, record.recorded_at"),
    (Constraint::BondIssueId, "bond_issue_pkey", "bond_issue.entity, bond_issue.id"),
    (Constraint::EventFollows, "event_entity_bond_issue_follows_key", "event.entity, event.bond_issue, event.follows"),
    (Constraint::EventId, "event_entity_id_key", "event.entity, event.id"),
    (Constraint::CouponPaid, "coupon_pkey", "coupon.entity, coupon.bond_issue, coupon.coupon_date, coupon.revision"),
    (Constraint::BatchNumber, "batch_entity_number_key", "batch.entity, batch.number"),
    (Constraint::ReleaseNumber, "release_pkey", "release.entity, release.release"),
    (
        Constraint::ReleaseRevision,
        "release_entity_batch_revision_key",
        "release.entity, release.batch, release.revision",
    ),
    (Constraint::IdempotencyKey, "idempotency_pkey", "idempotency.entity, idempotency.key"),
    (Constraint::NaturalKey, "natural_key_pkey", "natural_key.entity, natural_key.kind, natural_key.reference"),
    (Constraint::Token, "token_pkey", "token.token_sha256"),
];

fn constraint_of(error: &dyn DatabaseError) -> Constraint {
    let violated = |(_, name, columns): &&(Constraint, &str, &str)| match error.constraint() {
        Some(constraint) => constraint == *name,
        None => error.message().strip_prefix("UNIQUE constraint failed: ") == Some(*columns),
    };
    CONSTRAINTS.iter().find(violated).map_or(Constraint::Other, |(constraint, ..)| *constraint)
}

/// What a code of the database means. SQLSTATEs have five characters, SQLite's extended codes at most four digits.
enum Meaning {
    Unavailable,
    Busy,
    Refused,
    Other,
}

fn meaning_of(code: &str) -> Meaning {
    match code {
        // Connection exceptions and a server that is starting, stopping or full.
        "57P01" | "57P02" | "57P03" | "53300" | "25006" => Meaning::Unavailable,
        // Serialization failure, deadlock, lock not available; SQLITE_BUSY and SQLITE_LOCKED with their extended codes.
        "40001" | "40P01" | "55P03" | "5" | "6" | "261" | "262" | "517" | "518" | "773" => Meaning::Busy,
        // Not null, check, foreign key, restrict (the immutability trigger), text that PostgreSQL cannot store; SQLite's
        // check, foreign key, not null, trigger and strict type.
        "23502" | "23514" | "23503" | "23001" | "22021" | "275" | "787" | "1299" | "1811" | "3091" => Meaning::Refused,
        _ if code.len() == 5 && code.starts_with("08") => Meaning::Unavailable,
        _ => Meaning::Other,
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        let error = Arc::new(error);
        match &*error {
            sqlx::Error::Database(database) => {
                if database.is_unique_violation() {
                    let constraint = constraint_of(database.as_ref());
                    return Self::Conflict { constraint, source: error };
                }
                match database.code().as_deref().map_or(Meaning::Other, meaning_of) {
                    Meaning::Unavailable => Self::Unavailable(error),
                    Meaning::Busy => Self::Busy(error),
                    Meaning::Refused => Self::Refused(error),
                    Meaning::Other => Self::Fault(error),
                }
            }
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed => Self::Unavailable(error),
            _ => Self::Fault(error),
        }
    }
}

impl From<sqlx::migrate::MigrateError> for StoreError {
    fn from(error: sqlx::migrate::MigrateError) -> Self {
        match error {
            sqlx::migrate::MigrateError::Execute(error) => error.into(),
            other => Self::Fault(Arc::new(other.into())),
        }
    }
}
