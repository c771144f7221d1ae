//! What must tie in a rollforward: across, down, to what is booked and to journal lines.

use std::collections::HashMap;
use std::fmt;

use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reports::rollforward::{Class, MovementLine, Sums};

macro_rules! equalities {
    ($($equality:ident $name:literal,)*) => {
        /// What must be equal. `schedule` is that of each issue, to which what is not accrued yet and what is posted later lead.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Equality { $($equality,)* }

        impl Equality {
            /// Both sides in words, as reports print them.
            pub fn name(self) -> &'static str {
                match self { $(Equality::$equality => $name,)* }
            }
        }
    };
}

equalities! {
    CarryingAcross "opening + movements = closing: carrying amount",
    InterestAcross "opening + movements = closing: interest payable",
    CarryingBefore "opening = booked the day before: carrying amount",
    InterestBefore "opening = booked the day before: interest payable",
    CarryingBooked "closing = booked: carrying amount",
    InterestBooked "closing = booked: interest payable",
    EquityBooked "closing = booked: equity component",
    CarryingByLedger "closing = trial balance: carrying amount",
    InterestByLedger "closing = trial balance: interest payable",
    ExpenseByLedger "expense of the movements = trial balance of the period",
    InterestExpenseByLedger "coupon + amortization = trial balance of the period: interest expense",
    Amortized "amortization = premium, discount and issue costs amortized",
    ConversionExpenseByLedger "debt conversion expense = trial balance of the period",
    GainOrLossByLedger "gain or loss = trial balance of the period",
    CommonStockByLedger "common stock = trial balance of the period",
    PaidInCapitalByLedger "paid-in capital = trial balance of the period",
    CarryingScheduled "closing + not accrued + posted later = schedule: carrying amount",
    InterestScheduled "closing + not accrued + posted later = schedule: interest payable",
    EquityScheduled "closing + not accrued + posted later = schedule: equity component",
}

impl fmt::Display for Equality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// One check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Check {
    pub check: Equality,
    pub left: Amount,
    pub right: Amount,
}

impl Check {
    /// Whether these are equal.
    pub fn of(check: Equality, left: Amount, right: Amount) -> Check {
        Check { check, left, right }
    }
}

/// What journal lines leave on account roles, credit positive.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ByRole(pub HashMap<AccountRole, Amount>);

impl ByRole {
    /// The sum of some roles.
    fn of(&self, roles: &[AccountRole]) -> Result<Amount, Refusal> {
        Amount::total(roles.iter().filter_map(|role| self.0.get(role).copied()))
    }
}

/// What a rollforward is held against.
#[derive(Clone, Debug)]
pub struct Against {
    /// What is booked of the issues at the close of the day before the first.
    pub booked_before: Sums,
    /// What is booked of them at the end.
    pub booked: Sums,
    /// What journal lines leave at the end.
    pub at_end: ByRole,
    /// What journal lines of the period come to.
    pub in_period: ByRole,
}

/// The roles whose balances are the carrying amount.
pub const CARRYING_AMOUNT: [AccountRole; 5] = [
    AccountRole::BondsPayable,
    AccountRole::PremiumOnBondsPayable,
    AccountRole::DiscountOnBondsPayable,
    AccountRole::DebtIssueCosts,
    AccountRole::CurrentPortionOfBondsPayable,
];
/// The roles of expense.
pub const EXPENSE: [AccountRole; 3] =
    [AccountRole::InterestExpense, AccountRole::DebtConversionExpense, AccountRole::LossOnAmendmentOfConversionTerms];
/// The roles of gains and losses.
pub const GAIN_OR_LOSS: [AccountRole; 2] = [AccountRole::GainOnExtinguishment, AccountRole::LossOnExtinguishment];
/// The roles of paid-in capital.
pub const PAID_IN_CAPITAL: [AccountRole; 3] =
    [AccountRole::CommonStock, AccountRole::AdditionalPaidInCapital, AccountRole::TreasuryStock];

/// The checks of the lines of all issues.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn checks(lines: &[MovementLine], against: &Against) -> Result<Vec<Check>, Refusal> {
    let (mut opening, mut moved, mut closing) = (Sums::default(), Sums::default(), Sums::default());
    let mut amortization = Sums::default();
    for line in lines {
        match line.class {
            Class::Opening => opening = line.sums,
            Class::Closing => closing = line.sums,
            _ => moved = moved.plus(&line.sums)?,
        }
        let accrued = line.reverses_movement.unwrap_or(line.movement);
        if accrued == "amortization" {
            amortization = amortization.plus(&line.sums)?;
        }
    }
    let Against { booked_before, booked, at_end, in_period } = against;
    let debited = |roles: &[AccountRole]| in_period.of(roles)?.negated();
    let coupon_and_amortization = moved.coupon_interest.plus(moved.amortization()?)?;
    let of_interest = |balances: &ByRole| balances.of(&[AccountRole::InterestPayable]);
    let across = opening.plus(&moved)?;
    Ok(vec![
        Check::of(Equality::CarryingAcross, across.carrying_amount()?, closing.carrying_amount()?),
        Check::of(Equality::InterestAcross, across.interest_payable, closing.interest_payable),
        Check::of(Equality::CarryingBefore, opening.carrying_amount()?, booked_before.carrying_amount()?),
        Check::of(Equality::InterestBefore, opening.interest_payable, booked_before.interest_payable),
        Check::of(Equality::CarryingBooked, closing.carrying_amount()?, booked.carrying_amount()?),
        Check::of(Equality::InterestBooked, closing.interest_payable, booked.interest_payable),
        Check::of(Equality::EquityBooked, closing.equity_component, booked.equity_component),
        Check::of(Equality::CarryingByLedger, closing.carrying_amount()?, at_end.of(&CARRYING_AMOUNT)?),
        Check::of(Equality::InterestByLedger, closing.interest_payable, of_interest(at_end)?),
        Check::of(Equality::ExpenseByLedger, moved.expense, debited(&EXPENSE)?),
        Check::of(
            Equality::InterestExpenseByLedger,
            coupon_and_amortization,
            debited(&[AccountRole::InterestExpense])?,
        ),
        Check::of(Equality::Amortized, amortization.amortization()?, amortization.carrying_amount()?),
        Check::of(
            Equality::ConversionExpenseByLedger,
            moved.debt_conversion_expense,
            debited(&[AccountRole::DebtConversionExpense])?,
        ),
        Check::of(Equality::GainOrLossByLedger, moved.gain_loss, in_period.of(&GAIN_OR_LOSS)?),
        Check::of(Equality::CommonStockByLedger, moved.common_stock, in_period.of(&[AccountRole::CommonStock])?),
        Check::of(Equality::PaidInCapitalByLedger, moved.paid_in_capital, in_period.of(&PAID_IN_CAPITAL)?),
    ])
}
