//! Surrender for conversion, where cash and shares are delivered on a later day: prices are observed over a period in between.
//!
//! From the conversion date on the bonds bear no interest and their premium, discount and issue costs are amortised no further. The
//! liability is extinguished when it is settled and not before (ASC 405-20-40-1), so until then its balances stand in the debt as they
//! were on the conversion date. Interest that holders forfeit stands among them: settling the conversion is what satisfies it, and it is
//! part of the cost of the securities issued then (ASC 470-20-40-11). Interest that the terms have paid, or left payable with the next
//! coupon, and a coupon that is handed over, go by the conversion date.

use std::sync::Arc;

use jiff::civil::Date;

use super::conversion::{self, Conversion};
use super::leaving::Leaving;
use super::series::Part;
use super::{Books, Decision, record};
use crate::accounting::instrument::Instrument;
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, MovementKind, credit, debit};
use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;

/// Surrender bonds for conversion, to be settled later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Surrender {
    pub conversion_date: Date,
    pub principal: Amount,
}

/// What was surrendered. Premium positive, discount and issue costs negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub conversion_date: Date,
    /// What stands in the debt until the bonds are settled.
    pub kept: Components,
    /// Accrued on the bonds since the last coupon date, whatever becomes of it.
    pub accrued_interest: Amount,
    /// The coupon that a holder who converts after its record date hands over.
    pub coupon_handed_over: Amount,
}

/// Bonds that were surrendered and are not settled.
#[derive(Clone, Debug)]
pub struct Surrendered {
    /// The issue as it was when they were surrendered: a revision of the same date comes after them.
    pub issue: Arc<Instrument>,
    pub conversion_date: Date,
    /// Their balances as of that date.
    pub kept: Components,
}

impl Surrender {
    /// Accrues the issue to the conversion date and keeps the bonds' part of every component as it is there: balance before less
    /// balance after.
    ///
    /// Its entry moves the principal within bonds payable, so that the journal has the surrender and a batch by which it can be
    /// reversed; it is of no effect on any balance.
    ///
    /// # Errors
    /// A [`Refusal`] when the issue has no conversion terms, or date or principal cannot be.
    pub fn decide(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        let date = self.conversion_date;
        books.check_date("conversion_date", date)?;
        let treatment = books.conversion_at(date)?.accrued_interest;
        let leaving = Leaving::at(books, date, self.principal, treatment)?;
        let outcome = Outcome {
            conversion_date: date,
            kept: leaving.kept(),
            accrued_interest: leaving.accrued,
            coupon_handed_over: leaving.handed_over,
        };
        let entry = entry(books, &leaving)?;
        let own = |_: &Components| Ok(vec![(date, MovementKind::Conversion, entry)]);
        record(books, date, &leaving.change_by_surrender()?, own, outcome)
    }
}

fn entry(books: &Books, leaving: &Leaving) -> Result<Option<Entry>, Refusal> {
    let terms = books.instrument.terms();
    let principal = leaving.principal.to_major(terms.currency);
    let rule = Derivation::new("surrendered for conversion: debt until it is settled", "ASC 405-20-40-1")
        .with("principal", principal)
        .with("carrying_amount", leaving.carrying_amount()?.to_major(terms.currency));
    let mut lines = vec![
        debit(AccountRole::BondsPayable, leaving.principal, "Principal surrendered", rule.clone()),
        credit(AccountRole::BondsPayable, leaving.principal, "Surrendered and not settled", rule)?,
    ];
    lines.extend(leaving.interest_lines(books)?);
    Entry::new(EntryKind::Surrender, format!("Surrender of {} {principal} for conversion", terms.currency), lines)
}

impl Conversion {
    /// Settles bonds that were surrendered before, which are all that it converts. The rate in force and the rules of a make-whole
    /// event go by the conversion date.
    ///
    /// # Errors
    /// As [`Conversion::decide`], and for a settlement before the conversion date or more than a year after maturity.
    pub fn settle(&self, surrendered: &Surrendered, books: &Books) -> Result<Decision<conversion::Outcome>, Refusal> {
        let Surrendered { issue, conversion_date, kept } = surrendered;
        self.check_settled_on(*conversion_date, books)?;
        self.convert(books, (issue, *conversion_date), &Leaving::settled(kept), Part::default())
    }

    /// Surrenders the bonds on `conversion_date` and settles them on the effective date, as one event. The position before it is that
    /// after the surrender.
    ///
    /// # Errors
    /// As [`Surrender::decide`] and [`Conversion::settle`].
    pub fn decide_later(
        &self,
        conversion_date: Date,
        books: &Books,
    ) -> Result<(Decision<Outcome>, Decision<conversion::Outcome>), Refusal> {
        self.check_settled_on(conversion_date, books)?;
        let surrender = Surrender { conversion_date, principal: self.principal }.decide(books)?;
        let between = books.after(&surrender);
        let issue = Arc::clone(&books.instrument);
        let surrendered = Surrendered { issue, conversion_date, kept: surrender.outcome.kept };
        let settlement = self.settle(&surrendered, &between)?;
        let settlement = settlement.with_first(&surrender, &between);
        Ok((surrender, settlement))
    }

    fn check_settled_on(&self, conversion_date: Date, books: &Books) -> Result<(), Refusal> {
        use jiff::ToSpan;
        let (date, maturity) = (self.effective_date, books.instrument.terms().maturity_date);
        if date < conversion_date {
            return Err(Refusal::contradiction(
                "effective_date",
                format!("bonds surrendered on {conversion_date} are settled then or later, not on {date}"),
            ));
        }
        let latest = maturity.saturating_add(1.year());
        if date > latest {
            let rule = format!("bonds are settled at most a year after they mature: {latest}");
            return Err(Refusal::invalid("effective_date", date, rule));
        }
        Ok(())
    }
}

impl<O> Decision<O> {
    /// The decision with what a `first` one posts and changes before it, on books that were `between` the two.
    fn with_first<P>(self, first: &Decision<P>, between: &Books) -> Decision<O> {
        let after = between.after(&self);
        let from = first.effective_date.min(self.effective_date);
        let posted = first.booked_rows.first().into_iter().chain(self.booked_rows.first());
        let posted = posted.map(|row| row.posting_date).min();
        let mut postings = first.postings.clone();
        postings.extend(self.postings);
        postings.sort_by_key(|posting| posting.posting_date);
        Decision {
            postings,
            position_rows: after.history.rows().iter().copied().filter(|row| row.date >= from).collect(),
            booked_rows: after.booked.into_iter().filter(|row| Some(row.posting_date) >= posted).collect(),
            ..self
        }
    }
}
