//! The query of a request, read strictly: an unknown parameter is refused, for a misspelt filter would answer another
//! question than the one that was asked.

use std::fmt;

use axum::extract::{FromRequestParts, Query as Pairs};
use axum::http::request::Parts;
use serde::Deserialize;
use serde::de::value::{MapDeserializer, StringDeserializer};
use serde::de::{self, DeserializeOwned, Deserializer, IntoDeserializer, Visitor};

use super::problem::{self, Problem};

/// The query as `T`, a flat struct of optional or required parameters.
///
/// Guarantees: every parameter was known, given once and readable. `T` must not use `#[serde(flatten)]`, which would hide
/// its names from this check and is refused as a fault of the service.
#[derive(Clone, Copy, Debug)]
pub struct Query<T>(pub T);

/// The query of an address that takes none.
#[derive(Clone, Copy, Debug, Default, Deserialize, utoipa::IntoParams)]
pub struct NoQuery {}

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let Pairs(pairs) = Pairs::<Vec<(String, String)>>::try_from_uri(&parts.uri).map_err(|rejection| {
            Problem::new(problem::MALFORMED_QUERY, "the query is not a list of name=value").caused_by(rejection)
        })?;
        read(pairs).map(Self)
    }
}

/// Reads decoded pairs as `T`, or says which parameter is wrong.
pub fn read<T: DeserializeOwned>(pairs: Vec<(String, String)>) -> Result<T, Problem> {
    serde_path_to_error::deserialize(Parameters(pairs)).map_err(|error| {
        let name = error.path().iter().next().map(ToString::to_string);
        match error.into_inner() {
            Wrong::Unknown(detail) => Problem::new(problem::UNKNOWN_QUERY_PARAMETER, detail),
            Wrong::Repeated(name) => {
                Problem::new(problem::MALFORMED_QUERY, format!("the query parameter {name:?} is given twice"))
            }
            Wrong::Missing(name) => {
                Problem::new(problem::MALFORMED_QUERY, format!("the query parameter {name:?} is required and missing"))
            }
            Wrong::Value(message) => {
                let name = name.unwrap_or_default();
                Problem::new(problem::MALFORMED_QUERY, format!("the query parameter {name:?}: {message}"))
            }
            Wrong::Shape => Problem::internal("a query type must be a struct without flattened fields"),
        }
    })
}

struct Parameters(Vec<(String, String)>);
struct Text(String);

#[derive(Debug)]
enum Wrong {
    Unknown(String),
    Repeated(String),
    Missing(&'static str),
    Value(String),
    Shape,
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown(text) | Self::Repeated(text) | Self::Value(text) => f.write_str(text),
            Self::Missing(name) => f.write_str(name),
            Self::Shape => f.write_str("not a struct"),
        }
    }
}

impl std::error::Error for Wrong {}

impl de::Error for Wrong {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self::Value(message.to_string())
    }

    fn missing_field(field: &'static str) -> Self {
        Self::Missing(field)
    }

    fn duplicate_field(field: &'static str) -> Self {
        Self::Repeated(field.to_owned())
    }

    fn unknown_variant(variant: &str, expected: &'static [&'static str]) -> Self {
        Self::Value(format!("expected {}, found {variant:?}", one_of(expected)))
    }
}

/// `"a", "b" or "c"`.
fn one_of(names: &[&str]) -> String {
    match names {
        [] | [_] => quoted(names, ""),
        [first @ .., last] => format!("{} or \"{last}\"", quoted(first, ", ")),
    }
}

fn quoted(names: &[&str], between: &str) -> String {
    names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(between)
}

impl<'de> Deserializer<'de> for Parameters {
    type Error = Wrong;

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        known: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        for (at, (name, _)) in self.0.iter().enumerate() {
            if !known.contains(&name.as_str()) {
                let hint = match known {
                    [] => "this address takes none".to_owned(),
                    known => format!("this address takes {}", quoted(known, ", ")),
                };
                return Err(Wrong::Unknown(format!("there is no query parameter {name:?} here; {hint}")));
            }
            if self.0[..at].iter().any(|(earlier, _)| earlier == name) {
                return Err(Wrong::Repeated(name.clone()));
            }
        }
        visitor.visit_map(MapDeserializer::new(self.0.into_iter().map(|(name, value)| (name, Text(value)))))
    }

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Wrong> {
        Err(Wrong::Shape)
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option unit unit_struct
        newtype_struct seq tuple tuple_struct map enum identifier ignored_any
    }
}

