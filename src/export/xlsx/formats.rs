//! How cells look, and what a cell can hold.

use std::borrow::Cow;

use rust_xlsxwriter::{Color, Format, FormatAlign, FormatBorder};

use crate::accounting::Currency;

/// Significant digits that a cell holds exactly.
pub(super) const EXACT_DIGITS: usize = 15;
/// The first day that every spreadsheet counts alike: some have a 29 February 1900.
pub(super) const FIRST_DAY: &str = "1900-03-01";
/// The most that a cell holds, in UTF-16 code units.
const LONGEST_TEXT: usize = 32_767;

/// How cells look.
pub(super) struct Formats {
    pub plain: Format,
    pub title: Format,
    pub heading: Format,
    pub column_heading: Format,
    pub sentence: Format,
    pub date: Format,
    pub amount: Format,
    pub amount_text: Format,
    pub total: Format,
    pub rate: Format,
    pub number: Format,
    /// Of cells that may be changed.
    pub input_amount: Format,
    pub input_rate: Format,
}

impl Formats {
    pub fn of(currency: &str) -> Formats {
        let decimals = Currency::from_code(currency).map_or(0, |currency| usize::from(currency.exponent()));
        let pattern = if decimals == 0 { "#,##0".to_owned() } else { format!("#,##0.{}", "0".repeat(decimals)) };
        let input = |pattern: &str| {
            let ink = Format::new().set_num_format(pattern).set_font_color(Color::RGB(0x00_1F_4E_9E));
            ink.set_background_color(Color::RGB(0x00_FF_F8_DC)).set_border(FormatBorder::Hair)
        };
        Formats {
            // Text even when it is edited, so that an account code keeps its zeros.
            plain: Format::new().set_num_format("@"),
            title: Format::new().set_bold().set_font_size(14),
            heading: Format::new().set_bold(),
            column_heading: Format::new().set_bold().set_text_wrap().set_align(FormatAlign::Bottom),
            sentence: Format::new().set_num_format("@").set_text_wrap().set_align(FormatAlign::Top),
            date: Format::new().set_num_format("yyyy-mm-dd"),
            amount: Format::new().set_num_format(&pattern),
            amount_text: Format::new().set_num_format("@").set_align(FormatAlign::Right),
            total: Format::new().set_num_format(&pattern).set_bold(),
            rate: Format::new().set_num_format("0.000000000000"),
            number: Format::new().set_num_format("General"),
            input_amount: input(&pattern),
            input_rate: input("0.0000000000"),
        }
    }
}

/// The number that a cell holds exactly, if it can.
pub(super) fn exact_number(amount: &str) -> Option<f64> {
    let digits: String = amount.chars().filter(char::is_ascii_digit).collect();
    if digits.trim_matches('0').len() <= EXACT_DIGITS { amount.parse().ok() } else { None }
}

/// A text that is not longer than a cell holds; the end of a longer one is dropped, which three dots say.
pub(super) fn fitting(text: &str) -> Cow<'_, str> {
    // No text has more code units than bytes.
    if text.len() <= LONGEST_TEXT {
        return Cow::Borrowed(text);
    }
    let units: Vec<u16> = text.encode_utf16().collect();
    match units.get(..LONGEST_TEXT - 1) {
        Some(kept) if units.len() > LONGEST_TEXT => Cow::Owned(String::from_utf16_lossy(kept) + "\u{2026}"),
        _ => Cow::Borrowed(text),
    }
}
