//! How a date is written.

/// A part of a date as it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DatePart {
    /// All four digits.
    Year,
    /// The last two digits.
    YearOfCentury,
    Month,
    Day,
    Separator(char),
}

/// The parts of a date pattern, or why it is none.
pub(super) fn date_parts(pattern: &str) -> Result<Vec<DatePart>, &'static str> {
    const TOKENS: [(&str, DatePart); 4] =
        [("YYYY", DatePart::Year), ("YY", DatePart::YearOfCentury), ("MM", DatePart::Month), ("DD", DatePart::Day)];
    let mut parts: Vec<DatePart> = Vec::new();
    let mut rest = pattern;
    while let Some(first) = rest.chars().next() {
        if let Some((token, part)) = TOKENS.iter().find(|(token, _)| rest.starts_with(token)) {
            parts.push(*part);
            rest = &rest[token.len()..];
        } else if matches!(first, '-' | '.' | '/' | ' ') {
            if !matches!(parts.last(), Some(part) if !matches!(part, DatePart::Separator(_))) {
                return Err("has a separator that stands between no two parts");
            }
            parts.push(DatePart::Separator(first));
            rest = &rest[1..];
        } else {
            return Err("holds something else than the parts of a date");
        }
    }
    if matches!(parts.last(), Some(DatePart::Separator(_))) {
        return Err("has a separator that stands between no two parts");
    }
    let count = |wanted: &[DatePart]| parts.iter().filter(|part| wanted.contains(part)).count();
    let counts =
        [count(&[DatePart::Year, DatePart::YearOfCentury]), count(&[DatePart::Month]), count(&[DatePart::Day])];
    if counts == [1, 1, 1] { Ok(parts) } else { Err("does not have year, month and day once each") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_date_pattern_has_year_month_and_day_once_each() {
        use DatePart::{Day, Month, Separator, Year, YearOfCentury};
        for (pattern, expected) in [
            ("YYYY-MM-DD", vec![Year, Separator('-'), Month, Separator('-'), Day]),
            ("DDMMYY", vec![Day, Month, YearOfCentury]),
            ("MM/DD/YYYY", vec![Month, Separator('/'), Day, Separator('/'), Year]),
            ("DD. MM", vec![]),
            ("YYYYYYMMDD", vec![]),
            ("YYYY-MM-DD-", vec![]),
            (" YYYYMMDD", vec![]),
            ("YYYY--MM-DD", vec![]),
            ("YYYY-MM-DDTHH", vec![]),
            ("YYYMMDD", vec![]),
            ("yyyy-mm-dd", vec![]),
            ("YYYYMM", vec![]),
            ("", vec![]),
            ("日YYYYMMDD", vec![]),
        ] {
            assert_eq!(date_parts(pattern).unwrap_or_default(), expected, "{pattern:?}");
        }
    }
}
