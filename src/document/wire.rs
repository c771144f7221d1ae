//! How figures, dates and times are written on the wire.
//!
//! Amounts, rates and quantities are decimals in JSON *strings*. A JSON number is refused, for a receiver may read it
//! through binary floating point (RFC 8259 section 6), and a cent lost there cannot be found again.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use utoipa::ToSchema;

const DECIMAL_FORM: &str = r#"a decimal in a string such as "1024.42""#;
const DATE_FORM: &str = r#"a date in a string such as "2026-06-30""#;
const TIMESTAMP_FORM: &str = r#"a UTC time in a string such as "2026-06-30T17:00:00.000000Z""#;

/// A decimal in a string: an optional minus, at most 18 digits before the point without leading zeros, and at most 18
/// after it. No exponent, no plus, no separator.
///
/// Guarantees: exact, with the decimals it was written with; zero has no sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, ToSchema)]
#[schema(value_type = String, pattern = r"^-?(0|[1-9]\d{0,17})(\.\d{1,18})?$", example = "1024.42")]
pub struct DecimalString(pub Decimal);

/// A calendar date `YYYY-MM-DD`, with no zone.
///
/// Guarantees: a day of the Gregorian calendar from year 1 to 9999.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, ToSchema)]
#[schema(value_type = String, format = Date, example = "2026-06-30")]
pub struct DateString(pub Date);

/// An instant in UTC, RFC 3339 with an upper-case `T` and `Z`, to the microsecond.
///
/// Guarantees: a whole number of microseconds; written with all six decimals, so that equal instants have equal text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, ToSchema)]
#[schema(value_type = String, format = DateTime, example = "2026-06-30T17:00:00.000000Z")]
pub struct Timestamp(jiff::Timestamp);

/// Why a text is none of the above, as a sentence that tells what to write.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct WireError(String);

impl WireError {
    fn found(form: &str, text: &str) -> Self {
        // A long text would fill the answer and the log with what the caller already has.
        let shown: String = text.chars().take(40).collect();
        let dots = if shown.len() < text.len() { "..." } else { "" };
        Self(format!("expected {form}, found {:?}", format!("{shown}{dots}")))
    }
}

impl FromStr for DecimalString {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        let unsigned = text.strip_prefix('-').unwrap_or(text);
        let (whole, fraction) = match unsigned.split_once('.') {
            Some((whole, fraction)) => (whole, Some(fraction)),
            None => (unsigned, None),
        };
        let digits = |part: &str| (1..=18).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
        let canonical = whole == "0" || !whole.starts_with('0');
        if !(digits(whole) && canonical && fraction.is_none_or(digits)) {
            return Err(WireError::found(DECIMAL_FORM, text));
        }
        let mut value = Decimal::from_str_exact(text)
            .map_err(|_| WireError(format!("{text} has more than the 28 digits that are kept exactly")))?;
        if value.is_zero() {
            value.set_sign_positive(true);
        }
        Ok(Self(value))
    }
}

impl FromStr for DateString {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        // jiff reads more forms of ISO 8601 than the contract allows, so the form is checked first.
        let bytes = text.as_bytes();
        let form = bytes.len() == 10
            && bytes.iter().enumerate().all(|(at, byte)| match at {
                4 | 7 => *byte == b'-',
                _ => byte.is_ascii_digit(),
            });
        let date: Option<Date> = if form { text.parse().ok() } else { None };
        match date {
            Some(date) if date.year() >= 1 => Ok(Self(date)),
            _ if form => Err(WireError(format!("{text} is not a day of the calendar"))),
            _ => Err(WireError::found(DATE_FORM, text)),
        }
    }
}

impl FromStr for Timestamp {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        let wrong = || WireError::found(TIMESTAMP_FORM, text);
        let (day, time) = text.strip_suffix('Z').and_then(|text| text.split_once('T')).ok_or_else(wrong)?;
        let day: DateString = day.parse().map_err(|_| wrong())?;
        let (clock, fraction) = match time.split_once('.') {
            Some((clock, fraction)) => (clock, fraction),
            None => (time, "0"),
        };
        let colons = |(at, byte): (usize, u8)| {
            if at % 3 == 2 { byte == b':' } else { byte.is_ascii_digit() }
        };
        let form = clock.len() == 8 && clock.bytes().enumerate().all(colons);
        // A leap second is refused rather than moved: no clock that stamps these records shows one.
        if !form || clock.ends_with("60") || !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(wrong());
        }
        if !(1..=6).contains(&fraction.len()) {
            return Err(WireError(format!("{text} has more than six decimals of a second")));
        }
        format!("{}T{clock}.{fraction}Z", day.0).parse().map(Self).map_err(|_| wrong())
    }
}

impl Timestamp {
    /// The instant that many microseconds after 1970-01-01T00:00:00Z, if it is one that can be written.
    pub fn from_microseconds(microseconds: i64) -> Option<Self> {
        jiff::Timestamp::from_microsecond(microseconds).ok().map(Self)
    }

    /// Microseconds since 1970-01-01T00:00:00Z.
    pub fn microseconds(self) -> i64 {
        self.0.as_microsecond()
    }
}

impl fmt::Display for DecimalString {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for DateString {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.6}", self.0)
    }
}

