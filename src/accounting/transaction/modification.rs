//! Modification of terms, or exchange of bonds for others of the same issuer: the debt goes on at a new effective rate, or it is
//! extinguished and the new one recorded at fair value (ASC 470-50-40-6 to 40-18; IFRS 9.3.3.2, B3.3.6, B5.4.6).

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::new_debt::NewDebt;
use super::revising::{self, Restatement, Standing, revise};
use super::ten_percent::{CallableAt, TenPercent, is_substantial, relative};
use super::{Books, Decision};
use crate::accounting::framework::Framework;
use crate::accounting::instrument::{
    Carried, ConversionTerms, Effect, ExpectedRedemption, Instrument, RevisedTerms, Revision, Terms,
};
use crate::accounting::journal::{AccountRole, Derivation, EntryKind, MovementKind, credit, debit};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;

/// What becomes of the conversion option.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OptionChange {
    /// It stays, if there is one.
    None,
    Added(Box<ConversionTerms>),
    Eliminated,
}

/// The fair value of the conversion option of what is outstanding, before and after.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OptionValues {
    pub before: Amount,
    pub after: Amount,
}

/// Change the terms of what is outstanding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Modification {
    pub effective_date: Date,
    /// New terms; what is not stated stays.
    pub coupon_rate: Option<Decimal>,
    pub maturity_date: Option<Date>,
    /// As a fraction of principal.
    pub redemption_price: Option<Decimal>,
    pub amortization_end: Option<Date>,
    pub option_change: OptionChange,
    pub option_values: Option<OptionValues>,
    /// Paid to holders; received from them where negative.
    pub fees: Amount,
    /// Paid to third parties.
    pub costs: Amount,
    /// Of the debt under the new terms, without accrued interest.
    pub fair_value: Option<Amount>,
    pub callable_at: CallableAt,
}

/// How a modification is accounted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accounting {
    /// The debt goes on.
    Modification,
    /// The debt is extinguished and a new one recorded.
    Extinguishment,
}

impl Accounting {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Accounting::Modification => "modification",
            Accounting::Extinguishment => "extinguishment",
        }
    }
}

/// Why terms are substantially different, or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Because {
    CashFlows,
    OptionValue,
    OptionAdded,
    OptionEliminated,
    Neither,
}

impl Because {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Because::CashFlows => "cash_flows_change_by_ten_percent",
            Because::OptionValue => "conversion_option_changes_by_ten_percent",
            Because::OptionAdded => "conversion_option_added",
            Because::OptionEliminated => "conversion_option_eliminated",
            Because::Neither => "not_substantially_different",
        }
    }
}

/// What a modification came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub accounting: Accounting,
    pub because: Because,
    pub test: TenPercent,
    /// The change of the option's fair value in percent of the carrying amount.
    pub option_change_percent: Option<Decimal>,
    pub principal: Amount,
    pub carrying_amount_before: Amount,
    pub carrying_amount_after: Amount,
    pub fees: Amount,
    pub costs: Amount,
    /// Of an extinguishment, or under IFRS of the change of payments; a gain is positive.
    pub gain_loss: Amount,
    /// Nominal annual, from the date on.
    pub effective_rate: Decimal,
}

