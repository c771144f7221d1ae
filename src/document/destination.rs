//! Destinations to which releases are delivered, and the attempts to do so.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A destination to make.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DestinationRequest {
    /// Names it in the entity, for good: 1 to 40 characters a-z, 0-9, `-` and `_`.
    #[schema(pattern = "^[a-z0-9_-]{1,40}$", example = "general-ledger")]
    pub name: String,
    /// Where releases are posted to: an https address without user name and fragment. It never changes: another address is another
    /// destination.
    #[schema(example = "https://ledger.example.com/journals")]
    pub url: String,
    /// Deliver what comes after this release; 0 for everything.
    #[serde(default)]
    pub after: u32,
}

/// From where to deliver again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplayRequest {
    /// Deliver what comes after this release: releases that were delivered before are delivered again, those up to it are not (any more).
    pub after: u32,
}

/// What a destination does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DestinationState {
    /// Releases are delivered as they come.
    Active,
    /// Somebody paused it.
    Paused,
    /// A release was not delivered within the attempts allowed; resume or replay it.
    Parked,
    /// The receiver answered 410: it wants no more. Resume or replay it if that was a mistake.
    Gone,
    /// Somebody closed it, for good.
    Closed,
}

/// A destination and how far its deliveries have come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DestinationDocument {
    pub entity: String,
    pub name: String,
    pub url: String,
    pub state: DestinationState,
    /// Why it is parked or gone.
    pub reason: Option<String>,
    /// The last release that was delivered, or that was to be passed over.
    pub delivered: i64,
    /// The newest release there is.
    pub newest_release: i64,
    /// Attempts at the next release that failed.
    pub failed_attempts: i64,
    /// When that release is tried again; null if nothing is waited for.
    pub next_attempt_at: Option<String>,
    /// When it was last made, paused, resumed, replayed or closed.
    pub changed_at: String,
}

/// An attempt to deliver a release.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AttemptDocument {
    /// Counts the attempts on the destination.
    pub attempt: i64,
    pub release: i64,
    pub started_at: String,
    pub duration_ms: i64,
    /// `delivered`; or `refused` (another status), `gone` (410), `redirected` (3xx, which is not followed), `timed_out`, `unreachable`,
    /// `address_refused`; or `interrupted`: the service ended meanwhile, and the receiver may have got it or not.
    pub outcome: String,
    /// What the receiver answered; null without an answer.
    pub status: Option<i64>,
    pub detail: Option<String>,
    /// When the release is tried again; null if it is not, or at once.
    pub next_attempt_at: Option<String>,
}
