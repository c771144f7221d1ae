//! A price at a given rate. The core solves rates from proceeds, never the reverse; so a price is put to it from both sides.

use std::fmt;

use parwright::accounting::instrument::Instrument;
use rust_decimal::Decimal;

use super::case::{Measured, decimal};
use super::terms::TermsData;

/// The price of an issue at a nominal annual rate.
pub struct Price {
    pub terms: TermsData,
    pub rate: Decimal,
}

impl Price {
    /// The rate that explains proceeds, on the issue magnified.
    fn rate_of(&self, proceeds: Decimal) -> Result<Decimal, String> {
        let terms = self.terms.with_proceeds(proceeds).terms(self.terms.magnification()?)?;
        Ok(Instrument::new(terms).map_err(|refusal| refusal.to_string())?.nominal_annual_rate())
    }
}

impl Measured for Price {
    /// The price lies within the tolerance if the rate lies between those that the tolerance's ends imply; a higher price is a
    /// lower rate.
    fn is(&self, claim: Decimal, tolerance: Decimal) -> Result<bool, String> {
        Ok(self.rate_of(claim + tolerance)? <= self.rate && self.rate <= self.rate_of(claim - tolerance)?)
    }
}

impl fmt::Display for Price {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let solved = decimal(&self.terms.proceeds).and_then(|proceeds| self.rate_of(proceeds));
        write!(f, "the price at {} (proceeds {} imply {solved:?})", self.rate, self.terms.proceeds)
    }
}
