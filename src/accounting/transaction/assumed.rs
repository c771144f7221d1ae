//! Conversions that are assumed, for a look ahead. Nothing of them is recorded.

use jiff::civil::Date;

use super::Books;
use super::leaving::Leaving;
use crate::accounting::money::Amount;
use crate::accounting::position::History;
use crate::accounting::refusal::Refusal;

/// A conversion that is assumed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AssumedConversion {
    pub effective_date: Date,
    pub principal: Amount,
}

impl AssumedConversion {
    /// What would be outstanding with it: what it does to capital and cash depends on prices, and what it does to the debt does not.
    ///
    /// # Errors
    /// What a conversion of the same principal on the same date would be refused for.
    pub fn applied(&self, books: &Books) -> Result<History, Refusal> {
        let conversion = books.instrument.terms().conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
        let leaving = Leaving::at(books, self.effective_date, self.principal, conversion.accrued_interest)?;
        books.history.with(self.effective_date, &leaving.change()?, &books.instrument, &books.instrument)
    }
}
