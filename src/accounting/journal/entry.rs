//! Lines and entries. An unbalanced entry cannot be built.

use std::borrow::Cow;
use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::account_role::AccountRole;
use super::derivation::Derivation;
use super::kinds::{EntryKind, MovementKind};
use crate::accounting::account_mapping::Account;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// The side of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    Debit,
    Credit,
}

impl Side {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Side::Debit => "debit",
            Side::Credit => "credit",
        }
    }
}

/// One line of an entry. Its amount is above zero.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    pub role: AccountRole,
    pub side: Side,
    pub amount: Amount,
    pub memo: Cow<'static, str>,
    pub derivation: Derivation,
    /// The ledger account, where it is not that of the role on the posting date: of a line that moves a balance between accounts.
    pub account: Option<Account>,
}

/// A line as a rule states it: a signed amount, debit positive. One of nothing does not become a line.
#[derive(Clone, Debug)]
pub struct LineDraft {
    role: AccountRole,
    signed: Amount,
    memo: Cow<'static, str>,
    derivation: Derivation,
    account: Option<Account>,
}

impl LineDraft {
    /// The same line in a ledger account of its own.
    #[must_use]
    pub fn on(self, account: Account) -> LineDraft {
        LineDraft { account: Some(account), ..self }
    }
}

/// A line whose amount is a debit where positive and a credit where negative.
pub fn signed(
    role: AccountRole,
    signed: Amount,
    memo: impl Into<Cow<'static, str>>,
    derivation: Derivation,
) -> LineDraft {
    LineDraft { role, signed, memo: memo.into(), derivation, account: None }
}

/// A debit.
pub fn debit(role: AccountRole, amount: Amount, memo: &'static str, derivation: Derivation) -> LineDraft {
    signed(role, amount, memo, derivation)
}

/// A credit.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn credit(
    role: AccountRole,
    amount: Amount,
    memo: &'static str,
    derivation: Derivation,
) -> Result<LineDraft, Refusal> {
    Ok(signed(role, amount.negated()?, memo, derivation))
}

/// What an entry does to the components of a liability, credit positive, and beside it to income, cash and equity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Movement {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub interest_payable: Amount,
    pub interest_receivable: Amount,
    pub equity_component: Amount,
    /// The part of `expense` that is coupon interest; the rest of an accrual's is amortization.
    pub coupon_interest: Amount,
    /// Gain positive, loss negative.
    pub gain_loss: Amount,
    /// Interest, debt conversion expense and the loss on an amendment of conversion terms; expense positive.
    pub expense: Amount,
    /// The part of `expense` that is debt conversion expense.
    pub debt_conversion_expense: Amount,
    /// The part of `expense` that is the loss on an amendment of conversion terms (IAS 32.AG35).
    pub loss_on_amendment: Amount,
    /// Received positive, paid negative.
    pub cash: Amount,
    pub shares: Decimal,
    /// Common stock, additional paid-in capital and treasury stock reissued; credit positive.
    pub paid_in_capital: Amount,
    /// The part of `paid_in_capital` that is common stock.
    pub common_stock: Amount,
    /// The part of `paid_in_capital` that is treasury stock reissued.
    pub treasury_stock: Amount,
}

/// A journal entry: lines whose debits equal their credits, and their movement by component.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    kind: EntryKind,
    description: String,
    lines: Vec<Line>,
    movement: Movement,
}

impl Entry {
    /// The entry of these lines, `None` if all are of nothing. The movement is read off the lines; `shares` and the interest part
    /// of an accrual are what lines do not tell.
    ///
    /// # Errors
    /// [`Refusal::Overflow`] when debits and credits differ, which no rule may cause: a difference means that a figure left the
    /// range of exact arithmetic.
    pub fn new(kind: EntryKind, description: String, mut drafts: Vec<LineDraft>) -> Result<Option<Entry>, Refusal> {
        let mut movement = Movement::default();
        let mut balance = Amount::ZERO;
        drafts.retain(|draft| !draft.signed.is_zero());
        let mut lines = Vec::with_capacity(drafts.len());
        for draft in drafts {
            balance = balance.plus(draft.signed)?;
            movement.add(draft.role, draft.signed)?;
            let (side, amount) = match draft.signed.is_positive() {
                true => (Side::Debit, draft.signed),
                false => (Side::Credit, draft.signed.negated()?),
            };
            let LineDraft { role, memo, derivation, account, .. } = draft;
            lines.push(Line { role, side, amount, memo, derivation, account });
        }
        // Debt that is moved to its current portion, or back, is the same debt: nothing of its components moves. What is closed to retained
        // earnings, or taken back from there, is the same income and expense.
        let moves_nothing = [AccountRole::CurrentPortionOfBondsPayable, AccountRole::RetainedEarnings];
        if lines.iter().any(|line| moves_nothing.contains(&line.role)) {
            movement = Movement::default();
        }
        // Debits before credits, as a journal is read.
        lines.sort_by_key(|line| line.side == Side::Credit);
        match balance.is_zero() {
            true if lines.is_empty() => Ok(None),
            true => Ok(Some(Entry { kind, description, lines, movement })),
            false => Err(Refusal::Overflow),
        }
    }

    /// The same entry, with shares issued by it.
    #[must_use]
    pub fn with_shares(mut self, shares: Decimal) -> Entry {
        self.movement.shares = shares;
        self
    }

    /// The same entry, with the part of its expense that is coupon interest.
    #[must_use]
    pub fn with_coupon_interest(mut self, coupon_interest: Amount) -> Entry {
        self.movement.coupon_interest = coupon_interest;
        self
    }

