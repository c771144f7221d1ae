//! The rows of an issue's entries: what was booked when the period begins, then what each entry moved. A balance is what is outstanding
//! times what is carried for a unit, rounded; a movement is that less what was booked before.
//!
//! A figure has a formula where the rules of the core, given what the formula is given, come to exactly that figure. Where they do not,
//! as of an entry that was recorded late, it stands as it was posted, and its row says so.

use std::collections::BTreeSet;

use jiff::civil::Date;

use super::amounts::Closing;
use super::basis::{Basis, heading, write, write_always};
use super::candidates::{Candidates, leading};
use super::columns::{Event, Sched};
use super::figures::{Figure, is_sure, is_sure_interest, rounded};
use super::moved::Moved;
use super::schedule::Schedule;
use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Row};
use crate::reading::{EntryBooks, IssueBooks};

/// What is booked of an issue between two entries.
#[derive(Clone, Copy, Debug)]
pub(super) struct Booked {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub interest_payable: Amount,
    /// Of the interest payable: coupons that are due, and what was left payable.
    pub due: Amount,
    /// To which moment entries have run.
    pub reached: Moment,
}

/// The rows of an issue's entries in the making.
pub(super) struct Entries<'a> {
    pub books: &'a IssueBooks,
    pub schedule: &'a Schedule<'a>,
    pub decimals: u32,
    /// The row of the issue among the inputs.
    pub input: u32,
    pub booked: Booked,
    /// How many rows have a figure without a formula that others of its kind have.
    pub stated: u32,
}

/// The row of an entry, with its figures for the journal.
pub(super) struct Posted {
    pub row: Row,
    pub figures: Vec<(Event, Figure)>,
}

/// The moment that an entry runs to.
pub(super) fn moment_of(entry: &EntryBooks, instrument: &Instrument) -> Option<Moment> {
    let date: Date = entry.row.effective_date.parse().ok()?;
    match entry.row.kind.as_str() {
        "opening_balance" => Some(instrument.start().moment),
        "accrual" | "catch_up" => {
            let boundary = entry.lines.first().and_then(|line| line.derivation.figures.get("boundary"));
            Some(Moment { date, boundary: boundary.and_then(|boundary| boundary.parse().ok()).unwrap_or(date) })
        }
        // These leave the debt as far accrued as it was.
        "inducement" | "reclassification" | "closing" | "reversal" => None,
        _ => Some(Moment::of_movement(date)),
    }
}

/// The boundaries that an issue's entries run to.
pub(super) fn boundaries(books: &IssueBooks) -> BTreeSet<Date> {
    let instrument = &books.instrument;
    let (start, maturity) = (instrument.start().moment.boundary, instrument.terms().maturity_date);
    let opening = books.opening.map(|opening| opening.booked.accrued);
    let moments = books.entries.iter().filter_map(|entry| moment_of(entry, instrument));
    let all = opening.into_iter().chain(moments).map(|moment| moment.boundary);
    all.filter(|boundary| *boundary > start && *boundary < maturity).collect()
}

impl<'a> Entries<'a> {
    pub fn new(books: &'a IssueBooks, schedule: &'a Schedule<'a>, decimals: u32, input: u32) -> Entries<'a> {
        let reached = books.instrument.before_start();
        let booked = match books.opening {
            Some(opening) => Booked {
                principal: opening.booked.components.principal,
                premium_discount: opening.booked.components.premium_discount,
                issue_costs: opening.booked.components.issue_costs,
                interest_payable: opening.booked.components.interest_payable,
                due: opening.interest_due,
                reached: opening.booked.accrued,
            },
            None => Booked {
                principal: Amount::ZERO,
                premium_discount: Amount::ZERO,
                issue_costs: Amount::ZERO,
                interest_payable: Amount::ZERO,
                due: Amount::ZERO,
                reached,
            },
        };
        Entries { books, schedule, decimals, input, booked, stated: 0 }
    }

    pub fn instrument(&self) -> &'a Instrument {
        &self.books.instrument
    }

