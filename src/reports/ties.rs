//! What must tie in a rollforward: across, down, to what is booked and to journal lines.

use std::collections::HashMap;

use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reports::rollforward::{Class, MovementLine, Sums};

/// One check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Check {
    pub check: &'static str,
    pub left: Amount,
    pub right: Amount,
}

/// What journal lines leave on account roles, credit positive.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ByRole(pub HashMap<AccountRole, Amount>);

impl ByRole {
    /// The sum of some roles.
    fn of(&self, roles: &[AccountRole]) -> Result<Amount, Refusal> {
        Amount::total(roles.iter().filter_map(|role| self.0.get(role).copied()))
    }

    /// What it is more than before.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn since(&self, before: &ByRole) -> Result<ByRole, Refusal> {
        let change = |(role, amount): (&AccountRole, &Amount)| {
            let before = before.0.get(role).copied().unwrap_or_default();
            Ok((*role, amount.minus(before)?))
        };
        self.0.iter().map(change).collect::<Result<_, _>>().map(ByRole)
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

const CARRYING_AMOUNT: [AccountRole; 5] = [
    AccountRole::BondsPayable,
    AccountRole::PremiumOnBondsPayable,
    AccountRole::DiscountOnBondsPayable,
    AccountRole::DebtIssueCosts,
    AccountRole::CurrentPortionOfBondsPayable,
];
const EXPENSE: [AccountRole; 3] =
    [AccountRole::InterestExpense, AccountRole::DebtConversionExpense, AccountRole::LossOnAmendmentOfConversionTerms];
const GAIN_OR_LOSS: [AccountRole; 2] = [AccountRole::GainOnExtinguishment, AccountRole::LossOnExtinguishment];
const PAID_IN_CAPITAL: [AccountRole; 3] =
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
    let across = opening.plus(&moved)?;
    let Against { booked_before, booked, at_end, in_period } = against;
    let debited = |roles: &[AccountRole]| in_period.of(roles)?.negated();
    let coupon_and_amortization = moved.coupon_interest.plus(moved.amortization()?)?;
    let check = |check, left, right| Check { check, left, right };
    Ok(vec![
        check("opening + movements = closing: carrying amount", across.carrying_amount()?, closing.carrying_amount()?),
        check("opening + movements = closing: interest payable", across.interest_payable, closing.interest_payable),
        check(
            "opening = booked the day before: carrying amount",
            opening.carrying_amount()?,
            booked_before.carrying_amount()?,
        ),
        check(
            "opening = booked the day before: interest payable",
            opening.interest_payable,
            booked_before.interest_payable,
        ),
        check("closing = booked: carrying amount", closing.carrying_amount()?, booked.carrying_amount()?),
        check("closing = booked: interest payable", closing.interest_payable, booked.interest_payable),
        check("closing = booked: equity component", closing.equity_component, booked.equity_component),
        check("closing = trial balance: carrying amount", closing.carrying_amount()?, at_end.of(&CARRYING_AMOUNT)?),
        check(
            "closing = trial balance: interest payable",
            closing.interest_payable,
            at_end.of(&[AccountRole::InterestPayable])?,
        ),
        check("expense of the movements = trial balance of the period", moved.expense, debited(&EXPENSE)?),
        check(
            "coupon + amortization = trial balance of the period: interest expense",
            coupon_and_amortization,
            debited(&[AccountRole::InterestExpense])?,
        ),
        check(
            "amortization = premium, discount and issue costs amortized",
            amortization.amortization()?,
            amortization.carrying_amount()?,
        ),
        check(
            "debt conversion expense = trial balance of the period",
            moved.debt_conversion_expense,
            debited(&[AccountRole::DebtConversionExpense])?,
        ),
        check("gain or loss = trial balance of the period", moved.gain_loss, in_period.of(&GAIN_OR_LOSS)?),
        check(
            "common stock = trial balance of the period",
            moved.common_stock,
            in_period.of(&[AccountRole::CommonStock])?,
        ),
        check("paid-in capital = trial balance of the period", moved.paid_in_capital, in_period.of(&PAID_IN_CAPITAL)?),
    ])
}
