//! Figures as accountants print them: thousands apart, a negative one in parentheses, nothing as a dash.

use maud::{Markup, html};
use rust_decimal::Decimal;

/// What stands for nothing.
pub const NOTHING: &str = "\u{2013}";

/// A decimal as it is printed. What is no decimal stays as it is.
///
/// ```
/// use parwright::export::page::figure::printed;
/// assert_eq!(printed("-1234567.80"), "(1,234,567.80)");
/// assert_eq!(printed("0.00"), "\u{2013}");
/// ```
pub fn printed(decimal: &str) -> String {
    let (negative, digits) = match decimal.strip_prefix('-') {
        Some(digits) => (true, digits),
        None => (false, decimal),
    };
    let (whole, fraction) = digits.split_once('.').map_or((digits, None), |(whole, fraction)| (whole, Some(fraction)));
    let are_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !are_digits(whole) || !fraction.is_none_or(are_digits) {
        return decimal.to_owned();
    }
    if is_zero(decimal) {
        return NOTHING.to_owned();
    }
    let mut text = String::with_capacity(decimal.len() + whole.len() / 3 + 2);
    if negative {
        text.push('(');
    }
    for (at, digit) in whole.char_indices() {
        if at > 0 && (whole.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if let Some(fraction) = fraction {
        text.push('.');
        text.push_str(fraction);
    }
    if negative {
        text.push(')');
    }
    text
}

/// A decimal as it is printed in a sentence, in which a dash would not be read as nothing.
pub fn said(decimal: &str) -> String {
    if is_zero(decimal) { "nothing".to_owned() } else { printed(decimal) }
}

/// Whether a decimal is zero.
pub fn is_zero(decimal: &str) -> bool {
    decimal.bytes().all(|byte| matches!(byte, b'0' | b'.' | b'-'))
}

/// Whether a decimal is less than zero.
pub fn is_negative(decimal: &str) -> bool {
    decimal.starts_with('-') && !is_zero(decimal)
}

/// The sum of decimals, with the decimals of the first; nothing where there are none, or it is longer than 28 digits.
///
/// ```
/// use parwright::export::page::figure::sum;
/// assert_eq!(sum(["1.50", "-0.25"]), "1.25");
/// assert_eq!(sum([]), "");
/// ```
pub fn sum<'a>(decimals: impl IntoIterator<Item = &'a str>) -> String {
    let mut decimals = decimals.into_iter().map(|decimal| decimal.parse::<Decimal>().ok());
    let first = decimals.next().flatten();
    let sum = first.and_then(|first| decimals.try_fold(first, |sum, next| sum.checked_add(next?)));
    sum.map(|sum| sum.to_string()).unwrap_or_default()
}

/// A rate as a percentage, with all its decimals: the point moves by two places.
///
/// ```
/// use parwright::export::page::figure::percent;
/// assert_eq!((percent("0.0425"), percent("-1.5"), percent("0.04795593")), ("4.25%".into(), "-150%".into(), "4.795593%".into()));
/// ```
pub fn percent(rate: &str) -> String {
    let (sign, digits) = rate.strip_prefix('-').map_or(("", rate), |digits| ("-", digits));
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let mut places = fraction.chars();
    let moved: String = (0..2).map(|_| places.next().unwrap_or('0')).collect();
    let whole = format!("{whole}{moved}");
    let whole = match whole.trim_start_matches('0') {
        "" => "0",
        whole => whole,
    };
    match places.as_str().trim_end_matches('0') {
        "" => format!("{sign}{whole}%"),
        fraction => format!("{sign}{whole}.{fraction}%"),
    }
}

/// A cell of a figure. A parenthesis hangs over, so that digits stand under each other.
pub fn cell(decimal: &str) -> Markup {
    let class = if is_negative(decimal) { "n neg" } else { "n" };
    html! { td class=(class) { (printed(decimal)) } }
}

/// A cell of a figure that may not be there.
pub fn maybe(decimal: Option<&str>) -> Markup {
    cell(decimal.unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_grouped_and_its_sign_is_in_parentheses() {
        for (decimal, expected) in [
            ("0", NOTHING),
            ("-0.000", NOTHING),
            ("1", "1"),
            ("999.99", "999.99"),
            ("1000", "1,000"),
            ("-41150000.00", "(41,150,000.00)"),
            ("10000000000000.00", "10,000,000,000,000.00"),
            ("-0.125", "(0.125)"),
            ("", ""),
            ("n/a", "n/a"),
            ("1e5", "1e5"),
            ("1.", "1."),
        ] {
            assert_eq!(printed(decimal), expected, "{decimal}");
        }
    }

    #[test]
    fn a_rate_keeps_its_decimals() {
        for (rate, expected) in
            [("0", "0%"), ("0.0000", "0%"), ("0.5", "50%"), ("0.00125", "0.125%"), ("12", "1200%"), ("-0.01", "-1%")]
        {
            assert_eq!(percent(rate), expected, "{rate}");
        }
    }
}
