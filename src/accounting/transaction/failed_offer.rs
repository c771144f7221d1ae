//! An offer that fails a criterion of ASC 470-20-40-13: the exchange is an extinguishment of the whole.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::conversion::{self, stock};
use super::inducement::{Assessment, Completion, Offer, Outcome};
use super::leaving::Leaving;
use super::settlement::{ShareSource, check_per_share, value};
use super::{Books, Decision, OwnEntries, record};
use crate::accounting::instrument::InterestOnConversion;
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, MovementKind, credit, debit};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

impl Offer {
    /// The whole consideration at fair value on the effective date against the carrying amount with unpaid interest
    /// (ASC 470-50-40-2).
    pub(super) fn extinguish(
        &self,
        completion: &Completion,
        books: &Books,
        assessment: Assessment,
        mut own: OwnEntries,
    ) -> Result<Decision<Outcome>, Refusal> {
        let terms = books.instrument.terms();
        let conversion = books.conversion_at(completion.effective_date)?;
        check_per_share("share_price", completion.share_price)?;
        let price = completion.share_price.ok_or_else(|| {
            Refusal::missing(
                "share_price",
                "an offer that fails a criterion is an extinguishment at the fair value of all consideration",
            )
        })?;
        let leaving = Leaving::at(books, completion.effective_date, self.principal, conversion.accrued_interest)?;
        let given = self.given(completion, books, &conversion)?;
        let forfeited =
            if leaving.treatment == InterestOnConversion::Forfeited { leaving.interest } else { Amount::ZERO };
        let carrying = leaving.carrying_amount()?.plus(forfeited)?;
        let shares = value(given.shares, price, terms.currency)?;
        let stock = stock(books, &conversion, given.shares, ShareSource::NewShares, shares)?;
        let cash = Amount::total([given.cash, given.cash_in_lieu, self.cash_given()])?;
        let gain_loss = carrying.minus(shares)?.minus(cash)?.minus(self.other_given())?;
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let rule = Derivation::new(
            "carrying amount with unpaid interest - fair value of all consideration",
            "ASC 470-50-40-2",
        )
        .with("carrying_amount", figure(leaving.carrying_amount()?))
        .with("unpaid_interest", figure(forfeited))
        .with("shares_at_fair_value", figure(shares))
        .with("cash", figure(cash))
        .with("other_consideration", figure(self.other_given()));
        let outcome = Outcome {
            assessment,
            extinguishment_gain_loss: Some(gain_loss),
            conversion: Some(conversion::Outcome {
                principal: self.principal,
                shares_issued: given.shares,
                cash_in_lieu: given.cash_in_lieu,
                cash: given.cash,
                carrying_amount: leaving.carrying_amount()?,
                premium_discount: leaving.premium_discount,
                issue_costs: leaving.issue_costs,
                accrued_interest: leaving.accrued,
                coupon_handed_over: leaving.handed_over,
                common_stock: stock.amount,
                treasury_stock: Amount::ZERO,
                additional_paid_in_capital: shares.minus(stock.amount)?,
                gain_loss,
                additional_shares: None,
                passed_on: Decimal::ZERO,
            }),
        };
        let date = completion.effective_date;
        record(
            books,
            date,
            &leaving.change()?,
            |booked| {
                let mut lines = leaving.lines(books, booked)?;
                lines.push(stock.line()?);
                lines.push(credit(
                    AccountRole::AdditionalPaidInCapital,
                    shares.minus(stock.amount)?,
                    "Shares issued at fair value",
                    rule.clone(),
                )?);
                lines.push(credit(AccountRole::Cash, cash, "Cash consideration", rule.clone())?);
                lines.push(credit(AccountRole::Cash, self.other_given(), "Other consideration", rule.clone())?);
                let loss = gain_loss.negative_part().negated()?;
                lines.push(debit(AccountRole::LossOnExtinguishment, loss, "Extinguishment", rule.clone()));
                lines.push(credit(
                    AccountRole::GainOnExtinguishment,
                    gain_loss.positive_part(),
                    "Extinguishment",
                    rule,
                )?);
                let description =
                    format!("Exchange of {} {}, an extinguishment", terms.currency, figure(self.principal));
                let entry =
                    Entry::new(EntryKind::Inducement, description, lines)?.map(|entry| entry.with_shares(given.shares));
                own.push((date, MovementKind::Repurchase, entry));
                Ok(own)
            },
            outcome,
        )
    }

    /// What was expensed at acceptance, taken back on the date on which the exchange turns out to be an extinguishment.
    pub(super) fn taken_back(
        &self,
        completion: &Completion,
        assessment: &Assessment,
        books: &Books,
    ) -> Result<(Date, MovementKind, Option<Entry>), Refusal> {
        let currency = books.instrument.terms().currency;
        let owed = self.cash_given().plus(self.other_given())?;
        let rule =
            Derivation::new("what was expensed at acceptance; the exchange is an extinguishment", "ASC 470-50-40-2")
                .with("expense", assessment.expense.to_major(currency));
        let shares = assessment.expense.minus(owed)?;
        let lines = vec![
            debit(AccountRole::AccruedInducement, owed, "Inducement taken back", rule.clone()),
            debit(AccountRole::AdditionalPaidInCapital, shares, "Inducement taken back", rule.clone()),
            credit(AccountRole::DebtConversionExpense, assessment.expense, "Inducement taken back", rule)?,
        ];
        let description = format!("Inducement accepted on {} taken back", self.acceptance_date);
        let entry = Entry::new(EntryKind::Inducement, description, lines)?;
        Ok((completion.effective_date, MovementKind::InducedConversion, entry))
    }
}
