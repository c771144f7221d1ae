//! Ids as they stand in a path: `<entity code>.<UUIDv7>`.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, de};
use uuid::Uuid;

/// The code of an entity: two to twelve of `A`-`Z` and `0`-`9`. It never changes.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct EntityCode(String);

/// The id of a record of an entity. One id has one spelling: the entity's code, a dot, and a version 7 UUID in lower case.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RecordId {
    entity: EntityCode,
    uuid: Uuid,
}

/// The text is not an id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    #[error("expected the code of an entity: 2 to 12 characters A-Z and 0-9")]
    Entity,
    #[error("expected an id as this service gave it: the code of an entity, a dot and a UUID")]
    Record,
}

/// Something that belongs to one entity, and so is hidden from a token bound to another.
pub trait Scoped {
    /// The code of the entity it belongs to.
    fn entity(&self) -> &str;
}

impl EntityCode {
    /// The code as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl RecordId {
    /// Puts an id together; the caller answers for the UUID being version 7.
    pub fn new(entity: EntityCode, uuid: Uuid) -> Self {
        Self { entity, uuid }
    }

    /// The UUID after the dot.
    pub fn uuid(&self) -> Uuid {
        self.uuid
    }

    /// The code before the dot.
    pub fn entity_code(&self) -> &EntityCode {
        &self.entity
    }
}

/// A series of an entity, as it stands in a path.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct SeriesName {
    pub entity: EntityCode,
    pub series: String,
}

/// A destination of an entity, as it stands in a path.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct DestinationName {
    pub entity: EntityCode,
    pub destination: String,
}

impl Scoped for DestinationName {
    fn entity(&self) -> &str {
        self.entity.as_str()
    }
}

impl Scoped for SeriesName {
    fn entity(&self) -> &str {
        self.entity.as_str()
    }
}

impl Scoped for EntityCode {
    fn entity(&self) -> &str {
        &self.0
    }
}

impl Scoped for RecordId {
    fn entity(&self) -> &str {
        &self.entity.0
    }
}

impl<A: Scoped, B> Scoped for (A, B) {
    fn entity(&self) -> &str {
        self.0.entity()
    }
}

impl FromStr for EntityCode {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let known = |byte: u8| byte.is_ascii_uppercase() || byte.is_ascii_digit();
        let valid = (2..=12).contains(&text.len()) && text.bytes().all(known);
        if valid { Ok(Self(text.to_owned())) } else { Err(IdError::Entity) }
    }
}

impl FromStr for RecordId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let (entity, rest) = text.split_once('.').ok_or(IdError::Record)?;
        let entity = entity.parse().map_err(|_| IdError::Record)?;
        let uuid = Uuid::try_parse(rest).map_err(|_| IdError::Record)?;
        let spelling = uuid.hyphenated().to_string();
        if uuid.get_version_num() != 7 || spelling != rest {
            return Err(IdError::Record);
        }
        Ok(Self { entity, uuid })
    }
}

impl fmt::Display for EntityCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for RecordId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.entity, self.uuid.hyphenated())
    }
}

impl<'de> Deserialize<'de> for EntityCode {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

impl<'de> Deserialize<'de> for RecordId {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_reads_back_as_it_was_written() {
        let text = "ACME.0199a3f2-7c00-7000-8000-000000000001";
        let id: RecordId = text.parse().unwrap();
        assert_eq!((id.to_string().as_str(), id.entity()), (text, "ACME"));
    }

    #[test]
    fn anything_else_is_no_id() {
        for text in [
            "",
            "ACME",
            "acme.0199a3f2-7c00-7000-8000-000000000001",
            "A.0199a3f2-7c00-7000-8000-000000000001",
            "ACME.0199a3f2-7c00-4000-8000-000000000001",
            "ACME.0199A3F2-7C00-7000-8000-000000000001",
            "ACME.0199a3f27c0070008000000000000001",
            "ACME.0199a3f2-7c00-7000-8000-000000000001 ",
            "ACME.",
        ] {
            assert_eq!(text.parse::<RecordId>(), Err(IdError::Record), "{text}");
        }
    }
}
