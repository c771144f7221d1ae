//! Turns what serde says about a JSON body into a pointer and a sentence for the caller.

use serde::Serialize;
use serde_json::Value;
use serde_path_to_error::Segment;

use super::problem::{FieldError, Problem};

/// The field and what to change in it.
pub fn field_error(error: &serde_path_to_error::Error<serde_json::Error>) -> FieldError {
    let text = error.inner().to_string();
    // serde_json adds the place in the text; the pointer says it better.
    let message = text.rfind(" at line ").map_or(text.as_str(), |at| &text[..at]);
    let mut pointer = pointer(error.path());
    if let Some(name) = quoted(message, "missing field ") {
        pointer = child(&pointer, name);
        return FieldError::new(pointer, format!("the field {name:?} is required and missing"));
    }
    if let Some(name) = quoted(message, "duplicate field ") {
        return FieldError::new(ending_with(pointer, name), format!("the field {name:?} is given twice"));
    }
    if let Some(name) = quoted(message, "unknown field ") {
        let known = message.split_once("`, ").map_or("", |(_, rest)| rest);
        let detail = match known.strip_prefix("expected ") {
            Some(names) => format!("there is no field {name:?} here; expected {}", alternatives(names)),
            None => format!("there is no field {name:?} here; remove it"),
        };
        return FieldError::new(ending_with(pointer, name), detail);
    }
    FieldError::new(pointer, sentence(message))
}

fn sentence(message: &str) -> String {
    if matches!(message, "expected value" | "expected ident" | "invalid number") {
        return "expected one of the documented values, found something of another kind".to_owned();
    }
    if let Some(name) = quoted(message, "unknown variant ") {
        let known = message.split_once("`, expected ").map_or("another value", |(_, rest)| rest);
        return format!("expected {}, found {name:?}", alternatives(known));
    }
    for prefix in ["invalid type: ", "invalid value: "] {
        // The text found may hold anything, the expected part is ours and comes last.
        if let Some((found, expected)) = message.strip_prefix(prefix).and_then(|rest| rest.rsplit_once(", expected ")) {
            return format!("expected {}, found {}", in_json_words(expected), found_in_json_words(found));
        }
    }
    message.to_owned()
}

/// The words of serde for what a Rust type wants, in the words of JSON.
fn in_json_words(expected: &str) -> String {
    let kind = expected.split_whitespace().next().unwrap_or_default();
    match expected {
        "a map" => "an object".to_owned(),
        "a sequence" => "an array".to_owned(),
        "a boolean" => "true or false".to_owned(),
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number, not negative".to_owned(),
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number".to_owned(),
        "f32" | "f64" => "a number".to_owned(),
        "a borrowed string" | "a string or bytes" | "string or map" => "a string".to_owned(),
        _ if kind == "struct" || expected.starts_with("internally tagged enum") => "an object".to_owned(),
        _ if expected.starts_with("adjacently tagged enum") => "an object".to_owned(),
        _ if kind == "tuple" => "an array".to_owned(),
        _ if kind == "enum" || kind == "variant" => "one of the documented values".to_owned(),
        _ => expected.to_owned(),
    }
}

fn found_in_json_words(found: &str) -> String {
    for kind in ["integer", "floating point", "boolean"] {
        if let Some(value) = found.strip_prefix(kind).and_then(|rest| rest.trim().strip_prefix('`')) {
            let value = value.trim_end_matches('`');
            return if kind == "boolean" { value.to_owned() } else { format!("the number {value}") };
        }
    }
    match found {
        "map" => "an object".to_owned(),
        "sequence" => "an array".to_owned(),
        "unit" | "unit value" | "Option value" => "null".to_owned(),
        _ => found.strip_prefix("string ").unwrap_or(found).to_owned(),
    }
}

/// "one of `a`, `b`" as `"a" or "b"`.
fn alternatives(names: &str) -> String {
    names.trim_start_matches("one of ").replace(", ", " or ").replace('`', "\"")
}