impl Modification {
    /// Tests whether the new terms are substantially different and books what follows.
    ///
    /// # Errors
    /// A [`Refusal`] when terms cannot be, or a fair value is missing that the result needs.
    pub fn decide(&self, books: &Books, framework: Framework) -> Result<Decision<Outcome>, Refusal> {
        let standing = Standing::at(books, self.effective_date, "terms")?;
        let terms = books.instrument.terms();
        self.check(terms, framework)?;
        let revised = self.revised(terms)?;
        let expected = (framework == Framework::Ifrs).then(|| self.end(&books.instrument, &revised));
        let revision = Revision::new(&books.instrument, self.effective_date, revised, expected).map_err(end_unmet)?;
        let amounts = (standing.principal, self.fees);
        let test = TenPercent::of(books, self.effective_date, &revision, amounts, self.callable_at, framework)?;
        let carrying = standing.carrying_amount()?;
        let option_change = self.option_values.map(|values| {
            let change = values.after.minus(values.before)?;
            relative(Decimal::from(change.minor()), Decimal::from(carrying.minor()))
        });
        let option_change = option_change.transpose()?;
        let because = self.because(&test, option_change);
        let new = match (because, framework) {
            (Because::Neither, Framework::UsGaap) => self.goes_on(&standing, terms)?,
            (Because::Neither, Framework::Ifrs) => self.revalued(&standing, &revision, books)?,
            (_, Framework::Ifrs) if terms.is_compound() => {
                return Err(Refusal::not_supported(
                    "effective_date",
                    format!(
                        "payments change by {}%, so that the debt is extinguished, and with it its equity component: record a repurchase, whose \
                         price is split between both, and a new issue",
                        test.change_percent
                    ),
                ));
            }
            _ => self.extinguished(&standing, &test, terms, framework)?,
        };
        let (effect, accounting, field) = match because {
            Because::Neither => (Effect::Modified, Accounting::Modification, "fees"),
            _ => (Effect::Extinguished, Accounting::Extinguishment, "fair_value"),
        };
        let carried = Carried {
            principal: standing.principal,
            clean: standing.principal.plus(new.premium_discount)?,
            issue_costs: new.issue_costs.negated()?,
            effect,
        };
        let instrument = revising::carried(revision, carried, new.kept_rate, field)?;
        let outcome = Outcome {
            accounting,
            because,
            test,
            option_change_percent: option_change.map(|change| (change * Decimal::ONE_HUNDRED).round_dp(6).normalize()),
            principal: standing.principal,
            carrying_amount_before: carrying,
            carrying_amount_after: carried.clean.minus(carried.issue_costs)?,
            fees: self.fees,
            costs: self.costs,
            gain_loss: new.gain_loss,
            effective_rate: instrument.nominal_annual_rate(),
        };
        let restatement = self.restatement(&standing, &outcome, new, &instrument, framework)?;
        revise(books, &standing, instrument, restatement, outcome)
    }

    /// Under IFRS payments are worth something at a rate that is kept, to the end that it is the rate of: an earlier redemption that is
    /// expected is expected still, unless the new terms state another or mature before it.
    fn end(&self, instrument: &Instrument, revised: &RevisedTerms) -> ExpectedRedemption {
        let maturity = ExpectedRedemption { date: revised.maturity_date, price: revised.redemption_price };
        if let Some(date) = self.amortization_end {
            return ExpectedRedemption { date, ..maturity };
        }
        let end = instrument.end_of_rate(self.effective_date);
        if end.date < instrument.terms().maturity_date && end.date < maturity.date {
            return ExpectedRedemption { price: self.redemption_price.unwrap_or(end.price), ..end };
        }
        maturity
    }

    fn because(&self, test: &TenPercent, option_change: Option<Decimal>) -> Because {
        match self.option_change {
            OptionChange::Added(_) => Because::OptionAdded,
            OptionChange::Eliminated => Because::OptionEliminated,
            OptionChange::None if option_change.is_some_and(is_substantial) => Because::OptionValue,
            OptionChange::None if test.is_substantial => Because::CashFlows,
            OptionChange::None => Because::Neither,
        }
    }

    fn restatement(
        &self,
        standing: &Standing,
        outcome: &Outcome,
        new: NewDebt,
        instrument: &Instrument,
        framework: Framework,
    ) -> Result<Restatement, Refusal> {
        let terms = instrument.terms();
        let figure = |amount: Amount| amount.to_major(terms.currency);
        let (rule, paragraph) = match (outcome.accounting, framework) {
            (Accounting::Extinguishment, Framework::UsGaap) => {
                ("the new debt is recorded at fair value", "ASC 470-50-40-13")
            }
            (Accounting::Extinguishment, Framework::Ifrs) => ("the new debt is recorded at fair value", "IFRS 9.3.3.2"),
            (_, Framework::UsGaap) => ("a new effective rate from the carrying amount", "ASC 470-50-40-14"),
            (_, Framework::Ifrs) => ("the new payments at the original effective rate", "IFRS 9.B5.4.6"),
        };
        let rule = Derivation::new(rule, paragraph)
            .with("carrying_amount_before", figure(outcome.carrying_amount_before))
            .with("carrying_amount_after", figure(outcome.carrying_amount_after))
            .with("present_value_before", figure(outcome.test.before))
            .with("present_value_after", figure(outcome.test.after))
            .with("change_percent", outcome.test.change_percent)
            .with("effective_rate", instrument.nominal_annual_rate().round_dp(12).normalize());
        let changes_nothing = new.premium_discount == standing.premium_discount
            && new.issue_costs == standing.issue_costs
            && self.costs.is_zero()
            && outcome.accounting == Accounting::Modification;
        let mut lines = new.lines;
        if changes_nothing {
            // An event is reversed by its entry, so that it has one even where no amount changes.
            let principal = standing.principal;
            lines.push(debit(AccountRole::BondsPayable, principal, "Under the terms before", rule.clone()));
            lines.push(credit(AccountRole::BondsPayable, principal, "Under the new terms", rule.clone())?);
        }
        Ok(Restatement {
            kinds: (EntryKind::Modification, MovementKind::Modification),
            description: format!("Terms of {} {} modified", terms.currency, figure(standing.principal)),
            premium_discount: new.premium_discount,
            issue_costs: new.issue_costs,
            memo: "Debt under the new terms",
            rule,
            lines,
        })
    }

