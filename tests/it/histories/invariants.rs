//! What must hold in the core by itself.

use std::collections::BTreeMap;

use jiff::civil::Date;
use parwright::accounting::Amount;
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{Instrument, ScheduleRow};
use parwright::accounting::journal::{AccountRole, EntryKind, Posting, Side, StatementEffects};
use parwright::accounting::position::Components;
use parwright::accounting::transaction::conversion;
use parwright::accounting::transaction::extinguishment::{self, Extinguishment, Occasion};
use parwright::accounting::transaction::{Books, Decision};

use super::life::{Checked, same};

/// Debits equal credits, no line is of nothing, the statements balance, and a closed period is left alone.
pub fn posting_is_sound(posting: &Posting, calendar: &FiscalCalendar, may_be_late: bool) -> Checked {
    let side = |side: Side| -> i128 {
        posting.entry.lines().iter().filter(|line| line.side == side).map(|line| i128::from(line.amount.minor())).sum()
    };
    if side(Side::Debit) != side(Side::Credit) || posting.entry.lines().iter().any(|line| !line.amount.is_positive()) {
        return Err(format!("the entry is unsound: {:?}", posting.entry));
    }
    let effects = StatementEffects::of([&posting.entry]).map_err(|refusal| format!("{refusal:?}"))?;
    let sum = effects.liabilities.plus(effects.equity).map_err(|refusal| format!("{refusal:?}"))?;
    if effects.assets != sum {
        return Err(format!("the statements do not balance: {effects:?}"));
    }
    // A reversal may be given a day, and has that of its original otherwise.
    let on_time = posting.posting_date == calendar.posting_date(posting.effective_date);
    if posting.posting_date < calendar.posting_date(posting.effective_date) || !(on_time || may_be_late) {
        return Err(format!("what is effective on {} was posted on {}", posting.effective_date, posting.posting_date));
    }
    Ok(())
}

/// Each booked row is the sum of all postings up to its date; the last one is the sum of all.
pub fn postings_add_up(postings: &[Posting], books: &Books) -> Checked {
    let mut by_date: BTreeMap<Date, [i128; 5]> = BTreeMap::new();
    for posting in postings {
        let movement = posting.entry.movement();
        let sums = by_date.entry(posting.posting_date).or_default();
        let parts = [
            movement.principal,
            movement.premium_discount,
            movement.issue_costs,
            movement.interest_payable,
            movement.interest_receivable,
        ];
        for (sum, part) in sums.iter_mut().zip(parts) {
            *sum += i128::from(part.minor());
        }
    }
    let unbooked = by_date.keys().find(|date| books.booked.iter().all(|row| row.posting_date != **date));
    if let Some(date) = unbooked {
        return Err(format!("no booked row of {date}"));
    }
    let mut sum = [0; 5];
    for row in &books.booked {
        if let Some(change) = by_date.get(&row.posting_date) {
            sum.iter_mut().zip(change).for_each(|(sum, change)| *sum += change);
        }
        let Components {
            principal,
            premium_discount,
            issue_costs,
            interest_payable,
            interest_receivable,
            equity_component: _,
        } = row.components;
        let booked = [principal, premium_discount, issue_costs, interest_payable, interest_receivable]
            .map(|amount| i128::from(amount.minor()));
        same(&format!("booked row of {} against all postings by then", row.posting_date), booked, sum)?;
    }
    Ok(())
}

/// What is above par is in the premium account, what is below in the discount account, and interest in its own.
pub fn accounts_hold_their_share(postings: &[Posting], books: &Books) -> Checked {
    let credited = |role: AccountRole| -> i64 {
        let of = |posting: &Posting| posting.entry.credited(role).expect("an amount of 64 bits").minor();
        postings.iter().map(of).sum()
    };
    let booked = books.booked_total();
    let premium_discount = booked.premium_discount.minor();
    same("premium account", credited(AccountRole::PremiumOnBondsPayable), premium_discount.max(0))?;
    same("discount account", credited(AccountRole::DiscountOnBondsPayable), premium_discount.min(0))?;
    same("interest payable account", credited(AccountRole::InterestPayable), booked.interest_payable.minor())
}

/// As long as no period was closed, what is booked by a month's end is what is computed at its close, once the issue is accrued
/// that far: events recorded late included.
pub fn month_end_is_booked(books: &Books, month_end: Date, is_revised: bool) -> Checked {
    let moment = books.instrument.close_of(month_end);
    let settlement = books.instrument.terms().settlement_date;
    // An event on the settlement date itself leaves the difference of interest received to a later accrual, so start after it.
    if moment.boundary > books.accrued().boundary || month_end > books.accrued().date || moment.boundary <= settlement {
        return Ok(());
    }
    let row = books.booked.iter().rev().find(|row| row.posting_date <= month_end);
    // A close that was accrued to by the terms before a revision is that of then.
    let then = row.map(|row| row.accrued).filter(|accrued| accrued.date == month_end && is_revised);
    let (booked, moment) = (row.map(|row| row.components), then.unwrap_or(moment));
    let computed = books.history.position(moment, &books.instrument).and_then(|position| position.components());
    same(&format!("booked by {month_end} against computed"), Ok(booked.unwrap_or_default()), computed)
}

