//! What revisions of an issue share: how the debt stands before one, and the entry that carries it anew.

use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::booking::premium_discount_lines;
use super::{Books, Decision, record_revised};
use crate::accounting::instrument::{Carried, Instrument, Moment, Revision};
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, LineDraft, MovementKind, signed};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, RowChange};
use crate::accounting::refusal::Refusal;

/// The debt on the date of a revision, before it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Standing {
    pub date: Date,
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
}

impl Standing {
    /// The debt as it stands. A revision is the last event of an issue when it is recorded, accruals aside: whatever is recorded for a
    /// later date rests on the terms that it would change.
    ///
    /// # Errors
    /// [`Refusal::LaterEventDepends`], [`Refusal::NothingOutstanding`], or a date outside the issue's life.
    pub fn at(books: &Books, date: Date, what: &'static str) -> Result<Standing, Refusal> {
        books.check_date("effective_date", date)?;
        let maturity_date = books.instrument.terms().maturity_date;
        if date == maturity_date {
            return Err(Refusal::AfterMaturity { field: "effective_date", date, maturity_date });
        }
        // A revision may change no amount, and then no row.
        let revised_on = books.instrument.revised_on().filter(|revised_on| *revised_on > date);
        match first_change_after(books, date)?.or(revised_on) {
            Some(later) => Err(Refusal::LaterEventDepends { what, on: date, date: later }),
            None => Standing::of(books, date),
        }
    }

    /// The debt on a date, whatever came later; without bonds that are surrendered, whose terms no longer change.
    ///
    /// # Errors
    /// [`Refusal::NothingOutstanding`].
    pub fn of(books: &Books, date: Date) -> Result<Standing, Refusal> {
        let position = books.history.position(Moment::of_movement(date), &books.instrument)?.outstanding()?;
        if position.principal.is_zero() {
            return Err(Refusal::NothingOutstanding { date });
        }
        Ok(Standing {
            date,
            principal: position.principal,
            premium_discount: position.premium_discount,
            issue_costs: position.issue_costs,
        })
    }

    pub fn clean(&self) -> Result<Amount, Refusal> {
        self.principal.plus(self.premium_discount)
    }

    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        self.clean()?.plus(self.issue_costs)
    }
}

/// The issue from a revision on. Where no rate explains what it carries, `field` of the command is what is wrong.
///
/// # Errors
/// [`Refusal::NoRateExplains`].
pub(super) fn carried(
    revision: Revision,
    carried: Carried,
    kept_rate: Option<Decimal>,
    field: &'static str,
) -> Result<Instrument, Refusal> {
    revision.carried(carried, kept_rate).map_err(|refusal| match refusal {
        Refusal::NoRateExplains { what, proceeds, flows, lowest, highest, .. } => {
            Refusal::NoRateExplains { field, what, proceeds, flows, lowest, highest }
        }
        other => other,
    })
}

/// The first date after another whose events changed something; those of a date may have been reversed.
fn first_change_after(books: &Books, date: Date) -> Result<Option<Date>, Refusal> {
    let mut before = books.history.at(date, &books.instrument)?;
    for row in books.history.rows().iter().filter(|row| row.date > date) {
        if *row != before.rolled_to(row.date, &books.instrument)? {
            return Ok(Some(row.date));
        }
        before = *row;
    }
    Ok(None)
}

/// The entry by which a revision carries the debt anew.
pub(super) struct Restatement {
    pub kinds: (EntryKind, MovementKind),
    pub description: String,
    /// What premium or discount, and issue costs, become; signed as in a position.
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// How the lines of these call it, and why.
    pub memo: &'static str,
    pub rule: Derivation,
    /// The other lines.
    pub lines: Vec<LineDraft>,
}

/// Books a revision: the issue is accrued to its date by the terms before it, then carried anew; where it was accrued further already,
/// what the new terms make of the time since is posted as a catch-up.
///
/// # Errors
/// [`Refusal::Overflow`].
pub(super) fn revise<O>(
    books: &Books,
    standing: &Standing,
    revised: Instrument,
    restatement: Restatement,
    outcome: O,
) -> Result<Decision<O>, Refusal> {
    let premium_discount = restatement.premium_discount.minus(standing.premium_discount)?;
    let issue_costs = restatement.issue_costs.minus(standing.issue_costs)?;
    let moved = Components { premium_discount, issue_costs, ..Components::default() };
    let change = RowChange { moved, ..RowChange::default() };
    let date = standing.date;
    record_revised(
        books,
        date,
        &change,
        &Arc::new(revised),
        |booked| {
            let Restatement { kinds: (kind, movement), description, memo, rule, lines, .. } = restatement;
            let spread =
                premium_discount_lines(booked.premium_discount, premium_discount, Amount::ZERO, (memo, memo), &rule)?;
            let costs = signed(AccountRole::DebtIssueCosts, issue_costs.negated()?, memo, rule);
            let lines = spread.into_iter().chain([costs]).chain(lines).collect();
            Ok(vec![(date, movement, Entry::new(kind, description, lines)?)])
        },
        outcome,
    )
}