    /// The same entry, its lines citing other paragraphs.
    #[must_use]
    pub fn citing(mut self, paragraph: impl Fn(&'static str) -> &'static str) -> Entry {
        for line in &mut self.lines {
            line.derivation.paragraph = paragraph(line.derivation.paragraph);
        }
        self
    }

    pub fn kind(&self) -> EntryKind {
        self.kind
    }

    pub fn description(&self) -> &str {
        &self.description
    }

    pub fn lines(&self) -> &[Line] {
        &self.lines
    }

    pub fn movement(&self) -> &Movement {
        &self.movement
    }

    /// Whether it closes income and expense to retained earnings, or takes that back.
    pub fn closes_a_year(&self) -> bool {
        self.lines.iter().any(|line| line.role == AccountRole::RetainedEarnings)
    }

    /// What it credits to a role less what it debits.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn credited(&self, role: AccountRole) -> Result<Amount, Refusal> {
        let mut lines = self.lines.iter().filter(|line| line.role == role);
        lines.try_fold(Amount::ZERO, |sum, line| match line.side {
            Side::Credit => sum.plus(line.amount),
            Side::Debit => sum.minus(line.amount),
        })
    }
}

impl Movement {
    fn add(&mut self, role: AccountRole, debit: Amount) -> Result<(), Refusal> {
        let credit = debit.negated()?;
        let (field, part, change) = match role {
            AccountRole::Cash => (&mut self.cash, None, debit),
            AccountRole::InterestReceivable => (&mut self.interest_receivable, None, debit),
            AccountRole::EquityComponent => (&mut self.equity_component, None, credit),
            AccountRole::BondsPayable => (&mut self.principal, None, credit),
            AccountRole::PremiumOnBondsPayable | AccountRole::DiscountOnBondsPayable => {
                (&mut self.premium_discount, None, credit)
            }
            AccountRole::DebtIssueCosts => (&mut self.issue_costs, None, credit),
            AccountRole::InterestPayable => (&mut self.interest_payable, None, credit),
            AccountRole::CommonStock => (&mut self.paid_in_capital, Some(&mut self.common_stock), credit),
            AccountRole::AdditionalPaidInCapital => (&mut self.paid_in_capital, None, credit),
            AccountRole::TreasuryStock => (&mut self.paid_in_capital, Some(&mut self.treasury_stock), credit),
            AccountRole::InterestExpense => (&mut self.expense, None, debit),
            AccountRole::DebtConversionExpense => (&mut self.expense, Some(&mut self.debt_conversion_expense), debit),
            AccountRole::LossOnAmendmentOfConversionTerms => {
                (&mut self.expense, Some(&mut self.loss_on_amendment), debit)
            }
            AccountRole::GainOnExtinguishment | AccountRole::LossOnExtinguishment => {
                (&mut self.gain_loss, None, credit)
            }
            AccountRole::AccruedInducement
            | AccountRole::OpeningBalanceClearing
            | AccountRole::RetainedEarnings
            | AccountRole::CurrentPortionOfBondsPayable => return Ok(()),
        };
        if let Some(part) = part {
            *part = part.plus(change)?;
        }
        *field = field.plus(change)?;
        Ok(())
    }
}

/// An entry with its dates and its place in the rollforward: what a decision hands to the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Posting {
    pub posting_date: Date,
    /// The date as of which the entry is true; before the posting date where that period was closed.
    pub effective_date: Date,
    pub movement_kind: MovementKind,
    /// The id of the batch that holds the entry of which this is the inverse; then `movement_kind` is that entry's.
    pub reverses: Option<Arc<str>>,
    pub entry: Entry,
}

/// Before the name of the movement that a reversal takes back.
pub const REVERSAL_OF: &str = "reversal of ";

impl Posting {
    /// Whether it moves balances between accounts of the ledger, and so is no event's.
    pub fn moves_accounts(&self) -> bool {
        self.entry.lines.iter().any(|line| line.account.is_some())
    }

    /// Whether an event of its issue posted it, and not a mapping or the close of a year.
    pub fn is_of_an_event(&self) -> bool {
        !self.moves_accounts() && !self.entry.closes_a_year()
    }

    /// The movement under which its entry is stored: that of an inverse names the one that it takes back.
    pub fn stored_movement(&self) -> Cow<'static, str> {
        match self.reverses {
            None => Cow::Borrowed(self.movement_kind.name()),
            Some(_) => Cow::Owned(format!("{REVERSAL_OF}{}", self.movement_kind.name())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(minor: i64) -> LineDraft {
        signed(AccountRole::Cash, Amount::from_minor(minor), "", Derivation::new("", ""))
    }

    #[test]
    fn debt_that_moves_to_its_current_portion_moves_no_component() {
        let of = |role, minor| signed(role, Amount::from_minor(minor), "", Derivation::new("", ""));
        let drafts = vec![of(AccountRole::BondsPayable, 1), of(AccountRole::CurrentPortionOfBondsPayable, -1)];
        let entry = Entry::new(EntryKind::Reversal, String::new(), drafts).expect("balances").expect("lines");
        assert_eq!(entry.movement(), &Movement::default());
    }

    #[test]
    fn an_unbalanced_entry_cannot_be_built_and_an_empty_one_is_none() {
        assert_eq!(Entry::new(EntryKind::Accrual, String::new(), vec![line(1)]), Err(Refusal::Overflow));
        assert_eq!(Entry::new(EntryKind::Accrual, String::new(), vec![line(0)]), Ok(None));
        assert!(matches!(Entry::new(EntryKind::Accrual, String::new(), vec![line(1), line(-1)]), Ok(Some(_))));
    }
}