    fn revised(&self, terms: &Terms) -> Result<RevisedTerms, Refusal> {
        let old = RevisedTerms::of(terms);
        let revised = RevisedTerms {
            coupon_rate: self.coupon_rate.unwrap_or(old.coupon_rate),
            maturity_date: self.maturity_date.unwrap_or(old.maturity_date),
            redemption_price: self.redemption_price.unwrap_or(old.redemption_price),
            amortization_end: self.amortization_end.or(old.amortization_end),
            conversion: match &self.option_change {
                OptionChange::None => old.conversion.clone(),
                OptionChange::Added(conversion) => Some(conversion.as_ref().clone()),
                OptionChange::Eliminated => None,
            },
        };
        if revised == old && self.option_values.is_none() {
            return Err(Refusal::contradiction(
                "coupon_rate",
                "nothing changes: state the terms that do (coupon_rate, maturity_date, redemption_price, amortization_end or the conversion \
                 option)",
            ));
        }
        Ok(revised)
    }

    fn check(&self, terms: &Terms, framework: Framework) -> Result<(), Refusal> {
        let major = |amount: Amount| amount.to_major(terms.currency);
        if self.costs.is_negative() {
            return Err(Refusal::invalid("costs", major(self.costs), "they cannot be negative"));
        }
        if let Some(value) = self.fair_value.filter(|value| !value.is_positive()) {
            return Err(Refusal::invalid("fair_value", major(value), "it must be more than zero"));
        }
        if let Some(end) = self.amortization_end.filter(|end| *end <= self.effective_date) {
            let rule = format!("it must be after {}, from which the terms are revised", self.effective_date);
            return Err(Refusal::invalid("amortization_end", end, rule));
        }
        let percents = [("callable_at/before", self.callable_at.before), ("callable_at/after", self.callable_at.after)];
        for (field, price) in percents {
            if let Some(price) = price.filter(|price| *price <= Decimal::ZERO || *price > Decimal::TEN) {
                let percent = price.saturating_mul(Decimal::ONE_HUNDRED).normalize();
                return Err(Refusal::invalid(
                    field,
                    percent,
                    "it is in percent of principal, above 0 and at most 1000",
                ));
            }
        }
        let is_convertible = terms.conversion.is_some();
        match (&self.option_change, framework) {
            (OptionChange::None, _) => {}
            (_, Framework::Ifrs) => {
                return Err(Refusal::not_supported(
                    "conversion_option/change",
                    "under IFRS an option that is added or eliminated changes what is equity: record a repurchase and a new issue",
                ));
            }
            (OptionChange::Added(_), _) if is_convertible => {
                return Err(Refusal::contradiction("conversion_option/change", "the issue is convertible already"));
            }
            (OptionChange::Eliminated, _) if !is_convertible => return Err(Refusal::NoConversionTerms),
            _ => {}
        }
        match (self.option_values, framework) {
            (Some(_), _) if !is_convertible => Err(Refusal::contradiction(
                "conversion_option/fair_value_before",
                "the issue is not convertible, so that no option changes in value; leave the values out",
            )),
            (Some(_), Framework::Ifrs) => Err(Refusal::contradiction(
                "conversion_option/fair_value_before",
                "under IFRS the terms are compared by their payments (B3.3.6); leave the option's values out",
            )),
            (None, Framework::UsGaap) if is_convertible && self.option_change == OptionChange::None => {
                Err(Refusal::missing(
                    "conversion_option",
                    "the terms of a convertible issue are substantially different if the option's fair value changes by ten percent of the \
                     carrying amount (ASC 470-50-40-10): state fair_value_before and fair_value_after, equal if it does not change",
                ))
            }
            (Some(values), _) if values.before.is_negative() || values.after.is_negative() => Err(Refusal::invalid(
                "conversion_option/fair_value_after",
                major(values.after),
                "fair values of an option cannot be negative",
            )),
            _ => Ok(()),
        }
    }
}

/// An expected redemption is no part of a modification: what must be stated is.
fn end_unmet(refusal: Refusal) -> Refusal {
    match refusal {
        Refusal::NotACouponDate { field: "expected_redemption/date", date, .. } => Refusal::contradiction(
            "amortization_end",
            format!(
                "the redemption that was expected on {date} is on no coupon date of the new terms: state amortization_end"
            ),
        ),
        other => other,
    }
}
