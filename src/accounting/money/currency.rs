//! ISO 4217 currencies and their minor units.

use std::fmt;

/// A currency of ISO 4217, list one: an alphabetic code and the exponent of its minor unit.
///
/// ```
/// use parwright::accounting::Currency;
/// assert_eq!(Currency::from_code("JPY").map(|c| c.exponent()), Some(0));
/// assert_eq!(Currency::from_code("KWD").map(|c| c.exponent()), Some(3));
/// assert_eq!(Currency::from_code("XXQ"), None);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Currency {
    code: &'static str,
    exponent: u8,
}

impl Currency {
    /// The currency with this alphabetic code, if ISO 4217 lists one that has a minor unit (metals and test codes have none).
    pub fn from_code(code: &str) -> Option<Currency> {
        EXPONENTS.iter().find_map(|(exponent, codes)| {
            codes.iter().find(|listed| **listed == code).map(|listed| Currency { code: listed, exponent: *exponent })
        })
    }

    /// The three letters.
    pub fn code(&self) -> &'static str {
        self.code
    }

    /// How many decimals the minor unit has: 0 for JPY, 2 for USD, 3 for KWD, 4 for CLF.
    pub fn exponent(&self) -> u8 {
        self.exponent
    }
}

impl fmt::Debug for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code)
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code)
    }
}

/// ISO 4217:2015, list one as amended through amendment 179, by exponent (from memory; the codes in force and their minor
/// units, without funds of no minor unit).
const EXPONENTS: &[(u8, &[&str])] = &[
    (
        0,
        &[
            "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF",
            "XOF", "XPF",
        ],
    ),
    (
        2,
        &[
            "AED", "AFN", "ALL", "AMD", "AOA", "ARS", "AUD", "AWG", "AZN", "BAM", "BBD", "BDT", "BMD", "BND", "BOB",
            "BOV", "BRL", "BSD", "BTN", "BWP", "BYN", "BZD", "CAD", "CDF", "CHE", "CHF", "CHW", "CNY", "COP", "COU",
            "CRC", "CUP", "CVE", "CZK", "DKK", "DOP", "DZD", "EGP", "ERN", "ETB", "EUR", "FJD", "FKP", "GBP", "GEL",
            "GHS", "GIP", "GMD", "GTQ", "GYD", "HKD", "HNL", "HTG", "HUF", "IDR", "ILS", "INR", "IRR", "JMD", "KES",
            "KGS", "KHR", "KPW", "KYD", "KZT", "LAK", "LBP", "LKR", "LRD", "LSL", "MAD", "MDL", "MGA", "MKD", "MMK",
            "MNT", "MOP", "MRU", "MUR", "MVR", "MWK", "MXN", "MXV", "MYR", "MZN", "NAD", "NGN", "NIO", "NOK", "NPR",
            "NZD", "PAB", "PEN", "PGK", "PHP", "PKR", "PLN", "QAR", "RON", "RSD", "RUB", "SAR", "SBD", "SCR", "SDG",
            "SEK", "SGD", "SHP", "SLE", "SOS", "SRD", "SSP", "STN", "SVC", "SYP", "SZL", "THB", "TJS", "TMT", "TOP",
            "TRY", "TTD", "TWD", "TZS", "UAH", "USD", "USN", "UYU", "UZS", "VED", "VES", "WST", "XCD", "XCG", "YER",
            "ZAR", "ZMW", "ZWG",
        ],
    ),
    (3, &["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"]),
    (4, &["CLF", "UYW"]),
];