impl<'de> IntoDeserializer<'de, Wrong> for Text {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

macro_rules! parsed {
    ($($method:ident $visit:ident $what:literal)*) => {$(
        fn $method<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
            match self.0.parse() {
                Ok(value) => visitor.$visit(value),
                Err(_) => Err(Wrong::Value(format!(concat!("expected ", $what, ", found {:?}"), self.0))),
            }
        }
    )*};
}

impl<'de> Deserializer<'de> for Text {
    type Error = Wrong;

    parsed! {
        deserialize_bool visit_bool "true or false"
        deserialize_u8 visit_u8 "a whole number, not negative"
        deserialize_u16 visit_u16 "a whole number, not negative"
        deserialize_u32 visit_u32 "a whole number, not negative"
        deserialize_u64 visit_u64 "a whole number, not negative"
        deserialize_i8 visit_i8 "a whole number"
        deserialize_i16 visit_i16 "a whole number"
        deserialize_i32 visit_i32 "a whole number"
        deserialize_i64 visit_i64 "a whole number"
    }

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        visitor.visit_string(self.0)
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        visitor.visit_some(self)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(self, _: &'static str, visitor: V) -> Result<V::Value, Wrong> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        StringDeserializer::new(self.0).deserialize_enum(name, variants, visitor)
    }

    serde::forward_to_deserialize_any! {
        i128 u128 f32 f64 char str string bytes byte_buf unit unit_struct seq tuple tuple_struct map struct identifier
        ignored_any
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::http::wire::DateString;

    #[derive(Debug, Deserialize)]
    #[allow(dead_code)]
    struct Params {
        as_of: DateString,
        limit: Option<u16>,
        basis: Option<Basis>,
        validate_only: Option<bool>,
    }

    #[derive(Debug, Deserialize)]
    #[serde(rename_all = "snake_case")]
    enum Basis {
        Effective,
        Posted,
    }

    fn pairs(query: &str) -> Vec<(String, String)> {
        Pairs::try_from_uri(&format!("/?{query}").parse().unwrap()).unwrap().0
    }

    #[track_caller]
    fn check(query: &str, code: &str, detail: &str) {
        let problem = read::<Params>(pairs(query)).unwrap_err();
        assert_eq!((problem.code(), problem.detail()), (code, detail), "{query}");
    }

    #[test]
    fn what_is_known_is_read() {
        let read: Params = read(pairs("as_of=2026-06-30&limit=7&basis=posted&validate_only=true")).unwrap();
        assert!(matches!(read, Params { limit: Some(7), basis: Some(Basis::Posted), validate_only: Some(true), .. }));
    }

    #[test]
    fn a_wrong_value_is_told_what_there_is() {
        assert_eq!(one_of(&["a"]), r#""a""#);
        assert_eq!(one_of(&["a", "b"]), r#""a" or "b""#);
        assert_eq!(one_of(&["a", "b", "c"]), r#""a", "b" or "c""#);
    }

    #[test]
    fn a_wrong_parameter_is_named() {
        let known = r#""as_of", "limit", "basis", "validate_only""#;
        let unknown = format!(r#"there is no query parameter "asof" here; this address takes {known}"#);
        check("asof=2026-06-30", "unknown_query_parameter", &unknown);
        check("", "malformed_query", r#"the query parameter "as_of" is required and missing"#);
        check("as_of=2026-06-30&limit=1&limit=2", "malformed_query", r#"the query parameter "limit" is given twice"#);
        check(
            "as_of=2026-06-30&limit=x",
            "malformed_query",
            r#"the query parameter "limit": expected a whole number, not negative, found "x""#,
        );
        check(
            "as_of=2026-06-30&basis=booked",
            "malformed_query",
            r#"the query parameter "basis": expected "effective" or "posted", found "booked""#,
        );
        check(
            "as_of=",
            "malformed_query",
            r#"the query parameter "as_of": expected a date in a string such as "2026-06-30", found """#,
        );
        let none = read::<NoQuery>(pairs("x=1")).unwrap_err();
        assert_eq!(none.detail(), r#"there is no query parameter "x" here; this address takes none"#);
    }
}
