//! Re-estimated payments: bonds that are expected to be redeemed at another date than they were (IFRS 9.B5.4.6). What is carried becomes
//! the new payments' present value at the original effective rate, and the difference is income or expense.

use jiff::civil::Date;

use super::revising::{Restatement, Standing, revise};
use super::{Books, Decision};
use crate::accounting::framework::Framework;
use crate::accounting::instrument::{Carried, Effect, ExpectedRedemption, RevisedTerms, Revision};
use crate::accounting::journal::{AccountRole, Derivation, EntryKind, MovementKind, signed};
use crate::accounting::money::{Amount, worth_of};
use crate::accounting::refusal::Refusal;

/// Estimate anew when the bonds will be redeemed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Estimate {
    pub effective_date: Date,
    /// None for maturity at the redemption price of the terms.
    pub expected: Option<ExpectedRedemption>,
}

/// What an estimate came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub expected: ExpectedRedemption,
    pub carrying_amount_before: Amount,
    pub carrying_amount_after: Amount,
    /// Positive where less is owed.
    pub gain_loss: Amount,
}

impl Estimate {
    /// Carries the debt at the present value of the payments that are expected now, at the rate it was carried at.
    ///
    /// # Errors
    /// A [`Refusal`] under US GAAP, whose effective rate is that of the contractual payments; when the date cannot be; or when nothing
    /// changes.
    pub fn decide(&self, books: &Books, framework: Framework) -> Result<Decision<Outcome>, Refusal> {
        if framework == Framework::UsGaap {
            return Err(Refusal::not_supported(
                "expected_redemption",
                "under US GAAP the effective rate is that of the contractual payments (ASC 835-30-35-2): an estimate changes nothing until \
                 the bonds are redeemed",
            ));
        }
        let standing = Standing::at(books, self.effective_date, "estimate")?;
        let instrument = &books.instrument;
        let terms = instrument.terms();
        let maturity = ExpectedRedemption { date: terms.maturity_date, price: terms.redemption_price };
        let expected = self.expected.unwrap_or(maturity);
        let revision = Revision::new(instrument, self.effective_date, RevisedTerms::of(terms), Some(expected))?;
        let rate = instrument.rates().net;
        let worth = worth_of(standing.principal, revision.worth(rate)?.saturating_sub(revision.accrued()))?;
        let before = standing.carrying_amount()?;
        let gain_loss = before.minus(worth)?;
        if gain_loss.is_zero() {
            return Err(Refusal::contradiction(
                "expected_redemption",
                "the bonds are carried at the worth of these payments already: nothing changes",
            ));
        }
        let carried = Carried {
            principal: standing.principal,
            clean: worth.minus(standing.issue_costs)?,
            issue_costs: standing.issue_costs.negated()?,
            effect: Effect::Remeasured,
        };
        let revised = revision.carried(carried, Some(rate))?;
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let rule =
            Derivation::new("carrying amount - expected payments at the original effective rate", "IFRS 9.B5.4.6")
                .with("expected_on", expected.date)
                .with("price", expected.price.normalize())
                .with("effective_rate", revised.nominal_annual_rate().round_dp(12).normalize())
                .with("carrying_amount", figure(before))
                .with("present_value", figure(worth));
        let restatement = Restatement {
            kinds: (EntryKind::Modification, MovementKind::Modification),
            description: format!("Payments estimated anew: redemption on {}", expected.date),
            premium_discount: carried.clean.minus(standing.principal)?,
            issue_costs: standing.issue_costs,
            memo: "Debt at the payments expected",
            rule: rule.clone(),
            lines: vec![signed(AccountRole::InterestExpense, gain_loss.negated()?, "Payments estimated anew", rule)],
        };
        let outcome = Outcome { expected, carrying_amount_before: before, carrying_amount_after: worth, gain_loss };
        revise(books, &standing, revised, restatement, outcome)
    }
}
