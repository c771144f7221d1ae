//! Accrual of interest and amortization through a date.

use jiff::civil::Date;

use super::{Books, Decision, booking};
use crate::accounting::refusal::Refusal;

/// Accrue through close of business on a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Accrual {
    pub through: Date,
}

/// What an accrual did: `None` when the issue is accrued that far already or nothing is outstanding, and nothing is posted.
pub type Outcome = Option<Decision<()>>;

impl Accrual {
    /// Accrues an issue, cut at the close of each fiscal period. Nothing is ever un-accrued: a date before the one last accrued
    /// through posts nothing. A date after maturity accrues through maturity.
    ///
    /// # Errors
    /// [`Refusal::BeforeSettlement`].
    pub fn decide(&self, books: &Books) -> Result<Outcome, Refusal> {
        let terms = books.instrument.terms();
        if let Some(opening) = terms.opening.filter(|opening| self.through < opening.date) {
            return Err(Refusal::BeforeOpening { field: "through", date: self.through, opening_date: opening.date });
        }
        if self.through < terms.settlement_date {
            return Err(Refusal::BeforeSettlement {
                field: "through",
                date: self.through,
                settlement_date: terms.settlement_date,
            });
        }
        let through = self.through.min(terms.maturity_date);
        let moment = books.instrument.close_of(through);
        // At the moment last accrued itself there may still be a difference to post: that of interest received at settlement.
        let reached = books.accrued();
        if (moment.boundary, moment.date) < (reached.boundary, reached.date) {
            return Ok(None);
        }
        let mut journal = booking::Journal::new(books);
        let before = books.history.position(reached, &books.instrument)?;
        journal.accrue_to(moment)?;
        let (postings, booked_rows) = journal.finish()?;
        if postings.is_empty() {
            return Ok(None);
        }
        let after = books.history.position(moment, &books.instrument)?;
        Ok(Some(Decision::posted(through, (before, after), (postings, booked_rows), ())))
    }
}