/// Before less after is what moved, component by component, and its parts add up to what was given for it.
pub fn conversion_foots(decision: &Decision<conversion::Outcome>) -> Checked {
    let (before, after, moved) = (&decision.before, &decision.after, &decision.outcome);
    let less = |before: Amount, after: Amount| before.minor() - after.minor();
    same("principal moved", less(before.principal, after.principal), moved.principal.minor())?;
    same(
        "premium or discount moved",
        less(before.premium_discount, after.premium_discount),
        moved.premium_discount.minor(),
    )?;
    same("issue costs moved", less(before.issue_costs, after.issue_costs), moved.issue_costs.minor())?;
    same(
        "accrued interest moved",
        less(before.interest_accrued, after.interest_accrued),
        moved.accrued_interest.minor(),
    )?;
    let carrying = moved.principal.minor() + moved.premium_discount.minor() + moved.issue_costs.minor();
    same("carrying amount", moved.carrying_amount.minor(), carrying)?;
    let own: i64 = decision
        .postings
        .iter()
        .flat_map(|posting| posting.entry.lines())
        .filter(|line| matches!(line.role, AccountRole::CommonStock | AccountRole::AdditionalPaidInCapital))
        .map(|line| if line.side == Side::Credit { line.amount.minor() } else { -line.amount.minor() })
        .sum();
    same("capital", own, moved.common_stock.minor() + moved.additional_paid_in_capital.minor())
}

/// What was given for extinguished bonds and the gain or loss add up to what left, and all of it is in the lines.
pub fn extinguishment_foots(
    decision: &Decision<extinguishment::Outcome>,
    command: &Extinguishment,
    is_otherwise_expected: bool,
) -> Checked {
    let moved = &decision.outcome;
    let given = moved.consideration.minor() + moved.accrued_interest_paid.minor() + moved.costs.minor();
    let left = moved.carrying_amount.minor() + moved.accrued_interest.minor();
    same("what left, and what was given with the gain", left, given + moved.gain_loss.minor())?;
    if command.occasion == Occasion::Maturity && !is_otherwise_expected {
        same("gain or loss at maturity", moved.gain_loss.minor(), 0)?;
    }
    let own = |posting: &&Posting| matches!(posting.entry.kind(), EntryKind::Repurchase | EntryKind::Redemption);
    let own: Vec<_> = decision.postings.iter().filter(own).map(|posting| posting.entry.movement()).collect();
    same("entries of its own", own.len(), 1)?;
    same("cash paid", own[0].cash.minor(), -given)?;
    same("gain or loss", own[0].gain_loss.minor(), moved.gain_loss.minor())
}

/// A revision touches no account but those that its rule names.
pub fn only_these(posting: &Posting) -> Checked {
    use AccountRole as Role;
    let known = [
        Role::PremiumOnBondsPayable,
        Role::DiscountOnBondsPayable,
        Role::DebtIssueCosts,
        Role::Cash,
        Role::InterestExpense,
        Role::GainOnExtinguishment,
        Role::LossOnExtinguishment,
        Role::AdditionalPaidInCapital,
        Role::BondsPayable,
    ];
    match posting.entry.lines().iter().find(|line| !known.contains(&line.role)) {
        Some(line) => Err(format!("a revision touches {:?}", line.role)),
        None => Ok(()),
    }
}

/// Coupon interest and amortization in all postings.
pub fn expense(postings: &[Posting]) -> (i128, i128) {
    postings.iter().map(|posting| posting.entry.movement()).fold((0, 0), |(coupon, amortization), movement| {
        let own = i128::from(movement.coupon_interest.minor());
        (coupon + own, amortization + i128::from(movement.expense.minor()) - own)
    })
}

/// Rows follow one another to the redemption price, and expense is coupon plus amortization.
pub fn schedule_adds_up(rows: &[ScheduleRow], instrument: &Instrument) -> Checked {
    let terms = instrument.terms();
    let mut carrying = terms.proceeds.minor() - terms.issue_costs.minor();
    let mut start = terms.settlement_date;
    let mut received = instrument.accrued_at_start().map_err(|refusal| format!("{refusal:?}"))?.minor();
    for row in rows {
        same("start of a schedule row", row.start, start)?;
        same("schedule row's end", row.carrying_amount.minor(), carrying + row.amortization.minor())?;
        same(
            "schedule row's expense",
            row.interest_expense.minor(),
            row.coupon.minor() - received + row.amortization.minor(),
        )?;
        (carrying, start, received) = (row.carrying_amount.minor(), row.end, 0);
    }
    same("end of the schedule", start, terms.maturity_date)
}
