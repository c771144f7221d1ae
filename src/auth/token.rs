//! Bearer tokens: made once, shown once, kept as a hash.

use std::error::Error;
use std::fmt;
use std::pin::Pin;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use super::Role;

/// Starts every token, so that a scanner for leaked secrets can know one.
const PREFIX: &str = "pw_";

/// A token as its owner gets it: 256 random bits after a prefix.
///
/// It neither prints nor debugs; [`Secret::reveal`] is called in the one place that hands it out.
pub struct Secret(String);

/// The SHA-256 of a token. A plain hash suffices, for 256 random bits cannot be guessed from it.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct TokenHash(pub [u8; 32]);

/// What is kept about a token.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenRecord {
    pub name: String,
    pub role: Role,
    /// The entity it is bound to; none means all.
    pub entity: Option<String>,
}

/// A store failed to answer.
pub type TokenStoreError = Box<dyn Error + Send + Sync>;

/// What a [`TokenStore`] gives back: boxed, so that the store can be a trait object.
pub type TokenStoreFuture<'a, T> = Pin<Box<dyn Future<Output = Result<T, TokenStoreError>> + Send + 'a>>;

/// Where tokens are kept.
pub trait TokenStore: Send + Sync {
    /// The record of a token that is valid now.
    fn find(&self, hash: TokenHash) -> TokenStoreFuture<'_, Option<TokenRecord>>;

    /// Keeps a new token.
    fn insert<'a>(&'a self, hash: TokenHash, record: &'a TokenRecord) -> TokenStoreFuture<'a, ()>;
}

impl Secret {
    /// A new token from the system's source of randomness.
    pub fn generate() -> Result<Self, getrandom::Error> {
        let mut bits = [0u8; 32];
        getrandom::fill(&mut bits)?;
        Ok(Self(format!("{PREFIX}{}", URL_SAFE_NO_PAD.encode(bits))))
    }

    /// What is kept of it.
    pub fn hash(&self) -> TokenHash {
        TokenHash::of(&self.0)
    }

    /// The token itself.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

impl TokenHash {
    /// The hash of a token as it was sent.
    pub fn of(token: &str) -> Self {
        Self(Sha256::digest(token).into())
    }
}

impl fmt::Display for TokenHash {
    /// 64 lower-case hexadecimal digits, as it is stored.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for TokenHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_has_its_prefix_and_43_characters_and_is_never_printed() {
        let secret = Secret::generate().unwrap();
        assert!(secret.reveal().starts_with("pw_") && secret.reveal().len() == 46);
        assert_ne!(secret.hash(), Secret::generate().unwrap().hash());
        assert_eq!(secret.hash(), TokenHash::of(secret.reveal()));
        assert_eq!(format!("{secret:?}"), "Secret");
    }

    #[test]
    fn the_hash_is_sha_256() {
        // FIPS 180-2, appendix B.1.
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(TokenHash::of("abc").to_string(), expected);
    }
}
