//! Revisions as they are kept, and as an issue's answer shows them.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion_terms::ConversionDocument;
use super::rate;
use super::revision::{ConversionOptionDocument, OptionChangeName};
use super::wire::{DateString, DecimalString};
use crate::accounting::Refusal;
use crate::accounting::instrument::{ExpectedRedemption, Instrument, RevisedTerms, Terms};

/// What an issue is from a revision on, in its answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RevisionDocument {
    pub effective_date: String,
    pub coupon_rate: String,
    pub maturity_date: String,
    /// In percent of principal.
    pub redemption_price: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amortization_end: Option<String>,
    /// Whether the bonds convert.
    pub convertible: bool,
    /// Nominal annual.
    pub effective_rate: String,
}

impl RevisionDocument {
    /// The revisions of an issue, in order.
    pub fn all(instrument: &Instrument) -> Vec<RevisionDocument> {
        let Some(before) = instrument.before() else { return Vec::new() };
        let terms = instrument.terms();
        let mut all = RevisionDocument::all(before);
        all.push(RevisionDocument {
            effective_date: instrument.revised_on().map(|date| date.to_string()).unwrap_or_default(),
            coupon_rate: terms.coupon_rate.to_string(),
            maturity_date: terms.maturity_date.to_string(),
            redemption_price: terms.redemption_price.saturating_mul(Decimal::ONE_HUNDRED).normalize().to_string(),
            amortization_end: terms.amortization_end.map(|date| date.to_string()),
            convertible: terms.conversion.is_some(),
            effective_rate: rate(instrument.nominal_annual_rate()),
        });
        all
    }
}

/// The terms of a revision as they are kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoredRevision {
    coupon_rate: DecimalString,
    maturity_date: DateString,
    /// As a fraction of principal.
    redemption_price: DecimalString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    amortization_end: Option<DateString>,
    #[serde(default)]
    option_change: OptionChangeName,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    conversion: Option<ConversionDocument>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    expected_date: Option<DateString>,
    /// As a fraction of principal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    expected_price: Option<DecimalString>,
}

impl StoredRevision {
    /// What is kept of the last revision of an issue; `option` is what the request said of the conversion option.
    pub fn of(instrument: &Instrument, option: Option<&ConversionOptionDocument>) -> StoredRevision {
        let terms = instrument.terms();
        let expected = instrument.expected();
        StoredRevision {
            coupon_rate: DecimalString(terms.coupon_rate),
            maturity_date: DateString(terms.maturity_date),
            redemption_price: DecimalString(terms.redemption_price),
            amortization_end: terms.amortization_end.map(DateString),
            option_change: option.map(|option| option.change).unwrap_or_default(),
            conversion: option.and_then(|option| option.conversion.clone()),
            expected_date: expected.map(|expected| DateString(expected.date)),
            expected_price: expected.map(|expected| DecimalString(expected.price)),
        }
    }

    /// The terms from the revision on, given those before it.
    ///
    /// # Errors
    /// A [`Refusal`] when they are not those of a recorded revision.
    pub fn terms(&self, before: &Terms) -> Result<(RevisedTerms, Option<ExpectedRedemption>), Refusal> {
        let conversion = match (self.option_change, &self.conversion) {
            (OptionChangeName::None, _) => before.conversion.clone(),
            (_, conversion) => conversion.as_ref().map(ConversionDocument::terms).transpose()?,
        };
        let terms = RevisedTerms {
            coupon_rate: self.coupon_rate.0,
            maturity_date: self.maturity_date.0,
            redemption_price: self.redemption_price.0,
            amortization_end: self.amortization_end.map(|date| date.0),
            conversion,
        };
        let expected = self.expected_date.zip(self.expected_price);
        Ok((terms, expected.map(|(date, price)| ExpectedRedemption { date: date.0, price: price.0 })))
    }
}
