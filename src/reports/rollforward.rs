//! The rollforward: opening, gross movements and closing, by component.

use rust_decimal::Decimal;

use crate::accounting::journal::{MovementKind, REVERSAL_OF};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

macro_rules! sums {
    ($($(#[$doc:meta])* $amount:ident,)*) => {
        /// The sums of a movement, signed as the liability: credit positive; gains, paid-in capital and cash received positive; expense
        /// positive.
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
        pub struct Sums {
            $($(#[$doc])* pub $amount: Amount,)*
            pub shares: Decimal,
        }

        impl Sums {
            /// Amount by amount.
            ///
            /// # Errors
            /// [`Refusal::Overflow`].
            pub fn plus(&self, other: &Sums) -> Result<Sums, Refusal> {
                Ok(Sums {
                    $($amount: self.$amount.plus(other.$amount)?,)*
                    shares: self.shares.checked_add(other.shares).ok_or(Refusal::Overflow)?,
                })
            }
        }
    };
}

sums! {
    principal,
    premium_discount,
    issue_costs,
    interest_payable,
    interest_receivable,
    equity_component,
    /// The part of `expense` that is interest at the coupon rate.
    coupon_interest,
    gain_loss,
    expense,
    /// The part of `expense` that is debt conversion expense.
    debt_conversion_expense,
    /// The part of `expense` that is the loss on an amendment of conversion terms.
    loss_on_amendment,
    cash,
    paid_in_capital,
    /// The part of `paid_in_capital` that is common stock.
    common_stock,
    /// The part of `paid_in_capital` that is treasury stock reissued.
    treasury_stock,
}

impl Sums {
    /// Principal with premium or discount and issue costs.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// Interest expense: what is neither debt conversion expense nor a loss on an amendment of conversion terms.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn interest_expense(&self) -> Result<Amount, Refusal> {
        self.expense.minus(self.debt_conversion_expense)?.minus(self.loss_on_amendment)
    }

    /// Interest expense that is not at the coupon rate: amortization; of a modification or estimate, its difference.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn amortization(&self) -> Result<Amount, Refusal> {
        self.interest_expense()?.minus(self.coupon_interest)
    }

    /// Paid-in capital that is neither common nor treasury stock.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn additional_paid_in_capital(&self) -> Result<Amount, Refusal> {
        self.paid_in_capital.minus(self.common_stock)?.minus(self.treasury_stock)
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

    /// The rest of an accrual: premium or discount and issue costs against expense, and whatever else it moved.
    fn amortization_part(&self) -> Result<Sums, Refusal> {
        Ok(Sums {
            interest_payable: Amount::ZERO,
            interest_receivable: Amount::ZERO,
            coupon_interest: Amount::ZERO,
            expense: self.expense.minus(self.coupon_interest)?,
            ..*self
        })
    }
}

/// What a movement is to a reader of financial statements: how conversions by the terms, induced conversions and early extinguishments
/// are told apart (ASC 470-20-50, 470-50-40).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    Opening,
    Issue,
    Interest,
    Conversion,
    InducedConversion,
    EarlyExtinguishment,
    Maturity,
    Other,
    Closing,
}

impl Class {
    /// That of a movement.
    pub fn of(kind: MovementKind) -> Class {
        match kind {
            MovementKind::Issuance | MovementKind::OpeningBalance => Class::Issue,
            MovementKind::Accrual | MovementKind::PriorPeriodCatchUp | MovementKind::CouponPaid => Class::Interest,
            MovementKind::Conversion => Class::Conversion,
            MovementKind::InducedConversion => Class::InducedConversion,
            MovementKind::Repurchase | MovementKind::Call | MovementKind::Put => Class::EarlyExtinguishment,
            MovementKind::Maturity => Class::Maturity,
            MovementKind::Modification | MovementKind::Reclassification | MovementKind::YearEndClosing => Class::Other,
        }
    }

    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Class::Opening => "opening",
            Class::Issue => "issue",
            Class::Interest => "interest",
            Class::Conversion => "conversion",
            Class::InducedConversion => "induced_conversion",
            Class::EarlyExtinguishment => "early_extinguishment",
            Class::Maturity => "maturity",
            Class::Other => "other",
            Class::Closing => "closing",
        }
    }
}

/// One line of a rollforward.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MovementLine {
    pub movement: &'static str,
    pub class: Class,
    /// The movement that a reversal takes back.
    pub reverses_movement: Option<&'static str>,
    /// The stored movement whose batches the line is made of; `None` for a balance.
    pub stored: Option<String>,
    pub sums: Sums,
}

impl MovementLine {
    fn balance(class: Class, sums: Sums) -> MovementLine {
        MovementLine { movement: class.name(), class, reverses_movement: None, stored: None, sums }
    }
}

/// The lines of one issue, or of all: opening, movements that are there, what was reversed of each, closing. An accrual is shown as two
/// lines.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn lines(opening: &Sums, movements: &[(String, Sums)]) -> Result<Vec<MovementLine>, Refusal> {
    let mut lines = vec![MovementLine::balance(Class::Opening, opening.balances())];
    let mut closing = opening.balances();
    let kinds = || MovementKind::ALL.into_iter();
    for (kind, is_reversal) in kinds().map(|kind| (kind, false)).chain(kinds().map(|kind| (kind, true))) {
        let stored = if is_reversal { format!("{REVERSAL_OF}{}", kind.name()) } else { kind.name().to_owned() };
        for (_, sums) in movements.iter().filter(|(name, _)| *name == stored) {
            closing = closing.plus(&sums.balances())?;
            let line = |movement, sums| MovementLine {
                movement: if is_reversal { "reversal" } else { movement },
                class: Class::of(kind),
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
    lines.push(MovementLine::balance(Class::Closing, closing));
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
