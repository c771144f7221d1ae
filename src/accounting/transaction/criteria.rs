//! Whether an offer is an induced conversion: the criteria of ASC 470-20-40-13, as answered by the accountant and as the rates on
//! record show.

use jiff::ToSpan;
use jiff::civil::Date;
use rust_decimal::Decimal;

use super::Books;
use super::settlement::check_per_share;
use crate::accounting::instrument::ConversionTerms;
use crate::accounting::money::round_shares;
use crate::accounting::refusal::Refusal;

/// Which text of ASC 470-20-40-13 the entity applies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Standard {
    /// As amended by ASU 2024-04.
    #[default]
    Asu202404,
    /// Before its adoption: all shares of the original terms are issued, and whether the feature was substantive is no criterion.
    BeforeAsu202404,
}

/// The answers to the criteria.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Criteria {
    pub standard: Standard,
    /// The changed privileges are exercisable only for a limited time.
    pub limited_time: bool,
    /// The offer preserves the form and at least the amount of the consideration issuable under the existing privileges.
    pub preserves_form_and_amount: bool,
    /// The conversion feature was substantive when the bonds were issued ...
    pub substantive_at_issuance: bool,
    /// ... and when the offer was accepted.
    pub substantive_at_acceptance: bool,
    /// The shares for one denomination as the terms stood one year before acceptance, where an exchange or modification since is not on
    /// record here.
    pub shares_one_year_before: Option<Decimal>,
}

/// Terms that an offer must not fall short of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Compared {
    /// The date as of which the terms stood.
    pub terms_as_of: Date,
    /// Their shares for one denomination, restated for adjustments by the terms since.
    pub shares_per_denomination: Decimal,
    pub offered: Decimal,
}

/// A criterion that an offer fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unmet {
    LimitedTime,
    FormAndAmount,
    SubstantiveAtIssuance,
    SubstantiveAtAcceptance,
    /// It gives less than the terms that it is compared with.
    LessThanCompared,
}

impl Unmet {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Unmet::LimitedTime => "limited_time",
            Unmet::FormAndAmount => "preserves_form_and_amount",
            Unmet::SubstantiveAtIssuance => "substantive_at_issuance",
            Unmet::SubstantiveAtAcceptance => "substantive_at_acceptance",
            Unmet::LessThanCompared => "shares_of_compared_terms",
        }
    }
}

impl Criteria {
    /// The terms that an offer of so many shares for one denomination is compared with. As amended: those of one year before, if the
    /// bonds were exchanged or modified since; on record is a change of the rate that the terms did not ask for. Before the
    /// amendment: the original ones. Both restated for what the terms adjusted since.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub(super) fn compared(
        &self,
        books: &Books,
        acceptance_date: Date,
        offered: Decimal,
    ) -> Result<Option<Compared>, Refusal> {
        check_per_share("criteria/shares_per_denomination_one_year_before", self.shares_one_year_before)?;
        let begin = books.instrument.start().moment.date;
        let original = books.instrument.terms().conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
        let year_before = acceptance_date.checked_sub(1.year()).unwrap_or(begin);
        let (terms_as_of, base) = match self.standard {
            Standard::BeforeAsu202404 => (begin, original.shares_per_denomination),
            Standard::Asu202404 => {
                let date = year_before.max(begin);
                let known = rate_on(books, original, date);
                (date, self.shares_one_year_before.unwrap_or(known))
            }
        };
        let since = books.rates.iter().filter(|rate| terms_as_of < rate.date && rate.date <= acceptance_date);
        let is_modified = since.clone().any(|rate| !rate.by_terms);
        if self.standard == Standard::Asu202404 && !is_modified && self.shares_one_year_before.is_none() {
            return Ok(None);
        }
        let (mut restated, mut in_force) = (base, rate_on(books, original, terms_as_of));
        for rate in since {
            if rate.by_terms {
                let moved = restated.checked_mul(rate.shares_per_denomination).ok_or(Refusal::Overflow)?;
                restated = moved.checked_div(in_force).ok_or(Refusal::Overflow)?;
            }
            in_force = rate.shares_per_denomination;
        }
        Ok(Some(Compared { terms_as_of, shares_per_denomination: round_shares(restated), offered }))
    }

    /// The criteria that the offer fails.
    pub(super) fn unmet(&self, compared: Option<&Compared>) -> Vec<Unmet> {
        let amended = self.standard == Standard::Asu202404;
        let answers = [
            (self.limited_time, Unmet::LimitedTime),
            (self.preserves_form_and_amount, Unmet::FormAndAmount),
            (self.substantive_at_issuance || !amended, Unmet::SubstantiveAtIssuance),
            (self.substantive_at_acceptance || !amended, Unmet::SubstantiveAtAcceptance),
            (
                compared.is_none_or(|compared| compared.offered >= compared.shares_per_denomination),
                Unmet::LessThanCompared,
            ),
        ];
        answers.into_iter().filter(|(is_met, _)| !is_met).map(|(_, unmet)| unmet).collect()
    }
}

fn rate_on(books: &Books, original: &ConversionTerms, date: Date) -> Decimal {
    let adjusted = books.rates.iter().rev().find(|rate| rate.date <= date);
    adjusted.map_or(original.shares_per_denomination, |rate| rate.shares_per_denomination)
}
