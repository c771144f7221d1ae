//! From a token to its principal.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::{Principal, TokenHash, TokenRecord, TokenStore, TokenStoreError};

/// How long a token that was found is taken as known: a revoked one is good for at most this long.
const KNOWN_FOR: Duration = Duration::from_secs(5);
/// How many are kept; a service has fewer tokens in use at once.
const KEPT: usize = 1024;

/// Knows tokens by their hash, and asks the store at most once in a few seconds about one.
///
/// The work is the same for every token: hash, look up the hash. Nothing compares secrets byte by byte. A token that is
/// not found is not remembered, so that guesses fill no memory and a new token works at once.
pub struct Authenticator {
    store: Arc<dyn TokenStore>,
    known: Mutex<HashMap<TokenHash, (Instant, Principal)>>,
}

impl Authenticator {
    /// Over the store that keeps the tokens.
    pub fn new(store: Arc<dyn TokenStore>) -> Self {
        Self { store, known: Mutex::default() }
    }

    /// The principal of a token, if it is valid.
    pub async fn identify(&self, token: &str) -> Result<Option<Principal>, TokenStoreError> {
        let hash = TokenHash::of(token);
        if let Some(principal) = self.recall(&hash, Instant::now()) {
            return Ok(Some(principal));
        }
        let Some(TokenRecord { name, role, entity }) = self.store.find(hash).await? else {
            return Ok(None);
        };
        let principal = Principal { name, role, entity };
        self.remember(hash, principal.clone(), Instant::now());
        Ok(Some(principal))
    }

    fn recall(&self, hash: &TokenHash, now: Instant) -> Option<Principal> {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known
            .get(hash)
            .filter(|(since, _)| now.duration_since(*since) < KNOWN_FOR)
            .map(|(_, principal)| principal.clone())
    }

    fn remember(&self, hash: TokenHash, principal: Principal, now: Instant) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if known.len() >= KEPT {
            known.retain(|_, (since, _)| now.duration_since(*since) < KNOWN_FOR);
        }
        if known.len() < KEPT {
            known.insert(hash, (now, principal));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::auth::Role;

    struct Empty;

    impl TokenStore for Empty {
        fn find(&self, _: TokenHash) -> crate::auth::TokenStoreFuture<'_, Option<TokenRecord>> {
            Box::pin(async { Ok(None) })
        }

        fn insert<'a>(&'a self, _: TokenHash, _: &'a TokenRecord) -> crate::auth::TokenStoreFuture<'a, ()> {
            Box::pin(async { Ok(()) })
        }
    }

    #[test]
    fn a_known_token_is_forgotten_after_a_few_seconds_and_the_memory_is_bounded() {
        let authenticator = Authenticator::new(Arc::new(Empty));
        let (hash, now) = (TokenHash::of("pw_x"), Instant::now());
        authenticator.remember(hash, Principal::local(), now);
        assert_eq!(authenticator.recall(&hash, now).map(|principal| principal.role), Some(Role::Operator));
        assert_eq!(authenticator.recall(&hash, now + KNOWN_FOR), None);
        for index in 0..2 * KEPT {
            authenticator.remember(TokenHash::of(&index.to_string()), Principal::local(), now);
        }
        assert_eq!(authenticator.known.lock().unwrap().len(), KEPT);
    }
}
