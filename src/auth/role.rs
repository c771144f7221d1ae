//! The roles, and the one place that says what each may do.

use std::fmt;
use std::str::FromStr;

/// What a token is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// Runs the service: may do everything.
    Operator,
}

/// What a request does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Action {
    /// Reads records and reports.
    Read,
    /// Records something.
    Record,
}

/// Whether a role may do something.
pub fn allows(role: Role, action: Action) -> bool {
    match (role, action) {
        (Role::Operator, Action::Read | Action::Record) => true,
    }
}

impl Role {
    /// Every role, in the order of what they may do.
    pub const ALL: &[Self] = &[Self::Operator];

    /// The name as it is stored and given on the command line.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Operator => "operator",
        }
    }
}

/// The text names no role.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no role {0:?}; the roles are {roles}", roles = names())]
pub struct UnknownRole(String);

fn names() -> String {
    Role::ALL.iter().map(|role| role.as_str()).collect::<Vec<_>>().join(", ")
}

impl FromStr for Role {
    type Err = UnknownRole;

    fn from_str(text: &str) -> Result<Self, UnknownRole> {
        Self::ALL.iter().copied().find(|role| role.as_str() == text).ok_or_else(|| UnknownRole(text.to_owned()))
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Read => "read",
            Self::Record => "record",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_role_reads_back_by_its_name() {
        for role in Role::ALL {
            assert_eq!(role.as_str().parse(), Ok(*role));
        }
        assert_eq!(
            "root".parse::<Role>().unwrap_err().to_string(),
            r#"there is no role "root"; the roles are operator"#
        );
    }
}
