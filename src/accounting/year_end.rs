//! Closing entries at the end of a fiscal year: what the debt brought of income and expense moves to retained earnings, so that its roles
//! begin the next year at zero. (Common practice, no source. Most ledgers close their accounts themselves and want none of these.)

use std::collections::BTreeMap;

use super::fiscal_calendar::FiscalYear;
use super::journal::{
    AccountRole, Derivation, Element, Entry, EntryKind, LineDraft, MovementKind, Posting, Side, signed,
};
use super::money::Amount;
use super::refusal::Refusal;

/// The balances of income and expense of one issue in a year, debit positive.
pub type Balances = BTreeMap<AccountRole, Amount>;

/// Adds what a posting of the year debits to income and expense.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn add(balances: &mut Balances, posting: &Posting, year: &FiscalYear) -> Result<(), Refusal> {
    if !year.contains(posting.posting_date) {
        return Ok(());
    }
    for line in posting.entry.lines() {
        let debit = if line.side == Side::Debit { line.amount } else { line.amount.negated()? };
        add_to(balances, line.role, debit)?;
    }
    Ok(())
}

/// Adds what a role was debited with, if it is one of income or expense.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn add_to(balances: &mut Balances, role: AccountRole, debit: Amount) -> Result<(), Refusal> {
    if role.element() == Element::NetIncome {
        let balance = balances.entry(role).or_insert(Amount::ZERO);
        *balance = balance.plus(debit)?;
    }
    Ok(())
}

/// The closing entry of an issue, on the year's last day; `None` where there is nothing to close.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn closing(year: &FiscalYear, balances: &Balances) -> Result<Option<Posting>, Refusal> {
    let result = Amount::total(balances.values().copied())?;
    let memo = "Closed to retained earnings";
    let mut rule = Derivation::new("what the role was debited less credited in the fiscal year", "common practice")
        .with("fiscal_year", year.year)
        .with("first_day", year.first_day)
        .with("last_day", year.last_day);
    let mut lines: Vec<LineDraft> = Vec::with_capacity(balances.len() + 1);
    for (role, balance) in balances {
        lines.push(signed(*role, balance.negated()?, memo, rule.clone()));
    }
    rule.rule = "the sum of what is closed";
    lines.push(signed(AccountRole::RetainedEarnings, result, memo, rule));
    let description = format!("Income and expense of {} closed to retained earnings", year.year);
    Ok(Entry::new(EntryKind::Closing, description, lines)?.map(|entry| Posting {
        posting_date: year.last_day,
        effective_date: year.last_day,
        movement_kind: MovementKind::YearEndClosing,
        reverses: None,
        entry,
    }))
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::accounting::journal::{Movement, StatementEffects};

    #[test]
    fn a_closing_entry_brings_its_roles_to_zero_and_has_no_effect_on_the_statements() {
        let year = FiscalYear { year: 2026, first_day: date(2026, 1, 1), last_day: date(2026, 12, 31) };
        let mut balances = Balances::new();
        for (role, debit) in
            [(AccountRole::InterestExpense, 700), (AccountRole::GainOnExtinguishment, -150), (AccountRole::Cash, -550)]
        {
            add_to(&mut balances, role, Amount::from_minor(debit)).expect("adds up");
        }
        let posting = closing(&year, &balances).expect("balances").expect("something to close");
        let credited = |role| posting.entry.credited(role).expect("adds up").minor();
        assert_eq!(credited(AccountRole::InterestExpense), 700);
        assert_eq!(credited(AccountRole::GainOnExtinguishment), -150);
        assert_eq!(credited(AccountRole::RetainedEarnings), -550);
        assert_eq!(posting.entry.lines().len(), 3);
        assert_eq!(posting.entry.movement(), &Movement::default());
        assert_eq!(StatementEffects::of([&posting.entry]), Ok(StatementEffects::default()));
        add(&mut balances, &posting, &year).expect("adds up");
        assert_eq!(closing(&year, &balances), Ok(None));
    }
}
