//! What a modification makes of the debt: it goes on, is revalued, or is extinguished and recorded anew.

use rust_decimal::Decimal;

use super::Books;
use super::modification::Modification;
use super::revising::Standing;
use super::ten_percent::TenPercent;
use crate::accounting::framework::Framework;
use crate::accounting::instrument::{Revision, Terms};
use crate::accounting::journal::{AccountRole, Derivation, LineDraft, credit, debit, signed};
use crate::accounting::money::{Amount, worth_of};
use crate::accounting::refusal::Refusal;

/// What the debt becomes by a modification, in the components of a position, and the lines beside them.
pub(super) struct NewDebt {
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub gain_loss: Amount,
    pub kept_rate: Option<Decimal>,
    pub lines: Vec<LineDraft>,
}

impl Modification {
    /// No gain or loss: a new effective rate; what holders are paid, and an option that became worth more, lessen what is carried.
    pub(super) fn goes_on(&self, standing: &Standing, terms: &Terms) -> Result<NewDebt, Refusal> {
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let more = self.option_values.map_or(Ok(Amount::ZERO), |values| values.after.minus(values.before))?;
        let more = more.positive_part();
        let fees = Derivation::new("paid to holders, part of the debt's discount", "ASC 470-50-40-17")
            .with("fees", figure(self.fees));
        let option =
            Derivation::new("increase of the conversion option's fair value, to paid-in capital", "ASC 470-50-40-15")
                .with("increase", figure(more));
        let costs = Derivation::new("costs with third parties, expensed as incurred", "ASC 470-50-40-18")
            .with("costs", figure(self.costs));
        Ok(NewDebt {
            premium_discount: standing.premium_discount.minus(self.fees)?.minus(more)?,
            issue_costs: standing.issue_costs,
            gain_loss: Amount::ZERO,
            kept_rate: None,
            lines: vec![
                credit(AccountRole::Cash, self.fees, "Fees to holders", fees)?,
                credit(AccountRole::AdditionalPaidInCapital, more, "Conversion option", option)?,
                debit(AccountRole::InterestExpense, self.costs, "Costs of the modification", costs.clone()),
                credit(AccountRole::Cash, self.costs, "Costs of the modification", costs)?,
            ],
        })
    }

    /// The new payments at the original rate; the difference is income or expense, and fees and costs are amortised.
    pub(super) fn revalued(&self, standing: &Standing, revision: &Revision, books: &Books) -> Result<NewDebt, Refusal> {
        let terms = books.instrument.terms();
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let rate = books.instrument.rates().net;
        let worth = worth_of(standing.principal, revision.worth(rate)? - revision.accrued())?;
        let gain_loss = standing.carrying_amount()?.minus(worth)?;
        let paid = self.fees.plus(self.costs)?;
        let rule = Derivation::new("carrying amount - new payments at the original effective rate", "IFRS 9.B5.4.6")
            .with("carrying_amount", figure(standing.carrying_amount()?))
            .with("present_value", figure(worth));
        let costs = Derivation::new("fees and costs adjust the carrying amount", "IFRS 9.B3.3.6A")
            .with("fees", figure(self.fees))
            .with("costs", figure(self.costs));
        Ok(NewDebt {
            premium_discount: worth.minus(standing.principal)?.minus(standing.issue_costs)?,
            issue_costs: standing.issue_costs.minus(paid)?,
            gain_loss,
            kept_rate: paid.is_zero().then_some(rate),
            lines: vec![
                signed(AccountRole::InterestExpense, gain_loss.negated()?, "Modification gain or loss", rule),
                credit(AccountRole::Cash, self.fees, "Fees to holders", costs.clone())?,
                credit(AccountRole::Cash, self.costs, "Costs of the modification", costs)?,
            ],
        })
    }

    /// The new debt at fair value. Fees are part of the gain or loss; costs with third parties are the new debt's under US GAAP, and
    /// part of the gain or loss under IFRS.
    pub(super) fn extinguished(
        &self,
        standing: &Standing,
        test: &TenPercent,
        terms: &Terms,
        framework: Framework,
    ) -> Result<NewDebt, Refusal> {
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let fair_value = self.fair_value.ok_or_else(|| {
            Refusal::missing(
                "fair_value",
                format!(
                    "the terms are substantially different (payments change by {}%), so the debt is extinguished and the new one recorded at \
                     fair value; state that, without accrued interest",
                    test.change_percent
                ),
            )
        })?;
        let (paragraph, fees_paragraph, costs_paragraph) = match framework {
            Framework::UsGaap => ("ASC 470-50-40-13", "ASC 470-50-40-17", "ASC 470-50-40-18"),
            Framework::Ifrs => ("IFRS 9.3.3.3", "IFRS 9.B3.3.6A", "IFRS 9.B3.3.6A"),
        };
        let (expensed, carried) = match framework {
            Framework::UsGaap => (Amount::ZERO, self.costs),
            Framework::Ifrs => (self.costs, Amount::ZERO),
        };
        let carrying = standing.carrying_amount()?;
        let gain_loss = carrying.minus(fair_value)?.minus(self.fees)?.minus(expensed)?;
        let rule =
            Derivation::new("net carrying amount - fair value of the new debt - fees - costs expensed", paragraph)
                .with("carrying_amount", figure(carrying))
                .with("fair_value", figure(fair_value))
                .with("fees", figure(self.fees))
                .with("costs_expensed", figure(expensed));
        let fees = Derivation::new("paid to holders, part of the gain or loss", fees_paragraph)
            .with("fees", figure(self.fees));
        let costs = Derivation::new("costs with third parties", costs_paragraph).with("costs", figure(self.costs));
        let exchange = Derivation::new("principal under the terms before and after", paragraph)
            .with("principal", figure(standing.principal));
        let loss = gain_loss.negative_part().negated()?;
        Ok(NewDebt {
            premium_discount: fair_value.minus(standing.principal)?,
            issue_costs: carried.negated()?,
            gain_loss,
            kept_rate: None,
            lines: vec![
                debit(AccountRole::BondsPayable, standing.principal, "Extinguished", exchange.clone()),
                credit(AccountRole::BondsPayable, standing.principal, "Under the new terms", exchange)?,
                credit(AccountRole::Cash, self.fees, "Fees to holders", fees)?,
                credit(AccountRole::Cash, self.costs, "Costs of the exchange", costs)?,
                debit(AccountRole::LossOnExtinguishment, loss, "Extinguishment", rule.clone()),
                credit(AccountRole::GainOnExtinguishment, gain_loss.positive_part(), "Extinguishment", rule)?,
            ],
        })
    }
}
