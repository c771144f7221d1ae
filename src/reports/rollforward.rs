//! The rollforward: opening, gross movements and closing, by component, with what must tie.

use rust_decimal::Decimal;

use crate::accounting::journal::{MovementKind, REVERSAL_OF};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// The sums of a movement, signed as the liability: credit positive; gains, paid-in capital and cash received positive; expense
/// positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sums {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub interest_payable: Amount,
    pub interest_receivable: Amount,
    pub equity_component: Amount,
    pub coupon_interest: Amount,
    pub gain_loss: Amount,
    pub expense: Amount,
    pub cash: Amount,
    pub shares: Decimal,
    pub paid_in_capital: Amount,
}

impl Sums {
    /// Component by component.
    pub fn plus(&self, other: &Sums) -> Result<Sums, Refusal> {
        Ok(Sums {
            principal: self.principal.plus(other.principal)?,
            premium_discount: self.premium_discount.plus(other.premium_discount)?,
            issue_costs: self.issue_costs.plus(other.issue_costs)?,
            interest_payable: self.interest_payable.plus(other.interest_payable)?,
            interest_receivable: self.interest_receivable.plus(other.interest_receivable)?,
            equity_component: self.equity_component.plus(other.equity_component)?,
            coupon_interest: self.coupon_interest.plus(other.coupon_interest)?,
            gain_loss: self.gain_loss.plus(other.gain_loss)?,
            expense: self.expense.plus(other.expense)?,
            cash: self.cash.plus(other.cash)?,
            shares: self.shares.checked_add(other.shares).ok_or(Refusal::Overflow)?,
            paid_in_capital: self.paid_in_capital.plus(other.paid_in_capital)?,
        })
    }

    /// Principal with premium or discount and issue costs.
    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// The balances alone, as an opening or closing line shows them.
    #[must_use]
    pub fn balances(&self) -> Sums {
        Sums {
            principal: self.principal,
            premium_discount: self.premium_discount,
            issue_costs: self.issue_costs,
            interest_payable: self.interest_payable,
            interest_receivable: self.interest_receivable,
            equity_component: self.equity_component,
            ..Sums::default()
        }
    }

    /// The coupon part of an accrual: interest payable (and receivable) against expense.
    fn coupon_part(&self) -> Sums {
        Sums {
            interest_payable: self.interest_payable,
            interest_receivable: self.interest_receivable,
            coupon_interest: self.coupon_interest,
            expense: self.coupon_interest,
            ..Sums::default()
        }
    }

    /// The rest of an accrual: premium or discount and issue costs against expense.
    fn amortization_part(&self) -> Result<Sums, Refusal> {
        Ok(Sums {
            premium_discount: self.premium_discount,
            issue_costs: self.issue_costs,
            equity_component: self.equity_component,
            expense: self.expense.minus(self.coupon_interest)?,
            ..Sums::default()
        })
    }
}

/// One line of a rollforward.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MovementLine {
    pub movement: &'static str,
    /// The movement that a reversal takes back.
    pub reverses_movement: Option<&'static str>,
    /// The stored movement whose batches the line is made of; `None` for a balance.
    pub stored: Option<String>,
    pub sums: Sums,
}

impl MovementLine {
    fn balance(movement: &'static str, sums: Sums) -> MovementLine {
        MovementLine { movement, reverses_movement: None, stored: None, sums }
    }
}

/// The lines of one issue, or of all: opening, movements that are there, what was reversed of each, closing. An accrual is shown as two
/// lines.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn lines(opening: &Sums, movements: &[(String, Sums)]) -> Result<Vec<MovementLine>, Refusal> {
    let mut lines = vec![MovementLine::balance("opening", opening.balances())];
    let mut closing = opening.balances();
    let kinds = || MovementKind::ALL.into_iter();
    for (kind, is_reversal) in kinds().map(|kind| (kind, false)).chain(kinds().map(|kind| (kind, true))) {
        let stored = if is_reversal { format!("{REVERSAL_OF}{}", kind.name()) } else { kind.name().to_owned() };
        for (_, sums) in movements.iter().filter(|(name, _)| *name == stored) {
            closing = closing.plus(&sums.balances())?;
            let line = |movement, sums| MovementLine {
                movement: if is_reversal { "reversal" } else { movement },
                reverses_movement: is_reversal.then_some(movement),
                stored: Some(stored.clone()),
                sums,
            };
            if kind == MovementKind::Accrual {
                lines.push(line("amortization", sums.amortization_part()?));
                lines.push(line("coupon_accrued", sums.coupon_part()));
            } else {
                lines.push(line(kind.name(), *sums));
            }
        }
    }
    lines.push(MovementLine::balance("closing", closing));
    Ok(lines)
}

/// Adds up the movements of several issues by name.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn total<'a>(issues: impl IntoIterator<Item = &'a [(String, Sums)]>) -> Result<Vec<(String, Sums)>, Refusal> {
    let mut total: Vec<(String, Sums)> = Vec::new();
    for (name, sums) in issues.into_iter().flatten() {
        match total.iter_mut().find(|(known, _)| known == name) {
            Some((_, known)) => *known = known.plus(sums)?,
            None => total.push((name.clone(), *sums)),
        }
    }
    Ok(total)
}

/// One check of a rollforward.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Check {
    pub check: &'static str,
    pub left: Amount,
    pub right: Amount,
}

/// What journal lines say by account role.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ByRole {
    /// The balance of the roles that make up the carrying amount at the end, credit positive.
    pub carrying_amount: Amount,
    /// The balance of interest payable at the end, credit positive.
    pub interest_payable: Amount,
    /// What the roles of expense were debited with in the period: interest, debt conversion, amendment of conversion terms.
    pub expense: Amount,
}

/// What must tie: down, against what is booked and against journal lines. `booked` is the sum of the issues' booked rows at the end.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn checks(lines: &[MovementLine], booked: &Sums, by_role: &ByRole) -> Result<Vec<Check>, Refusal> {
    let (mut across, mut closing) = (Sums::default(), Sums::default());
    for line in lines {
        match line.movement {
            "closing" => closing = line.sums,
            _ => across = across.plus(&line.sums)?,
        }
    }
    Ok(vec![
        Check {
            check: "opening + movements = closing: carrying amount",
            left: across.carrying_amount()?,
            right: closing.carrying_amount()?,
        },
        Check {
            check: "opening + movements = closing: interest payable",
            left: across.interest_payable,
            right: closing.interest_payable,
        },
        Check {
            check: "closing = booked: carrying amount",
            left: closing.carrying_amount()?,
            right: booked.carrying_amount()?,
        },
        Check {
            check: "closing = booked: interest payable",
            left: closing.interest_payable,
            right: booked.interest_payable,
        },
        Check {
            check: "closing = booked: equity component",
            left: closing.equity_component,
            right: booked.equity_component,
        },
        Check {
            check: "closing = trial balance: carrying amount",
            left: closing.carrying_amount()?,
            right: by_role.carrying_amount,
        },
        Check {
            check: "closing = trial balance: interest payable",
            left: closing.interest_payable,
            right: by_role.interest_payable,
        },
        Check {
            check: "expense of the movements = trial balance of the period",
            left: across.expense,
            right: by_role.expense,
        },
    ])
}