fn quoted<'a>(message: &'a str, prefix: &str) -> Option<&'a str> {
    message.strip_prefix(prefix)?.strip_prefix('`')?.split_once('`').map(|(name, _)| name)
}

fn pointer(path: &serde_path_to_error::Path) -> String {
    path.iter().fold(String::new(), |pointer, segment| match segment {
        Segment::Seq { index } => format!("{pointer}/{index}"),
        Segment::Map { key } => child(&pointer, key),
        // The variant of an enum is told by its tag and is no place of its own in the text.
        Segment::Enum { .. } | Segment::Unknown => pointer,
    })
}

fn child(pointer: &str, name: &str) -> String {
    format!("{pointer}/{}", name.replace('~', "~0").replace('/', "~1"))
}

fn ending_with(pointer: String, name: &str) -> String {
    let last = child("", name);
    if pointer.ends_with(&last) { pointer } else { format!("{pointer}{last}") }
}

/// Refuses a text with an array where an object belongs, which serde reads by the position of its fields, and points to it. `read` is
/// what was read of it.
pub fn refuse_positions(text: &str, read: &impl Serialize) -> Result<(), Problem> {
    // Both were read and can be written, so this cannot fail.
    let (Ok(sent), Ok(read)) = (serde_json::from_str::<Value>(text), serde_json::to_value(read)) else {
        return Ok(());
    };
    match find_positions(&sent, &read, String::new()) {
        None => Ok(()),
        Some(pointer) => Err(Problem::invalid_field(pointer, "expected an object, found an array")),
    }
}

fn find_positions(sent: &Value, read: &Value, pointer: String) -> Option<String> {
    match (sent, read) {
        (Value::Array(_), Value::Object(_)) => Some(pointer),
        (Value::Array(sent), Value::Array(read)) => sent
            .iter()
            .zip(read)
            .enumerate()
            .find_map(|(at, (sent, read))| find_positions(sent, read, format!("{pointer}/{at}"))),
        (Value::Object(sent), Value::Object(read)) => {
            sent.iter().find_map(|(name, sent)| find_positions(sent, read.get(name)?, child(&pointer, name)))
        }
        _ => None,
    }
}

/// Refuses a text that holds the character U+0000, which a database cannot keep, and points to it.
pub fn refuse_nul(text: &str) -> Result<(), Problem> {
    // The text was read once already, so this cannot fail but for what that reading refused.
    let Ok(value) = serde_json::from_str::<Value>(text) else {
        return Ok(());
    };
    match find_nul(&value, String::new()) {
        None => Ok(()),
        Some(pointer) => Err(Problem::invalid_field(pointer, "a text cannot hold the character U+0000; remove it")),
    }
}

