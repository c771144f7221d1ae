//! Induced conversion: the company sweetens the terms for holders who convert (ASC 470-20-40-13 to 40-17 as amended by ASU
//! 2024-04). At acceptance what is given beyond the existing terms is an expense; the conversion itself stays at book value. An
//! offer that fails a criterion is an extinguishment of the whole instead.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::booking::Journal;
use super::conversion::{self, Given};
use super::criteria::{Compared, Criteria, Unmet};
use super::leaving::Leaving;
use super::settlement::{
    Consideration, FractionalShares, Settlement, check_per_share, consideration, shares_of, value,
};
use super::{Books, Decision, OwnEntries};
use crate::accounting::instrument::{ConversionTerms, InterestOnConversion, Moment};
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, LineDraft, LinePart, MovementKind, credit, debit, signed,
};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// How an accepted offer is accounted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accounting {
    InducedConversion,
    Extinguishment,
    /// Under IFRS: the loss of terms amended to induce an early conversion.
    AmendedTerms,
}

/// Something given besides shares and cash, at fair value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OtherConsideration {
    pub description: String,
    pub fair_value: Amount,
}

/// An offer that holders of a principal accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    pub acceptance_date: Date,
    pub principal: Amount,
    pub acceptance_share_price: Option<Decimal>,
    pub new_shares_per_denomination: Option<Decimal>,
    pub cash: Option<Amount>,
    pub other_consideration: Option<OtherConsideration>,
    /// Under US GAAP. Under IFRS there are none: what is measured is the amendment of the terms (IAS 32.AG35), and `acceptance_date` is
    /// the date of that.
    pub criteria: Option<Criteria>,
}

/// The conversion of the accepted bonds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Completion {
    pub effective_date: Date,
    pub share_price: Option<Decimal>,
    pub settlement: Option<Settlement>,
    pub fractional_shares: FractionalShares,
}

/// What the acceptance came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assessment {
    pub expense: Amount,
    /// Of all consideration, at the acceptance share price; without a price unknown.
    pub fair_value_transferred: Option<Amount>,
    pub fair_value_existing_terms: Option<Amount>,
    pub accounting: Accounting,
    /// The terms that the shares offered were compared with, if any.
    pub compared: Option<Compared>,
    pub unmet: Vec<Unmet>,
}

/// What an accepted and completed offer came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub assessment: Assessment,
    pub conversion: Option<conversion::Outcome>,
    /// The gain or loss of the exchange as an extinguishment, where the share price on its date is known.
    pub extinguishment_gain_loss: Option<Amount>,
}

impl Offer {
    /// Measures the offer: the fair value of all consideration less that of what the existing terms give, at the acceptance date
    /// (ASC 470-20-40-16).
    ///
    /// # Errors
    /// An offer that gives nothing more, a change of shares without a price, or figures that cannot be.
    pub fn assess(&self, books: &Books) -> Result<Assessment, Refusal> {
        let terms = books.instrument.terms();
        books.check_date("acceptance_date", self.acceptance_date)?;
        let conversion = books.conversion_at(self.acceptance_date)?;
        check_per_share("acceptance_share_price", self.acceptance_share_price)?;
        check_per_share("new_shares_per_denomination", self.new_shares_per_denomination)?;
        let (cash, other) = (self.cash_given(), self.other_given());
        for (field, amount) in [("cash", cash), ("other_consideration/fair_value", other)] {
            if amount.is_negative() {
                return Err(Refusal::invalid(field, amount.to_major(terms.currency), "it cannot be negative"));
            }
        }
        let existing = shares_of(self.principal, terms, conversion.shares_per_denomination)?;
        let transferred = shares_of(self.principal, terms, self.rate(&conversion))?;
        let beyond_shares = cash.plus(other)?;
        if existing == transferred && beyond_shares.is_zero() {
            return Err(Refusal::missing(
                "cash",
                "an inducement gives more than the terms: cash, other_consideration, or another new_shares_per_denomination",
            ));
        }
        let (fair_values, expense) = match self.acceptance_share_price {
            Some(price) => {
                let old = value(existing, price, terms.currency)?;
                let new = value(transferred, price, terms.currency)?.plus(beyond_shares)?;
                ((Some(new), Some(old)), new.minus(old)?)
            }
            None if existing == transferred => ((None, None), beyond_shares),
            None => {
                return Err(Refusal::missing(
                    "acceptance_share_price",
                    "the shares change, and their fair value at acceptance measures the expense",
                ));
            }
        };
        let (compared, unmet) = match (&self.criteria, terms.is_compound()) {
            (Some(criteria), false) => {
                let compared = criteria.compared(books, self.acceptance_date, self.rate(&conversion))?;
                (compared, criteria.unmet(compared.as_ref()))
            }
            (None, true) => (None, Vec::new()),
            (is_stated, _) => {
                let detail = match is_stated {
                    Some(_) => {
                        "an issue with an equity component is measured when its terms are amended (IAS 32.AG35): give amendment_date instead of acceptance_date and criteria"
                    }
                    None => {
                        "terms are amended in this sense only of an issue with an equity component: give acceptance_date and criteria"
                    }
                };
                return Err(Refusal::contradiction("amendment_date", detail));
            }
        };
        let accounting = match (terms.is_compound(), unmet.is_empty()) {
            (true, _) => Accounting::AmendedTerms,
            (false, true) => Accounting::InducedConversion,
            (false, false) => Accounting::Extinguishment,
        };
        if accounting != Accounting::Extinguishment && !expense.is_positive() {
            return Err(Refusal::contradiction(
                "criteria/preserves_form_and_amount",
                format!(
                    "what is given is worth {} less than what the existing terms give, so the offer does not preserve their amount",
                    expense.negated()?.to_major(terms.currency)
                ),
            ));
        }
        Ok(Assessment {
            expense,
            fair_value_transferred: fair_values.0,
            fair_value_existing_terms: fair_values.1,
            accounting,
            compared,
            unmet,
        })
    }

