//! Reversal of a recorded event: the exact inverse of its entries, then what the principal that it moved would have cost since.
//!
//! An entry that was posted is never changed or deleted. Accruals are no part of it: they bring what is booked to what is
//! computed, and what is computed without the event is brought about by the catch-up. (Common practice, no source; ASC
//! 250-10-45-23 has the correction of an error reach what the books show, and not how they get there.)

use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;
use rust_decimal::Decimal;

use super::booking::{Journal, components_of};
use super::{Books, Decision};
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::instrument::Instrument;
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, MovementKind, Posting, signed};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, RowChange};
use crate::accounting::refusal::Refusal;

/// A line as it was posted, debit positive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PostedLine {
    pub role: AccountRole,
    pub amount: Amount,
    pub memo: String,
}

/// An entry as it was posted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PostedEntry {
    /// The id of its batch.
    pub batch: Arc<str>,
    /// The number of its batch.
    pub number: String,
    /// Its place in the batch, from 1.
    pub entry: usize,
    pub posting_date: Date,
    pub effective_date: Date,
    pub movement_kind: MovementKind,
    pub description: String,
    pub lines: Vec<PostedLine>,
    pub shares: Decimal,
    pub coupon_interest: Amount,
}

/// An event as it was recorded.
#[derive(Clone, Debug)]
pub struct Reversed {
    /// What kind of event it is.
    pub kind: String,
    /// The date from which it changed rows.
    pub effective_date: Date,
    pub change: RowChange,
    /// The issue without it, if it is a revision.
    pub without: Option<Arc<Instrument>>,
    /// What it changed on an earlier date besides: a conversion that was recorded with its surrender.
    pub surrender: Option<(Date, RowChange)>,
    /// All its entries but accruals.
    pub entries: Vec<PostedEntry>,
}

/// Reverse an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reversal {
    /// When everything is posted; if absent, each entry on its original posting date, or the first open day after it.
    pub posting_date: Option<Date>,
}

impl Reversal {
    /// Reverses an event whose dependents are known to be none, but for coupons that were paid since.
    ///
    /// # Errors
    /// [`Refusal::DependentEvent`] when a coupon was paid of which holders would be entitled to more without the event; a
    /// [`Refusal`] for a posting date that is in a closed period or before what is reversed was posted.
    pub fn decide(&self, books: &Books, reversed: &Reversed) -> Result<Decision<()>, Refusal> {
        let maturity = books.instrument.terms().maturity_date;
        let books = &Books { calendar: self.calendar(books.calendar, maturity, reversed)?, ..books.clone() };
        let instrument = &books.instrument;
        let without = reversed.without.as_ref().unwrap_or(instrument);
        let (date, change) = (reversed.effective_date, reversed.change.inverse()?);
        let moment = instrument.moment_of(date);
        let mut history = books.history.with(date, &change, instrument, without)?;
        if let Some((on, surrender)) = &reversed.surrender {
            history = history.with(*on, &surrender.inverse()?, without, without)?;
        }
        let from = reversed.surrender.map_or(date, |(on, _)| on);
        if let Some(coupon_date) = history.underpaid_since(&books.history, without)? {
            return Err(Refusal::DependentEvent {
                reversed: reversed.kind.clone(),
                dependent: "coupon_payment".to_owned(),
                date: coupon_date,
            });
        }
        let mut journal = Journal::new(books);
        let mut taken_back: Vec<(Date, Components)> = Vec::new();
        for posted in &reversed.entries {
            let Some(entry) = posted.inverse()? else { continue };
            taken_back.push((posted.effective_date, components_of(&entry)));
            journal.post_inverse(posted, entry)?;
        }
        let changes_rows = reversed.change != RowChange::default() || reversed.without.is_some();
        if changes_rows {
            journal.take_back(instrument.moment_of(from), &history, without, |through| {
                let mut effective = taken_back.iter().filter(|(date, _)| *date <= through);
                effective.try_fold(Components::default(), |sum, (_, components)| sum.plus(components))
            })?;
        }
        let (postings, booked_rows) = journal.finish()?;
        Ok(Decision {
            effective_date: date,
            before: books.history.position(moment, instrument)?,
            after: history.position(moment, without)?,
            postings,
            position_rows: match changes_rows {
                true => history.rows().iter().copied().filter(|row| row.date >= from).collect(),
                false => Vec::new(),
            },
            coupon: change.coupon,
            rate: None,
            revised: reversed.without.clone(),
            booked_rows,
            outcome: (),
        })
    }

    /// The calendar that posts nothing before the posting date.
    fn calendar(
        &self,
        calendar: FiscalCalendar,
        maturity: Date,
        reversed: &Reversed,
    ) -> Result<FiscalCalendar, Refusal> {
        let Some(date) = self.posting_date else { return Ok(calendar) };
        let open = calendar.posting_date(date);
        if open != date {
            return Err(Refusal::invalid(
                "posting_date",
                date,
                format!("its fiscal period is closed; the first open day is {open}"),
            ));
        }
        let last = reversed.entries.iter().map(|entry| entry.posting_date).max();
        if let Some(last) = last.filter(|last| date < *last) {
            let rule = format!("what is reversed was posted on {last}; give that day or a later one");
            return Err(Refusal::invalid("posting_date", date, rule));
        }
        // A reversal cannot be reversed, so that a slip of the pen in its year could never be mended. Where periods are closed beyond
        // that, the year begins with the first open day.
        let latest = calendar.posting_date(last.unwrap_or(maturity).max(maturity)).saturating_add(1.year());
        if date > latest {
            let rule = format!("it may be at most a year after the issue's end and what is reversed: {latest}");
            return Err(Refusal::invalid("posting_date", date, rule));
        }
        Ok(calendar.open_from(date))
    }
}

impl PostedEntry {
    /// The inverse of an entry that is of no event, on the same day; `None` of one without lines.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn taken_back(&self) -> Result<Option<Posting>, Refusal> {
        Ok(self.inverse()?.map(|entry| Posting {
            posting_date: self.posting_date,
            effective_date: self.effective_date,
            movement_kind: self.movement_kind,
            reverses: Some(Arc::clone(&self.batch)),
            entry,
        }))
    }

    /// The entry with every amount on the other side.
    fn inverse(&self) -> Result<Option<Entry>, Refusal> {
        let rule = Derivation::new("the inverse of a line that was posted", "common practice")
            .with("batch", &self.number)
            .with("entry", self.entry)
            .with("posting_date", self.posting_date);
        let line = |line: &PostedLine| Ok(signed(line.role, line.amount.negated()?, line.memo.clone(), rule.clone()));
        let lines = self.lines.iter().map(line).collect::<Result<_, Refusal>>()?;
        let entry = Entry::new(EntryKind::Reversal, format!("Reversal: {}", self.description), lines)?;
        let coupon_interest = self.coupon_interest.negated()?;
        Ok(entry.map(|entry| entry.with_shares(-self.shares).with_coupon_interest(coupon_interest)))
    }
}
