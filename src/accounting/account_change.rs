//! What moves in the ledger when a role is given another account from a date on.
//!
//! A role's balance stands in the account that the mapping names on the day. Lines go to the account of their posting date and stay
//! there, so where the mapping changes the balance is moved by an entry with lines of that one role: it changes no balance of the books,
//! and brings the ledger's accounts to zero when the role comes to zero. (Common practice, no source.)

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::account_mapping::{Account, AccountMapping};
use super::fiscal_calendar::FiscalCalendar;
use super::journal::{AccountRole, Derivation, Entry, EntryKind, MovementKind, Posting, Side, signed};
use super::money::Amount;
use super::refusal::Refusal;

/// Amounts by date, debit positive.
pub type Movements = BTreeMap<Date, Amount>;

/// Where a balance stands on a date; `None` where it has no account.
pub type Place<'a> = &'a dyn Fn(Date) -> Option<&'a Account>;

/// What is moved between accounts for one issue.
#[derive(Clone, Debug)]
pub struct Moves {
    calendar: FiscalCalendar,
    by_date: BTreeMap<Date, Lines>,
}

/// The sum of a role in an account, by the account's code.
type Lines = BTreeMap<(AccountRole, String), (Account, Amount)>;

impl Moves {
    /// Nothing yet. What would be moved in a closed period is moved on the first open day after it.
    pub fn new(calendar: FiscalCalendar) -> Moves {
        Moves { calendar, by_date: BTreeMap::new() }
    }

    /// Moves the balance of a role from where it stands to where it should, on each date at which one of the two changes: a date of a
    /// movement, or one of `changes`.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn add(
        &mut self,
        role: AccountRole,
        movements: &Movements,
        changes: &BTreeSet<Date>,
        (stands, should): (Place<'_>, Place<'_>),
    ) -> Result<(), Refusal> {
        let dates: BTreeSet<Date> = movements.keys().chain(changes).copied().collect();
        let (mut balance, mut before) = (Amount::ZERO, None);
        for date in dates {
            balance = balance.plus(movements.get(&date).copied().unwrap_or(Amount::ZERO))?;
            let now = match (stands(date), should(date)) {
                (Some(from), Some(to)) if from.account != to.account => Some((from, to, balance)),
                _ => None,
            };
            let less = |moved: Option<_>| moved.map(|(from, to, balance)| (to, from, balance));
            for (from, to, amount) in now.into_iter().chain(less(before)) {
                self.line(date, role, from, amount.negated()?)?;
                self.line(date, role, to, amount)?;
            }
            before = now;
        }
        Ok(())
    }

    /// Adds a line, debit positive. Lines of a role on a date must come to zero in the end.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn line(&mut self, date: Date, role: AccountRole, account: &Account, amount: Amount) -> Result<(), Refusal> {
        let on_date = self.by_date.entry(self.calendar.posting_date(date)).or_default();
        let key = (role, account.account.clone());
        let (_, sum) = on_date.entry(key).or_insert_with(|| (account.clone(), Amount::ZERO));
        *sum = sum.plus(amount)?;
        Ok(())
    }

    /// One entry a date, in order.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn postings(self) -> Result<Vec<Posting>, Refusal> {
        let rule =
            Derivation::new("balance of the role, to its account from this day on", "common practice, no source");
        let mut postings = Vec::new();
        for (date, lines) in self.by_date {
            let lines = lines.into_iter().map(|((role, _), (account, amount))| {
                signed(role, amount, "Moved between accounts", rule.clone()).on(account)
            });
            let description = "Balances moved to the accounts that the roles have from this day on".to_owned();
            if let Some(entry) = Entry::new(EntryKind::Reclassification, description, lines.collect())? {
                postings.push(Posting {
                    posting_date: date,
                    effective_date: date,
                    movement_kind: MovementKind::Reclassification,
                    reverses: None,
                    entry,
                });
            }
        }
        Ok(postings)
    }
}

/// What of postings is moved on when an account changes after their dates: a posting on a day before the mapping changes goes to the
/// account of that day.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn after<'a>(
    postings: impl Iterator<Item = &'a Posting>,
    bond_issue: &str,
    mapping: &AccountMapping,
    calendar: FiscalCalendar,
) -> Result<Moves, Refusal> {
    let changes = mapping.changes(bond_issue);
    let mut moves = Moves::new(calendar);
    for posting in postings {
        let date = posting.posting_date;
        let later: BTreeSet<Date> = changes.iter().copied().filter(|change| *change > date).collect();
        if later.is_empty() {
            continue;
        }
        for line in posting.entry.lines().iter().filter(|line| line.role.ends_with_the_debt()) {
            let signed = if line.side == Side::Debit { line.amount } else { line.amount.negated()? };
            let there = mapping.resolve(line.role, bond_issue, date);
            let should = |on| mapping.holds(line.role, bond_issue, on);
            moves.add(line.role, &Movements::from([(date, signed)]), &later, (&|_| there, &should))?;
        }
    }
    Ok(moves)
}
