//! Push: the releases of an entity, delivered to the addresses that it names.
//!
//! The releases are the outbox: what is committed there is delivered at least once, in order, one at a time for a destination. A
//! delivery is a CloudEvent in an HTTP POST that is signed. Nothing is sent while a transaction is open.
//!
//! Reading order: `event` (what is sent), `key` and `signature` (how it is signed), `address` (to where), `sender` (one attempt),
//! `schedule` (when the next one is), `progress` (what an attempt changes, under the lease), `courier` (the loop around them).

mod address;
mod courier;
mod event;
mod key;
mod progress;
mod schedule;
mod sender;
mod signature;

use std::sync::Arc;
use std::time::Duration;

pub use address::{Admission, Inadmissible};
pub use courier::{Courier, Stopper};
pub use key::{KeyError, KeySet, Keyring, PublicKey, create as create_key};
pub use sender::{Outcome, SenderError};

/// How to deliver.
#[derive(Clone, Debug)]
pub struct Push {
    /// The keys to sign with; nothing is delivered without any.
    pub keyring: Option<Arc<Keyring>>,
    /// Whether addresses that are not public may be delivered to, without TLS too.
    pub allow_private: bool,
    /// How long an attempt may take from its connection to the end of the answer.
    pub timeout: Duration,
    /// Attempts at one release before its destination is parked.
    pub attempts: u32,
    /// The longest wait after the first failure; it doubles with each further one.
    pub backoff: Duration,
    /// The longest wait there is, whatever the receiver asks for.
    pub longest_wait: Duration,
    /// How often to look for what other processes have released.
    pub poll: Duration,
}

impl Default for Push {
    fn default() -> Self {
        Self {
            keyring: None,
            allow_private: false,
            timeout: Duration::from_secs(30),
            attempts: 50,
            backoff: Duration::from_secs(1),
            longest_wait: Duration::from_secs(3600),
            poll: Duration::from_secs(2),
        }
    }
}

impl Push {
    /// What a new destination must be like.
    pub fn admission(&self) -> Admission {
        Admission { can_sign: self.keyring.is_some(), allow_private: self.allow_private }
    }

    /// The public keys.
    pub fn keys(&self) -> KeySet {
        self.keyring.as_deref().map(Keyring::public).unwrap_or_default()
    }

    /// How long a lease is: an attempt, and a quarter more to record what came of it.
    fn lease(&self) -> Duration {
        self.timeout + self.timeout / 4
    }
}