    /// Whether interest since the last coupon date is part of what is payable at a moment.
    pub fn accrues_at(&self, moment: Moment) -> bool {
        let (terms, dates) = (self.instrument().terms(), self.instrument().dates());
        let on_coupon_date = moment.boundary == moment.date && dates.is_coupon_date(moment.date);
        !terms.is_zero_coupon() && moment.date < terms.maturity_date && !on_coupon_date
    }

    /// The balance of premium or discount, and of issue costs, of a principal at a moment: by which column of the schedule, the cell of
    /// what is outstanding, and what it comes to if a spreadsheet is sure to round it so.
    pub fn balance(
        &self,
        column: Sched,
        (principal, cell): (Amount, &str),
        moment: Moment,
    ) -> Result<Option<(String, Amount)>, Refusal> {
        let Some(row) = self.schedule.row_of(moment.boundary) else { return Ok(None) };
        let (instrument, count) = (self.instrument(), self.schedule.count());
        let units = instrument.unit_costs(moment.boundary)?;
        let (unit, result) = match (column, units.costs) {
            (Sched::CostsUnit, Some((net, same))) => (net - same, instrument.issue_costs(principal, moment)?),
            (Sched::CostsUnit, None) => return Ok(None),
            (Sched::Interest, _) => match self.schedule.interest_at(moment.boundary) {
                Some(unit) => (unit, instrument.accrued(principal, moment)?),
                None => return Ok(None),
            },
            _ => (units.gross - rust_decimal::Decimal::ONE, instrument.premium_discount(principal, moment)?),
        };
        let is_sure = match column {
            Sched::Interest => is_sure_interest(principal, unit),
            _ => is_sure(principal, unit, count),
        };
        let formula = rounded(&format!("{cell}*{}", column.of(row)), self.decimals);
        Ok(is_sure.then_some((formula, result)))
    }

    /// The coupons that fall due after what was reached up to a date, on what is outstanding before it: as a formula that is added, and
    /// what it comes to.
    pub fn falling_due(&self, before: u32, date: Date) -> Result<Option<(String, Amount)>, Refusal> {
        let since = self.booked.reached.date.max(self.instrument().start().moment.date);
        let (mut formula, mut due) = (String::new(), Amount::ZERO);
        for coupon_date in self.instrument().dates().coupon_dates_between(since, date) {
            let Some(row) = self.schedule.coupon_row(*coupon_date) else { return Ok(None) };
            let product = format!("{}*{}", Event::PrincipalAfter.at(before), Sched::Interest.of(row));
            formula = format!("{formula}+{}", rounded(&product, self.decimals));
            due = due.plus(self.instrument().coupon(self.booked.principal, *coupon_date)?)?;
        }
        Ok(Some((formula, due)))
    }

