//! Identifiers of open standards, checked by their own check digits.

/// Whether `isin` is an International Securities Identification Number: ISO 6166, two letters, nine letters or digits and a check
/// digit by the Luhn rule over the digits that letters expand to (A = 10 ... Z = 35).
///
/// ```
/// use parwright::accounting::identifier::is_isin;
/// assert!(is_isin("US0000000002"));
/// assert!(!is_isin("US0000000003"));
/// ```
pub fn is_isin(isin: &str) -> bool {
    let bytes = isin.as_bytes();
    let shape = bytes.len() == 12
        && bytes[..2].iter().all(u8::is_ascii_uppercase)
        && bytes[2..11].iter().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
        && bytes[11].is_ascii_digit();
    shape && luhn_sum(bytes).is_multiple_of(10)
}

/// Whether `lei` is a Legal Entity Identifier: ISO 17442, twenty letters or digits whose value modulo 97 is 1 (ISO 7064).
pub fn is_lei(lei: &str) -> bool {
    let bytes = lei.as_bytes();
    bytes.len() == 20
        && bytes.iter().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
        && bytes[18..].iter().all(u8::is_ascii_digit)
        && bytes.iter().fold(0_u32, |rest, &b| {
            let value = base_36(b);
            (rest * if value > 9 { 100 } else { 10 } + value) % 97
        }) == 1
}

fn base_36(b: u8) -> u32 {
    if b.is_ascii_digit() { u32::from(b - b'0') } else { u32::from(b - b'A') + 10 }
}

fn luhn_sum(bytes: &[u8]) -> u32 {
    let digits = bytes.iter().flat_map(|&b| {
        let value = base_36(b);
        if value > 9 { vec![value / 10, value % 10] } else { vec![value] }
    });
    digits
        .collect::<Vec<_>>()
        .iter()
        .rev()
        .enumerate()
        .map(|(place, digit)| {
            let weighed = if place % 2 == 1 { digit * 2 } else { *digit };
            weighed / 10 + weighed % 10
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_check_digit_of_ten_fits_and_the_shape_counts() {
        let good: Vec<String> =
            (0..10).map(|check| format!("XS12345ABCD{check}")).filter(|isin| is_isin(isin)).collect();
        assert_eq!(good, ["XS12345ABCD8"]); // by hand: Luhn over 33 28 1 2 3 4 5 10 11 12 13
        for wrong in ["XS12345ABCD", "xs12345ABCD9", "XS12345ABCD89", "1S12345ABCD9"] {
            assert!(!is_isin(wrong), "{wrong}");
        }
    }

    #[test]
    fn one_pair_of_check_digits_of_a_hundred_fits_an_lei() {
        let good = (2..=98).filter(|check| is_lei(&format!("0000000000000000AB{check:02}"))).count();
        assert_eq!(good, 1);
    }
}
