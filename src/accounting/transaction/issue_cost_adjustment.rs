//! Issue costs corrected after the issue. Before the first period is closed they are amortised as if they had been known at
//! settlement; later from the date of the correction on, at a new effective rate. (Common practice, no source: a change in estimate,
//! ASC 250-10-45-17, where they were estimated in good faith.)

use jiff::civil::Date;

use super::revising::{self, Restatement, Standing, revise};
use super::{Books, Decision};
use crate::accounting::instrument::{Carried, Effect, RevisedTerms, Revision};
use crate::accounting::journal::{AccountRole, Derivation, EntryKind, MovementKind, credit};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// Correct the issue costs of an issue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IssueCostAdjustment {
    pub effective_date: Date,
    /// What the costs turned out to be more; negative if less.
    pub change: Amount,
}

/// What a correction came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// From when on the costs are amortised.
    pub applied_from: Date,
    pub is_from_settlement: bool,
    pub issue_costs_before: Amount,
    pub issue_costs_after: Amount,
}

impl IssueCostAdjustment {
    /// Adds the change to what is not amortised yet. From settlement, if no period since is closed and nothing but accruals and coupons
    /// happened; else from the date on. `books` hold everything from the start on.
    ///
    /// # Errors
    /// A [`Refusal`] when the date cannot be, or costs would become less than nothing.
    pub fn decide(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        let terms = books.instrument.terms();
        let figure = |amount: Amount| amount.to_major(terms.currency);
        if terms.is_compound() {
            return Err(Refusal::not_supported(
                "change",
                "costs of a convertible issue under IFRS belong to liability and equity in proportion (IAS 32.38): reverse the issuance and record \
                 it with the costs as they are",
            ));
        }
        if self.change.is_zero() {
            let rule = "it is what the costs turned out to be more, or less where negative";
            return Err(Refusal::invalid("change", figure(self.change), rule));
        }
        let is_from_settlement = is_as_issued(books);
        let standing = if is_from_settlement {
            books.check_date("effective_date", self.effective_date)?;
            Standing::of(books, books.instrument.start().moment.date)?
        } else {
            Standing::at(books, self.effective_date, "issue costs")?
        };
        let before = standing.issue_costs.negated()?;
        let after = before.plus(self.change)?;
        if after.is_negative() || after >= standing.clean()? {
            let rule = format!("{} are not amortised yet on {}", figure(before), standing.date);
            return Err(Refusal::invalid("change", figure(self.change), rule));
        }
        // A redemption that is expected before maturity is expected still.
        let expected = books.instrument.expected().filter(|expected| expected.date > standing.date);
        let revision = Revision::new(&books.instrument, standing.date, RevisedTerms::of(terms), expected)?;
        let carried = Carried {
            principal: standing.principal,
            clean: standing.clean()?,
            issue_costs: after,
            effect: Effect::Remeasured,
        };
        let revised = revising::carried(revision, carried, None, "change")?;
        let rule = Derivation::new("issue costs as they turned out - as they were recorded", "ASC 835-30-45-1A")
            .with("not_amortised_before", figure(before))
            .with("not_amortised_after", figure(after))
            .with("effective_rate", revised.nominal_annual_rate().round_dp(12).normalize());
        let restatement = Restatement {
            kinds: (EntryKind::Issuance, MovementKind::Issuance),
            description: "Issue costs corrected".to_owned(),
            premium_discount: standing.premium_discount,
            issue_costs: after.negated()?,
            memo: "Issue costs",
            rule: rule.clone(),
            lines: vec![credit(AccountRole::Cash, self.change, "Issue costs", rule)?],
        };
        let outcome = Outcome {
            applied_from: standing.date,
            is_from_settlement,
            issue_costs_before: before,
            issue_costs_after: after,
        };
        revise(books, &standing, revised, restatement, outcome)
    }
}

/// Whether the issue stands as it was issued in periods that are all open: no opening balance, no revision, no principal gone.
fn is_as_issued(books: &Books) -> bool {
    let start = books.instrument.start();
    let is_open = books.calendar.posting_date(start.moment.date) == start.moment.date;
    let is_whole = books.history.rows().iter().all(|row| row.principal == start.principal);
    is_open && is_whole && books.instrument.terms().opening.is_none() && books.instrument.before().is_none()
}