    /// The row of what was booked when the period begins.
    pub fn opening(&mut self, at: u32, is_last: bool) -> Result<Row, Refusal> {
        let mut row = Row::default();
        row.text(Event::Reference, self.books.reference.clone());
        row.text(Event::Movement, "opening");
        let Some(opening) = self.books.opening else {
            self.after(&mut row, at, None, is_last);
            return Ok(row);
        };
        let (components, moment) = (opening.booked.components, opening.booked.accrued);
        row.value(Event::Boundary, Held::Date(moment.boundary));
        row.amount(Event::Principal, components.principal);
        let is_live = self.schedule.stated.is_none();
        let cell = Event::Principal.at(at);
        let target = |column| match is_live {
            true => self.balance(column, (components.principal, &cell), moment),
            false => Ok(None),
        };
        let mut basis = Basis::default();
        let mut put = |row: &mut Row, column: Event, name, value: Amount, found: Option<(String, Amount)>| {
            let figure = match found {
                Some((formula, result)) => Figure::of(value, formula, result),
                None => Figure::stated(value),
            };
            basis.note(name, &figure);
            write(row, column, &figure);
        };
        put(
            &mut row,
            Event::PremiumDiscount,
            "premium or discount",
            components.premium_discount,
            target(Sched::Gross)?,
        );
        if self.schedule.has_costs() || !components.issue_costs.is_zero() {
            put(&mut row, Event::IssueCosts, "issue costs", components.issue_costs, target(Sched::CostsUnit)?);
        }
        let accrued =
            if self.accrues_at(moment) { target(Sched::Interest)? } else { Some(("0".to_owned(), Amount::ZERO)) };
        let interest = match accrued.filter(|_| is_live) {
            Some((formula, accrued)) => {
                let formula = format!("{}+{formula}", Event::DueAfter.at(at));
                Some((formula, accrued.plus(opening.interest_due)?))
            }
            None => None,
        };
        put(&mut row, Event::InterestPayable, "interest payable", components.interest_payable, interest);
        row.amount(Event::InterestReceivable, components.interest_receivable);
        row.amount(Event::Equity, components.equity_component);
        let due = match self.opening_due(at, moment)?.filter(|_| is_live) {
            Some((formula, result)) => Figure::of(opening.interest_due, formula, result),
            None => Figure::stated(opening.interest_due),
        };
        basis.note("interest due", &due);
        row.text(Event::Basis, basis.text(is_live, self.schedule.stated));
        self.after(&mut row, at, None, is_last);
        write(&mut row, Event::DueAfter, &due);
        self.stated += u32::from(basis.is_short(is_live));
        Ok(row)
    }

    /// The last coupons, as many as are due still if nothing has left since.
    fn opening_due(&self, at: u32, moment: Moment) -> Result<Option<(String, Amount)>, Refusal> {
        let due = self.booked.due;
        if due.is_zero() {
            return Ok(None);
        }
        let since = self.instrument().start().moment.date;
        let (mut formula, mut sum) = (String::new(), Amount::ZERO);
        for date in self.instrument().dates().coupon_dates_between(since, moment.date).iter().rev() {
            let Some(row) = self.schedule.coupon_row(*date) else { break };
            let product = format!("{}*{}", Event::Principal.at(at), Sched::Interest.of(row));
            formula = format!("{formula}+{}", rounded(&product, self.decimals));
            sum = sum.plus(self.instrument().coupon(self.booked.principal, *date)?)?;
            if sum >= due {
                break;
            }
        }
        Ok((sum == due).then(|| (formula.trim_start_matches('+').to_owned(), sum)))
    }

    /// The balances after a row.
    fn after(&self, row: &mut Row, at: u32, before: Option<u32>, is_last: bool) {
        for (column, movement, balance) in [
            (Event::PrincipalAfter, Event::Principal, self.booked.principal),
            (Event::PremiumDiscountAfter, Event::PremiumDiscount, self.booked.premium_discount),
            (Event::IssueCostsAfter, Event::IssueCosts, self.booked.issue_costs),
            (Event::InterestPayableAfter, Event::InterestPayable, self.booked.interest_payable),
        ] {
            let formula = match before {
                Some(before) => format!("{}+{}", column.at(before), movement.at(at)),
                None => format!("N({})", movement.at(at)),
            };
            row.live(column, formula, Held::Amount(balance));
        }
        if is_last {
            row.value(Event::Last, Held::Number(rust_decimal::Decimal::ONE));
        }
    }

