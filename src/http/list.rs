//! A list in one parameter of a query: items separated by commas.

use std::str::FromStr;

use serde::de::Error;
use serde::{Deserialize, Deserializer};

/// How many items a list has at most.
const MOST: usize = 100;

/// The items of a list, with the text that they were read from.
#[derive(Clone, Debug)]
pub struct List<T> {
    pub text: String,
    pub items: Vec<T>,
}

impl<T> Default for List<T> {
    fn default() -> Self {
        Self { text: String::new(), items: Vec::new() }
    }
}

impl<T> List<T> {
    /// The list as it was asked for; none if it was not.
    pub fn asked(&self) -> Option<String> {
        (!self.items.is_empty()).then(|| self.text.clone())
    }
}

impl<'de, T: FromStr<Err = String>> Deserialize<'de> for List<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let items: Vec<T> = text.split(',').map(str::parse).collect::<Result<_, String>>().map_err(D::Error::custom)?;
        if items.len() > MOST {
            return Err(D::Error::custom(format!("at most {MOST} items, found {}", items.len())));
        }
        Ok(Self { text, items })
    }
}

/// The three parts of an item that is written as `first:second:third`.
///
/// # Errors
/// What was expected, where there are fewer.
pub fn parts<'t>(text: &'t str, form: &str) -> Result<[&'t str; 3], String> {
    let parts: Vec<&str> = text.splitn(3, ':').collect();
    parts.try_into().map_err(|_| format!("expected {form}, found {text:?}"))
}