    /// Records the acceptance alone: the expense, with cash and other consideration owed until the bonds convert. No principal
    /// moves, so nothing is accrued.
    ///
    /// # Errors
    /// As [`Offer::assess`]; more principal than is outstanding; or an offer that fails a criterion, which is measured when the
    /// bonds are exchanged.
    pub fn accept(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        let assessment = self.assess(books)?;
        if assessment.accounting == Accounting::Extinguishment {
            return Err(Refusal::missing(
                "effective_date",
                "an offer that fails a criterion is an extinguishment, which is measured and recorded on the date the bonds are exchanged",
            ));
        }
        Leaving::at(books, self.acceptance_date, self.principal, InterestOnConversion::Paid)?;
        let mut journal = Journal::new(books);
        journal.post_own(vec![self.expense_entry(books, &assessment)?])?;
        let position = books.history.position(Moment::of_movement(self.acceptance_date), &books.instrument)?;
        let outcome = Outcome { assessment, conversion: None, extinguishment_gain_loss: None };
        Ok(Decision::posted(self.acceptance_date, (position, position), journal.finish()?, outcome))
    }

    /// Records acceptance and conversion together.
    ///
    /// # Errors
    /// As [`Offer::assess`], and those of the conversion.
    pub fn accept_and_complete(&self, completion: &Completion, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        let assessment = self.assess(books)?;
        self.check_order(completion)?;
        match assessment.accounting {
            Accounting::InducedConversion | Accounting::AmendedTerms => {
                let expense = vec![self.expense_entry(books, &assessment)?];
                self.convert(completion, books, assessment, expense)
            }
            Accounting::Extinguishment => self.extinguish(completion, books, assessment, Vec::new()),
        }
    }

    /// Converts bonds whose acceptance is recorded already, with the assessment made then; or, where the criteria as they are answered
    /// now are not met, extinguishes them and takes back what was expensed at acceptance.
    ///
    /// # Errors
    /// Those of the conversion, and a conversion before its acceptance.
    pub fn complete(
        &self,
        completion: &Completion,
        books: &Books,
        assessment: Assessment,
    ) -> Result<Decision<Outcome>, Refusal> {
        self.check_order(completion)?;
        match assessment.accounting {
            Accounting::InducedConversion | Accounting::AmendedTerms => {
                self.convert(completion, books, assessment, Vec::new())
            }
            Accounting::Extinguishment => {
                let taken_back = vec![self.taken_back(completion, &assessment, books)?];
                self.extinguish(completion, books, assessment, taken_back)
            }
        }
    }

    fn check_order(&self, completion: &Completion) -> Result<(), Refusal> {
        if completion.effective_date < self.acceptance_date {
            return Err(Refusal::contradiction(
                "effective_date",
                format!(
                    "effective_date {} is before the acceptance of {}",
                    completion.effective_date, self.acceptance_date
                ),
            ));
        }
        Ok(())
    }

