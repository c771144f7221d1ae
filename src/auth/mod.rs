//! Who may do what: tokens, the principals they stand for, and their roles.

mod authenticator;
mod role;
mod stored;
mod token;

pub use authenticator::Authenticator;
pub use role::{Action, Role, UnknownRole, allows};
pub use stored::StoredTokens;
pub use token::{Secret, TokenHash, TokenRecord, TokenStore, TokenStoreError, TokenStoreFuture};

/// Who sent a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Principal {
    /// The name given to the token when it was made; it stands in audit records.
    pub name: String,
    pub role: Role,
    /// The entity the token is bound to; none means all of them.
    pub entity: Option<String>,
}

impl Principal {
    /// The operator at the keyboard of a service that runs without tokens on a loopback address.
    pub fn local() -> Self {
        Self { name: "local".to_owned(), role: Role::Operator, entity: None }
    }

    /// Whether records of this entity are visible to it. What is not visible is answered as not there.
    pub fn sees(&self, entity: &str) -> bool {
        self.entity.as_deref().is_none_or(|bound| bound == entity)
    }

    /// Whether its role allows an action.
    pub fn may(&self, action: Action) -> bool {
        allows(self.role, action)
    }
}