fn find_nul(value: &Value, pointer: String) -> Option<String> {
    match value {
        Value::String(text) => text.contains('\0').then_some(pointer),
        Value::Array(items) => {
            items.iter().enumerate().find_map(|(index, item)| find_nul(item, format!("{pointer}/{index}")))
        }
        Value::Object(fields) => fields.iter().find_map(|(name, field)| {
            if name.contains('\0') { Some(pointer.clone()) } else { find_nul(field, child(&pointer, name)) }
        }),
        Value::Null | Value::Bool(_) | Value::Number(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use serde::{Deserialize, Serialize};

    use crate::http::body::parse;
    use crate::http::wire::{DateString, DecimalString};

    #[derive(Debug, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Outer {
        principal: DecimalString,
        date: Option<DateString>,
        count: Option<u8>,
        kind: Option<Kind>,
        #[serde(default)]
        prices: Vec<Inner>,
        name: Option<String>,
        tagged: Option<Tagged>,
    }

    #[derive(Debug, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Inner {
        price: DecimalString,
    }

    #[derive(Debug, Serialize, Deserialize)]
    #[serde(rename_all = "snake_case")]
    enum Kind {
        BookValue,
        MarketValue,
    }

    #[derive(Debug, Serialize, Deserialize)]
    #[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
    #[allow(dead_code)]
    enum Tagged {
        Cash { cash: DecimalString },
    }

    #[track_caller]
    fn check(body: &str, code: &str, pointer: &str, detail: &str) {
        let problem = parse::<Outer>(body.as_bytes()).unwrap_err();
        assert_eq!(problem.code(), code, "{problem}");
        let (found, sentence) = match problem.errors() {
            [] => ("", problem.detail()),
            [error, ..] => (error.pointer.as_str(), error.detail.as_str()),
        };
        assert_eq!((found, sentence), (pointer, detail), "{body}");
    }

    #[test]
    fn a_field_of_another_shape_is_pointed_to() {
        let decimal = r#"expected a decimal in a string such as "1024.42", found"#;
        check(r#"{"principal": 5.25}"#, "invalid_field", "/principal", &format!("{decimal} the number 5.25"));
        check("{}", "invalid_field", "/principal", r#"the field "principal" is required and missing"#);
        check(
            r#"{"principal":"1","prices":[{"price":"1"},{"price":""}]}"#,
            "invalid_field",
            "/prices/1/price",
            &format!("{decimal} \"\""),
        );
        check(
            r#"{"principal":"1","prices":[{}]}"#,
            "invalid_field",
            "/prices/0/price",
            r#"the field "price" is required and missing"#,
        );
        check(
            r#"{"principal":"1","prices":[{"price":"1","prise":2}]}"#,
            "invalid_field",
            "/prices/0/prise",
            r#"there is no field "prise" here; expected "price""#,
        );
        check(
            r#"{"principal":"1","kind":"fair"}"#,
            "invalid_field",
            "/kind",
            r#"expected "book_value" or "market_value", found "fair""#,
        );
        check(
            r#"{"principal":"1","count":300}"#,
            "invalid_field",
            "/count",
            "expected a whole number, not negative, found the number 300",
        );
        check(
            r#"{"principal":"1","count":"3"}"#,
            "invalid_field",
            "/count",
            r#"expected a whole number, not negative, found "3""#,
        );
        check(r#"{"principal":"1","name":["x"]}"#, "invalid_field", "/name", "expected a string, found an array");
        check(r#"{"principal":"1","prices":5}"#, "invalid_field", "/prices", "expected an array, found the number 5");
        check(r#"["1"]"#, "invalid_field", "", "expected an object, found an array");
        check("null", "invalid_field", "", "expected an object, found null");
        check(r#""x""#, "invalid_field", "", r#"expected an object, found "x""#);
        check(
            r#"{"principal":"1","principal":"2"}"#,
            "invalid_field",
            "/principal",
            r#"the field "principal" is given twice"#,
        );
        check(
            r#"{"principal":"1","tagged":{"type":"cash"}}"#,
            "invalid_field",
            "/tagged/cash",
            r#"the field "cash" is required and missing"#,
        );
        check(
            r#"{"principal":"1","date":"2026-02-30"}"#,
            "invalid_field",
            "/date",
            "2026-02-30 is not a day of the calendar",
        );
    }

    #[test]
    fn what_is_no_json_is_told_first() {
        let code = |body: &[u8]| parse::<Outer>(body).unwrap_err().code();
        assert_eq!(code(b""), "malformed_json");
        assert_eq!(code(b"{"), "malformed_json");
        assert_eq!(code(br#"{"principal": 5, "#), "malformed_json");
        assert_eq!(code(br#"{"principal": "5"} x"#), "malformed_json");
        assert_eq!(code(br#"{"principal": "\ud800"}"#), "malformed_json");
        assert_eq!(code(&[b"[".repeat(100_000)].concat()), "malformed_json");
        assert_eq!(code(b"{\"name\": \"\xff\"}"), "not_utf8");
    }

    #[test]
    fn a_nul_is_pointed_to_and_a_byte_order_mark_ignored() {
        check(
            r#"{"principal":"1","name":"a\u0000b"}"#,
            "invalid_field",
            "/name",
            "a text cannot hold the character U+0000; remove it",
        );
        parse::<Outer>(br#"{"principal":"1","name":"a\\u0000b"}"#).unwrap();
        parse::<Outer>("\u{feff}{\"principal\":\"1\"}".as_bytes()).unwrap();
    }
}
