//! Transactions: one file each, holding its command, its decision and its entries. What they share is here: the books that a
//! command is decided on, the decision that it becomes, and how a change at a date is booked.

pub mod accrual;
pub mod assumed;
mod booking;
pub mod conversion;
pub mod coupon_payment;
pub mod criteria;
pub mod estimate;
pub mod extinguishment;
mod failed_offer;
pub mod inducement;
pub mod issuance;
pub mod issue_cost_adjustment;
mod leaving;
pub mod modification;
mod new_debt;
mod observation;
pub mod opening_balance;
pub mod rate_adjustment;
pub mod reclassification;
pub mod reversal;
mod revising;
pub mod sale_price;
pub mod series;
mod settlement;
pub mod surrender;
pub mod ten_percent;

use std::sync::Arc;

use jiff::civil::Date;

use super::fiscal_calendar::FiscalCalendar;
use super::instrument::{Instrument, Moment};
use super::journal::{Entry, MovementKind, Posting};
use super::money::Amount;
use super::position::{Components, CouponChange, History, Position, PositionRow, RowChange};
use super::refusal::Refusal;

pub use booking::{BookedRow, TakenBackLater};
pub use observation::DailyPrice;
pub use rate_adjustment::ConversionRate;
pub use settlement::{Consideration, FractionalShares, Settlement, ShareSource};

/// An issue's books, as far as a command needs them: everything from the command's date on, before it the last of each; and the
/// payments of the coupons that fall due after that date.
#[derive(Clone, Debug)]
pub struct Books {
    pub instrument: Arc<Instrument>,
    pub calendar: FiscalCalendar,
    pub history: History,
    /// Newest rows by posting date; the last one holds all that is booked.
    pub booked: Vec<BookedRow>,
    /// Adjusted conversion rates, by date; all of them.
    pub rates: Vec<ConversionRate>,
}

impl Books {
    /// The books of an issue before its issuance.
    pub fn empty(instrument: Arc<Instrument>, calendar: FiscalCalendar) -> Books {
        Books {
            instrument,
            calendar,
            history: History::new(Vec::new(), Vec::new()),
            booked: Vec::new(),
            rates: Vec::new(),
        }
    }

    /// The moment to which the issue was last accrued.
    pub fn accrued(&self) -> Moment {
        self.booked.last().map_or_else(|| self.instrument.before_start(), |row| row.accrued)
    }

    /// All that is booked.
    pub fn booked_total(&self) -> Components {
        self.booked.last().map_or_else(Components::default, |row| row.components)
    }

    /// Whether something effective on `date` lies before what was accrued last.
    pub fn is_backdated(&self, date: Date) -> bool {
        date < self.accrued().boundary
    }

    fn check_date(&self, field: &'static str, date: Date) -> Result<(), Refusal> {
        let terms = self.instrument.terms();
        match &terms.opening {
            Some(opening) if date <= opening.date => {
                return Err(Refusal::BeforeOpening { field, date, opening_date: opening.date });
            }
            None if date < terms.settlement_date => {
                return Err(Refusal::BeforeSettlement { field, date, settlement_date: terms.settlement_date });
            }
            _ => {}
        }
        if date > terms.maturity_date {
            return Err(Refusal::AfterMaturity { field, date, maturity_date: terms.maturity_date });
        }
        Ok(())
    }
}

/// What a command becomes: postings in order, the rows that change, and the outcome that only its kind has.
#[derive(Clone, Debug)]
pub struct Decision<O> {
    pub effective_date: Date,
    /// At the event's boundary, before and after it.
    pub before: Position,
    pub after: Position,
    pub postings: Vec<Posting>,
    pub position_rows: Vec<PositionRow>,
    pub coupon: Option<CouponChange>,
    /// The conversion rate that it adjusts.
    pub rate: Option<ConversionRate>,
    /// The issue from then on, if it is revised, or if a revision is taken back.
    pub revised: Option<Arc<Instrument>>,
    pub booked_rows: Vec<BookedRow>,
    pub outcome: O,
}

