//! Random events, mostly where something happens: around coupon dates, record dates, month-ends and the boundary last accrued.

use jiff::ToSpan;
use jiff::civil::Date;
use parwright::accounting::Amount;
use parwright::accounting::transaction::extinguishment::Occasion;
use rust_decimal::Decimal;

use super::dice::Dice;
use super::life::Life;
use super::revisions;
use crate::reference::Revision;

/// An event that may be possible.
#[allow(clippy::large_enum_variant, reason = "few exist at a time, and events are copied")]
#[derive(Clone, Copy, Debug)]
pub enum Proposal {
    Accrual {
        through: Date,
    },
    Coupon {
        date: Date,
        paid_on: Option<Date>,
    },
    Conversion {
        date: Date,
        principal: Amount,
        share_price: Option<Decimal>,
    },
    /// Bonds surrendered for conversion alone.
    Surrender {
        date: Date,
        principal: Amount,
    },
    /// Of the surrender with this place among those that are not settled.
    Settlement {
        surrender: usize,
        date: Date,
        share_price: Option<Decimal>,
    },
    /// Surrendered, and settled later, in one event.
    SettledLater {
        conversion_date: Date,
        date: Date,
        principal: Amount,
        share_price: Option<Decimal>,
    },
    Extinguishment {
        occasion: Occasion,
        date: Date,
        paid_on: Option<Date>,
        principal: Amount,
        percent: Decimal,
    },
    Revision(Revision),
    /// Of the event with this place among those that moved something.
    Reversal {
        moved: usize,
        posting_date: Option<Date>,
    },
}

/// How the events of a history follow one another.
#[derive(Clone, Copy, Debug)]
pub enum Order {
    /// As a bookkeeper records them: forward in time, now and then one that came late.
    Forward { backdated: i64 },
    /// Any event at any date.
    Anyhow,
}

impl Order {
    pub fn draw(dice: &mut Dice) -> Order {
        if dice.chance(75) { Order::Forward { backdated: dice.pick(&[0, 10, 30]) } } else { Order::Anyhow }
    }
}

pub fn propose(dice: &mut Dice, order: Order, life: &Life) -> Proposal {
    let reached = life.books.accrued().date.clamp(life.settlement(), life.maturity());
    let date = match order {
        Order::Forward { backdated } if !dice.chance(backdated) => {
            let step = dice.pick(&[0, 1, 20, 90, 200, 1_000]);
            let latest = reached.checked_add(step.days()).expect("within the calendar").min(life.maturity());
            dice.date(reached, latest)
        }
        Order::Forward { .. } => dice.date(life.settlement(), reached),
        Order::Anyhow => dice.date(life.settlement(), life.maturity()),
    };
    if dice.chance(if life.revises { 30 } else { 1 }) {
        return Proposal::Revision(revisions::draw(dice, life, date));
    }
    match dice.between(1, 100) {
        91..=100 if !life.moved.is_empty() => reversal(dice, life, date),
        1..=25 => accrual(dice, life, date),
        26..=60 => coupon(dice, life, date).unwrap_or_else(|| conversion(dice, life, date)),
        61..=72 => extinguishment(dice, life, date),
        73..=78 if !life.open.is_empty() => settlement(dice, life, date),
        73..=82 => surrender(dice, life, date),
        _ => conversion(dice, life, date),
    }
}

/// Bonds that convert, and are settled as many days later as prices are observed, or at any time after.
fn surrender(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let Proposal::Conversion { date, principal, share_price } = conversion(dice, life, date) else { unreachable!() };
    if dice.chance(60) {
        return Proposal::Surrender { date, principal };
    }
    let settled = date.checked_add(dice.pick(&[1, 30, 60, 250]).days()).expect("within the calendar");
    Proposal::SettledLater { conversion_date: date, date: dice.date(date, settled), principal, share_price }
}

fn settlement(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let surrender = dice.between(0, life.open.len() as i64 - 1) as usize;
    let first = life.open[surrender].surrendered.conversion_date;
    let late = dice.date(first, life.maturity().checked_add(60.days()).expect("within the calendar"));
    let date = if dice.chance(80) { date.max(first) } else { late };
    let share_price = dice.chance(50).then(|| Decimal::new(dice.between(1, 5_000_000), 4));
    Proposal::Settlement { surrender, date, share_price }
}