    fn convert(
        &self,
        completion: &Completion,
        books: &Books,
        assessment: Assessment,
        own: OwnEntries,
    ) -> Result<Decision<Outcome>, Refusal> {
        let conversion = books.conversion_at(completion.effective_date)?;
        check_per_share("share_price", completion.share_price)?;
        let leaving = Leaving::at(books, completion.effective_date, self.principal, conversion.accrued_interest)?;
        let given = self.given(completion, books, &conversion)?;
        let extra = self.clearing_lines(books)?;
        let decision = conversion::convert(
            books,
            completion.effective_date,
            &leaving,
            &Given::at_book_value(given, &conversion),
            MovementKind::InducedConversion,
            (extra, own),
        )?;
        let otherwise = match completion.share_price {
            Some(_) if !books.instrument.terms().is_compound() => {
                self.extinguish(completion, books, assessment.clone(), Vec::new()).ok()
            }
            _ => None,
        };
        let otherwise = otherwise.and_then(|decision| decision.outcome.extinguishment_gain_loss);
        Ok(with_assessment(decision, assessment, otherwise))
    }

    pub(super) fn cash_given(&self) -> Amount {
        self.cash.unwrap_or(Amount::ZERO)
    }

    pub(super) fn other_given(&self) -> Amount {
        self.other_consideration.as_ref().map_or(Amount::ZERO, |other| other.fair_value)
    }

    fn rate(&self, conversion: &ConversionTerms) -> Decimal {
        self.new_shares_per_denomination.unwrap_or(conversion.shares_per_denomination)
    }

    pub(super) fn given(
        &self,
        completion: &Completion,
        books: &Books,
        conversion: &ConversionTerms,
    ) -> Result<Consideration, Refusal> {
        let terms = books.instrument.terms();
        let shares = shares_of(self.principal, terms, self.rate(conversion))?;
        consideration(
            shares,
            conversion,
            completion.settlement,
            completion.share_price,
            completion.fractional_shares,
            terms.currency,
        )
    }

    fn expense_entry(
        &self,
        books: &Books,
        assessment: &Assessment,
    ) -> Result<(Date, MovementKind, Option<Entry>), Refusal> {
        let currency = books.instrument.terms().currency;
        let owed = self.cash_given().plus(self.other_given())?;
        let figure = |amount: Amount| amount.to_major(currency);
        let known = |amount: Option<Amount>| {
            amount.map_or_else(|| "not needed".to_owned(), |amount| figure(amount).to_string())
        };
        let (role, memo, paragraph) = match assessment.accounting {
            Accounting::AmendedTerms => {
                (AccountRole::LossOnAmendmentOfConversionTerms, "Amendment of conversion terms", "IAS 32.AG35")
            }
            _ => (AccountRole::DebtConversionExpense, "Inducement", "ASC 470-20-40-16"),
        };
        let rule = Derivation::new(
            "fair value of all consideration - fair value of what the existing terms give, on the date of measurement",
            paragraph,
        )
        .with("fair_value_transferred", known(assessment.fair_value_transferred))
        .with("fair_value_existing_terms", known(assessment.fair_value_existing_terms))
        .with("cash", figure(self.cash_given()))
        .with("other_consideration", figure(self.other_given()));
        let shares = assessment.expense.minus(owed)?;
        let lines = vec![
            debit(role, assessment.expense, memo, rule.clone()),
            credit(AccountRole::AccruedInducement, owed, "Cash and other consideration owed", rule.clone())?,
            credit(AccountRole::AdditionalPaidInCapital, shares, "Shares beyond the existing terms", rule)?,
        ];
        let description = format!("Inducement accepted for {currency} {}", figure(self.principal));
        Ok((
            self.acceptance_date,
            MovementKind::InducedConversion,
            Entry::new(EntryKind::Inducement, description, lines)?,
        ))
    }

    fn clearing_lines(&self, books: &Books) -> Result<Vec<LineDraft>, Refusal> {
        let currency = books.instrument.terms().currency;
        let (cash, other) = (self.cash_given(), self.other_given());
        let rule = Derivation::new("what was owed since acceptance is given", "ASC 470-20-40-16")
            .with("cash", cash.to_major(currency))
            .with("other_consideration", other.to_major(currency));
        Ok(vec![
            signed(AccountRole::AccruedInducement, cash.plus(other)?, "Inducement settled", rule.clone()),
            credit(AccountRole::Cash, cash, LinePart::InducementPaid.memo(), rule.clone())?,
            credit(AccountRole::Cash, other, LinePart::OtherConsiderationGiven.memo(), rule)?,
        ])
    }
}

fn with_assessment(
    decision: Decision<conversion::Outcome>,
    assessment: Assessment,
    extinguishment_gain_loss: Option<Amount>,
) -> Decision<Outcome> {
    decision.map(|conversion| Outcome { assessment, conversion: Some(conversion), extinguishment_gain_loss })
}