impl<O> Decision<O> {
    /// One that posts and changes no rows of what is outstanding.
    fn posted(
        effective_date: Date,
        (before, after): (Position, Position),
        (postings, booked_rows): (Vec<Posting>, Vec<BookedRow>),
        outcome: O,
    ) -> Decision<O> {
        Decision {
            effective_date,
            before,
            after,
            postings,
            position_rows: Vec::new(),
            coupon: None,
            rate: None,
            revised: None,
            booked_rows,
            outcome,
        }
    }

    /// The same with another outcome.
    pub fn map<P>(self, outcome: impl FnOnce(O) -> P) -> Decision<P> {
        Decision {
            effective_date: self.effective_date,
            before: self.before,
            after: self.after,
            postings: self.postings,
            position_rows: self.position_rows,
            coupon: self.coupon,
            rate: self.rate,
            revised: self.revised,
            booked_rows: self.booked_rows,
            outcome: outcome(self.outcome),
        }
    }
}

impl Books {
    /// The books after a decision, for the next command.
    #[must_use]
    pub fn after<O>(&self, decision: &Decision<O>) -> Books {
        let mut history = self.history.rows().to_vec();
        if let Some(first) = decision.position_rows.first() {
            history.retain(|row| row.date < first.date);
            history.extend(decision.position_rows.iter().copied());
        }
        let mut booked = self.booked.clone();
        if let Some(first) = decision.booked_rows.first() {
            booked.retain(|row| row.posting_date < first.posting_date);
            booked.extend(decision.booked_rows.iter().copied());
        }
        let paid = self.history.paid_after(decision.coupon);
        Books {
            instrument: Arc::clone(decision.revised.as_ref().unwrap_or(&self.instrument)),
            calendar: self.calendar,
            history: History::new(history, paid),
            booked,
            rates: self.rates.iter().copied().chain(decision.rate).collect(),
        }
    }
}

/// An event's own entries with their effective dates.
type OwnEntries = Vec<(Date, MovementKind, Option<Entry>)>;

/// Books a change effective on `date`, by the rule of backdated events.
///
/// With L the boundary last accrued: if `date` >= L the issue is accrued to `date` and then moved. If not, nothing is un-accrued
/// for the bonds that stay: the principal moves at its balances at `date`, and what was expensed on it from `date` to L is taken
/// back. Either way what is booked afterwards equals what is computed at the boundary last accrued.
fn record<O>(
    books: &Books,
    date: Date,
    change: &RowChange,
    own: impl FnOnce(&Components) -> Result<OwnEntries, Refusal>,
    outcome: O,
) -> Result<Decision<O>, Refusal> {
    let decision = record_revised(books, date, change, &books.instrument, own, outcome)?;
    Ok(Decision { revised: None, ..decision })
}

/// The same of a change after which the issue is another.
fn record_revised<O>(
    books: &Books,
    date: Date,
    change: &RowChange,
    revised: &Arc<Instrument>,
    own: impl FnOnce(&Components) -> Result<OwnEntries, Refusal>,
    outcome: O,
) -> Result<Decision<O>, Refusal> {
    let moment = Moment::of_movement(date);
    let history = books.history.with(date, change, &books.instrument, revised)?;
    let (before, after) = (books.history.position(moment, &books.instrument)?, history.position(moment, revised)?);
    let backdated = books.is_backdated(date);
    let mut journal = booking::Journal::new(books);
    if !backdated {
        journal.accrue_to(moment)?;
    }
    journal.post_own(own(&journal.booked)?)?;
    if backdated {
        let moved = after.components()?.minus(&before.components()?)?;
        journal.take_back(moment, &history, revised, |_| Ok(moved))?;
    }
    let (postings, booked_rows) = journal.finish()?;
    let position_rows = history.rows().iter().copied().filter(|row| row.date >= date).collect();
    Ok(Decision {
        effective_date: date,
        before,
        after,
        postings,
        position_rows,
        coupon: change.coupon,
        rate: None,
        revised: Some(Arc::clone(revised)),
        booked_rows,
        outcome,
    })
}

/// What an amount is of the debt: balance before less balance after.
fn moved(before: Amount, after: Amount) -> Result<Amount, Refusal> {
    before.minus(after)
}