    /// The row of an entry.
    pub fn entry(&mut self, entry: &EntryBooks, at: u32, is_last: bool) -> Result<Posted, Refusal> {
        let moved = Moved::of(entry)?;
        let moment = moment_of(entry, self.instrument());
        let is_led = self.schedule.stated.is_none() && moved.is_by_rule(entry);
        let candidates = if is_led { leading(self, entry, &moved, moment, at)? } else { Candidates::default() };
        let (mut figures, mut basis) = (Vec::new(), Basis::default());
        for (column, value) in moved.amounts() {
            let candidate = candidates.of(column);
            let figure = match candidate {
                Some((formula, result)) => Figure::of(value, formula.to_owned(), result),
                None => Figure::stated(value),
            };
            if candidate.is_some() || candidates.leads(column) {
                basis.note(heading(column), &figure);
            }
            figures.push((column, figure));
        }
        figures.extend(candidates.beside.iter().cloned());
        let before = self.booked;
        let after = |balance: Amount, column| balance.plus(moved.amount(column));
        self.booked = Booked {
            principal: after(before.principal, Event::Principal)?,
            premium_discount: after(before.premium_discount, Event::PremiumDiscount)?,
            issue_costs: after(before.issue_costs, Event::IssueCosts)?,
            interest_payable: after(before.interest_payable, Event::InterestPayable)?,
            due: before.due,
            reached: moment.filter(|moment| place(moment) > place(&before.reached)).unwrap_or(before.reached),
        };
        let due = self.due(&candidates)?;
        self.booked.due = due.value;
        let mut row = Row::default();
        self.describe(&mut row, entry, moment);
        row.text(Event::Basis, basis.text(is_led, self.schedule.stated));
        for (column, figure) in &figures {
            write(&mut row, *column, figure);
        }
        if !moved.shares.is_zero() {
            match candidates.shares.clone().filter(|(_, shares)| *shares == moved.shares) {
                Some((formula, shares)) => row.live(Event::Shares, formula, Held::Number(shares)),
                None => row.value(Event::Shares, Held::Number(moved.shares)),
            }
        }
        self.after(&mut row, at, Some(at - 1), is_last);
        write_always(&mut row, Event::DueAfter, &due);
        if basis.is_short(is_led) && !moved.is_nothing() {
            self.stated += 1;
        }
        Ok(Posted { row, figures })
    }

    /// What is due after an entry: by its formula, if the balance that is booked then is that with the interest that has accrued.
    fn due(&self, candidates: &Candidates) -> Result<Figure, Refusal> {
        let Booked { principal, interest_payable, reached, .. } = self.booked;
        let is_live = self.schedule.stated.is_none();
        if let Some((formula, result)) = &candidates.due {
            return Ok(Figure { value: *result, formula: formula.clone() });
        }
        let accrued = if is_live { self.instrument().accrued(principal, reached)? } else { Amount::ZERO };
        Ok(Figure::stated(interest_payable.minus(accrued)?))
    }

    fn describe(&self, row: &mut Row, entry: &EntryBooks, moment: Option<Moment>) {
        let date = |text: &str| text.parse().map_or_else(|_| Held::Text(text.to_owned().into()), Held::Date);
        row.text(Event::Reference, self.books.reference.clone());
        row.text(Event::Movement, entry.row.movement.clone());
        row.text(Event::Kind, entry.row.kind.clone());
        row.text(Event::Batch, entry.number.clone());
        row.value(Event::Entry, Held::Number(entry.row.entry.into()));
        row.value(Event::Posted, date(&entry.row.posting_date));
        row.value(Event::Effective, date(&entry.row.effective_date));
        if let Some(moment) = moment {
            row.value(Event::Boundary, Held::Date(moment.boundary));
        }
        row.text(Event::Description, entry.row.description.clone());
    }

    /// What is booked after the last row, which is `at`.
    pub fn closing(&self, at: u32) -> Result<Closing, Refusal> {
        let Booked { principal, premium_discount, issue_costs, reached, .. } = self.booked;
        let is_live = self.schedule.stated.is_none();
        let is = |column, booked: Amount| match is_live {
            true => Ok(self.balance(column, (principal, ""), reached)?.is_some_and(|(_, result)| result == booked)),
            false => Ok(false),
        };
        Ok(Closing {
            boundary: reached.boundary,
            principal_at: Event::PrincipalAfter.of(at),
            principal,
            premium_discount,
            issue_costs,
            carrying: Amount::total([principal, premium_discount, issue_costs])?,
            is_premium_live: is(Sched::Gross, premium_discount)?,
            is_costs_live: is(Sched::CostsUnit, issue_costs)?,
        })
    }
}

fn place(moment: &Moment) -> (Date, Date) {
    (moment.boundary, moment.date)
}