fn accrual(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let through = match dice.between(1, 10) {
        1..=5 => date.last_of_month(),
        6 => life.maturity().checked_add(dice.between(0, 40).days()).expect("within the calendar"),
        _ => near_something(dice, life, date),
    };
    Proposal::Accrual { through: through.max(life.settlement()) }
}

/// Mostly the coupon that comes next, now and then one that was forgotten, or is paid already.
fn coupon(dice: &mut Dice, life: &Life, date: Date) -> Option<Proposal> {
    let dates = life.books.instrument.dates().coupon_dates();
    let unpaid: Vec<Date> = dates.iter().copied().filter(|coupon| !life.paid.contains(coupon)).collect();
    let due = match dice.between(1, 100) {
        1..=65 => {
            unpaid.first().copied().filter(|next| *next <= date.checked_add(100.days()).expect("within the calendar"))
        }
        66..=95 => unpaid.iter().rev().find(|coupon| **coupon <= date).copied(),
        _ if life.paid.is_empty() => None,
        _ => Some(dice.pick(&life.paid)),
    };
    let paid_on = |dice: &mut Dice, due: Date| match dice.between(1, 100) {
        1..=50 => None,
        51..=85 => Some(due.checked_add(dice.between(0, 5).days()).expect("within the calendar")),
        _ => Some(due.checked_add(dice.between(0, 400).days()).expect("within the calendar")),
    };
    due.map(|due| Proposal::Coupon { date: due, paid_on: paid_on(dice, due) })
}

fn conversion(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let terms = life.books.instrument.terms();
    let date = near_something(dice, life, date);
    let left = life.books.history.last().expect("issued").principal.minor();
    let bonds = left / terms.denomination.minor();
    let converted = match dice.between(1, 100) {
        1..=30 if bonds > 0 => dice.magnitude(bonds),
        31..=80 if bonds > 3 => dice.between(1, bonds / 3),
        81..=88 if bonds > 0 => bonds,
        89..=92 => bonds + 1,
        _ => 1,
    };
    let share_price = dice.chance(50).then(|| Decimal::new(dice.between(1, 5_000_000), 4));
    Proposal::Conversion { date, principal: Amount::from_minor(converted * terms.denomination.minor()), share_price }
}

/// Mostly before maturity at any price, now and then the repayment of everything at or after it.
fn extinguishment(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let Proposal::Conversion { date, principal, .. } = conversion(dice, life, date) else { unreachable!() };
    let percent = Decimal::new(dice.between(0, 2_000_000), 4);
    if dice.chance(80) {
        let occasion = dice.pick(&[Occasion::Repurchase, Occasion::Call, Occasion::Put, Occasion::FundamentalChange]);
        return Proposal::Extinguishment { occasion, date, paid_on: None, principal, percent };
    }
    let paid_on =
        dice.chance(50).then(|| life.maturity().checked_add(dice.between(0, 4).days()).expect("within the calendar"));
    let principal = life.books.history.last().expect("issued").principal;
    Proposal::Extinguishment { occasion: Occasion::Maturity, date: life.maturity(), paid_on, principal, percent }
}

/// Mostly on the days on which the entries were posted, now and then on a later one.
fn reversal(dice: &mut Dice, life: &Life, date: Date) -> Proposal {
    let moved = dice.between(0, life.moved.len() as i64 - 1) as usize;
    let last = life.moved[moved].posted_through().max(date);
    let later = last.checked_add(dice.between(0, 200).days()).expect("within the calendar");
    Proposal::Reversal { moved, posting_date: dice.chance(30).then(|| life.books.calendar.posting_date(later)) }
}

/// The date itself, or one nearby at which a rule changes.
fn near_something(dice: &mut Dice, life: &Life, date: Date) -> Date {
    let instrument = &life.books.instrument;
    let next = instrument.dates().next_coupon_date(date);
    let moved = |date: Date, days: i64| date.checked_add(days.days()).expect("within the calendar");
    let found = match dice.between(1, 10) {
        1..=4 => date,
        5 => moved(next.unwrap_or(date), dice.between(-1, 1)),
        6 => {
            let record = i64::from(instrument.terms().record_days.unwrap_or(0));
            moved(next.unwrap_or(date), dice.between(-1, 1) - record)
        }
        7 => moved(date.last_of_month(), dice.between(0, 1)),
        8 => moved(life.books.accrued().boundary, dice.between(-2, 2)),
        9 => moved(life.settlement(), dice.between(0, 2)),
        _ => moved(life.maturity(), dice.between(-2, 0)),
    };
    found.clamp(life.settlement(), life.maturity())
}