/// Reads a value from a JSON string and says what was expected when it is anything else.
struct FromText<T> {
    form: &'static str,
    result: std::marker::PhantomData<T>,
}

impl<T: FromStr<Err = WireError>> FromText<T> {
    fn found<E: de::Error>(&self, what: impl fmt::Display) -> E {
        E::custom(format!("expected {}, found {what}", self.form))
    }
}

impl<'de, T: FromStr<Err = WireError>> de::Visitor<'de> for FromText<T> {
    type Value = T;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.form)
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<T, E> {
        text.parse().map_err(E::custom)
    }

    fn visit_i64<E: de::Error>(self, number: i64) -> Result<T, E> {
        Err(self.found(format_args!("the number {number}")))
    }

    fn visit_u64<E: de::Error>(self, number: u64) -> Result<T, E> {
        Err(self.found(format_args!("the number {number}")))
    }

    fn visit_f64<E: de::Error>(self, number: f64) -> Result<T, E> {
        Err(self.found(format_args!("the number {number}")))
    }

    fn visit_bool<E: de::Error>(self, value: bool) -> Result<T, E> {
        Err(self.found(value))
    }

    fn visit_unit<E: de::Error>(self) -> Result<T, E> {
        Err(self.found("null"))
    }

    fn visit_seq<A: de::SeqAccess<'de>>(self, _: A) -> Result<T, A::Error> {
        Err(self.found("an array"))
    }

    fn visit_map<A: de::MapAccess<'de>>(self, _: A) -> Result<T, A::Error> {
        Err(self.found("an object"))
    }
}

macro_rules! text_on_the_wire {
    ($($type:ident $form:ident),*) => {$(
        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_any(FromText { form: $form, result: std::marker::PhantomData })
            }
        }

        impl Serialize for $type {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }
    )*};
}

text_on_the_wire!(DecimalString DECIMAL_FORM, DateString DATE_FORM, Timestamp TIMESTAMP_FORM);

#[cfg(test)]
mod tests {
    use super::*;

    fn check<T: FromStr<Err = WireError> + fmt::Display>(rows: &[(&str, Option<&str>)]) {
        for (text, expected) in rows {
            let read = text.parse::<T>().ok().map(|value| value.to_string());
            assert_eq!(read.as_deref(), *expected, "{text}");
        }
    }

    #[test]
    fn decimals_are_exact_and_keep_their_decimals() {
        check::<DecimalString>(&[
            ("0", Some("0")),
            ("-0", Some("0")),
            ("-0.00", Some("0.00")),
            ("1024.420", Some("1024.420")),
            ("-999999999999999999.9999999999", Some("-999999999999999999.9999999999")),
            ("0.123456789012345678", Some("0.123456789012345678")),
            ("999999999999999999.123456789012345678", None),
            ("1000000000000000000", None),
            ("01", None),
            ("+1", None),
            ("1.", None),
            (".5", None),
            ("1e3", None),
            ("1,000", None),
            ("1_000", None),
            (" 1", None),
            ("", None),
            ("-", None),
            ("--1", None),
            ("1.2.3", None),
            ("0.1234567890123456789", None),
            ("١", None),
        ]);
    }

    #[test]
    fn dates_are_days_of_the_calendar() {
        check::<DateString>(&[
            ("2024-02-29", Some("2024-02-29")),
            ("2023-02-29", None),
            ("20240229", None),
            ("2024-2-9", None),
            ("2024-02-29T00:00:00", None),
            ("0000-01-01", None),
            ("2026-13-01", None),
        ]);
    }

    #[test]
    fn timestamps_are_utc_to_the_microsecond() {
        check::<Timestamp>(&[
            ("2026-06-30T17:00:00Z", Some("2026-06-30T17:00:00.000000Z")),
            ("2026-06-30T17:00:00.123456Z", Some("2026-06-30T17:00:00.123456Z")),
            ("2026-06-30T17:00:00.1Z", Some("2026-06-30T17:00:00.100000Z")),
            ("2026-06-30T17:00:00.1234567Z", None),
            ("2026-06-30T17:00:00.Z", None),
            ("2026-06-30T17:00:00+00:00", None),
            ("2026-06-30t17:00:00z", None),
            ("2026-06-30T23:59:60Z", None),
            ("2026-06-30T24:00:00Z", None),
            ("2026-06-30", None),
            ("9999-12-31T23:59:59Z", None),
        ]);
        let read: Timestamp = "2026-06-30T17:00:00.123456Z".parse().unwrap();
        assert_eq!(Timestamp::from_microseconds(read.microseconds()), Some(read));
    }

    #[test]
    fn a_number_is_refused_with_what_to_write() {
        let message = |json: &str| serde_json::from_str::<DecimalString>(json).unwrap_err().to_string();
        for (json, found) in [
            ("1024.42", "the number 1024.42"),
            ("-5", "the number -5"),
            ("null", "null"),
            ("[]", "an array"),
            ("{}", "an object"),
            ("true", "true"),
            (r#""1e3""#, r#""1e3""#),
        ] {
            let expected = format!(r#"expected a decimal in a string such as "1024.42", found {found}"#);
            assert!(message(json).starts_with(&expected), "{}", message(json));
        }
    }
}
