//! What postings do to the financial statements.

use super::account_role::Element;
use super::entry::{Entry, Side};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// Changes of assets, liabilities and equity, and of the net income within equity: assets = liabilities + equity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StatementEffects {
    pub assets: Amount,
    pub liabilities: Amount,
    pub equity: Amount,
    pub net_income: Amount,
}

impl StatementEffects {
    /// The effects of entries together. Closing entries move the year's net income within equity, and so have no effect on either.
    pub fn of<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Result<StatementEffects, Refusal> {
        let mut effects = StatementEffects::default();
        for entry in entries {
            for line in entry.lines() {
                let (debit, credit) = match line.side {
                    Side::Debit => (line.amount, line.amount.negated()?),
                    Side::Credit => (line.amount.negated()?, line.amount),
                };
                match line.role.element() {
                    Element::Asset => effects.assets = effects.assets.plus(debit)?,
                    Element::Liability => effects.liabilities = effects.liabilities.plus(credit)?,
                    Element::Equity => effects.equity = effects.equity.plus(credit)?,
                    Element::NetIncome => {
                        effects.equity = effects.equity.plus(credit)?;
                        if !entry.closes_a_year() {
                            effects.net_income = effects.net_income.plus(credit)?;
                        }
                    }
                }
            }
        }
        Ok(effects)
    }
}
