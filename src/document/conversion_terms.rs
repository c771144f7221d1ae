//! The conversion feature of an issue, on the wire and in the store.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::bond_issue::{AccruedInterestName, SettlementName};
use super::wire::{DateString, DecimalString};
use crate::accounting::Refusal;
use crate::accounting::instrument::{
    ConversionTerms, MakeWhole, MakeWholeRow, PrincipalOnConversion, SalePriceCondition, ShareCapital,
};

/// The conversion feature. Give `share_par_value`, or `no_par` for stock without par value.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConversionDocument {
    /// Shares for one denomination.
    #[schema(example = "32.3428")]
    pub shares_per_denomination: DecimalString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.01")]
    pub share_par_value: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub no_par: bool,
    #[serde(default)]
    pub accrued_interest: AccruedInterestName,
    #[serde(default)]
    pub settlement: SettlementName,
    /// The fraction below which a change of the rate is carried forward until later ones bring it up to that, such as "0.01".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.01")]
    pub minimum_adjustment: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make_whole: Option<MakeWholeDocument>,
    /// Of a combination settlement: whether the principal is paid in cash, or in what the issuer elects each time. `cash` if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub principal_on_conversion: Option<PrincipalOnConversionName>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sale_price_condition: Option<SalePriceConditionDocument>,
}

/// In what the principal is paid at a conversion that is settled in cash and shares.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PrincipalOnConversionName {
    Cash,
    /// In cash, shares or both, as the issuer elects.
    IssuerElects,
}

/// Holders may convert during a calendar quarter if on `days` of the last `of_days` trading days of the quarter before the price of a
/// share was at least `percent` of the conversion price in force on the day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SalePriceConditionDocument {
    #[schema(example = "130")]
    pub percent: DecimalString,
    #[schema(example = 20)]
    pub days: u16,
    #[schema(example = 30)]
    pub of_days: u16,
    /// From when holders may convert whatever the price is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub convertible_from: Option<DateString>,
}

impl From<SalePriceConditionDocument> for SalePriceCondition {
    fn from(document: SalePriceConditionDocument) -> SalePriceCondition {
        SalePriceCondition {
            threshold: document.percent.0 / Decimal::ONE_HUNDRED,
            days: document.days,
            of_days: document.of_days,
            convertible_from: document.convertible_from.map(|date| date.0),
        }
    }
}

/// Additional shares for holders who convert in connection with a make-whole event, by effective date and share price. Between two dates
/// or prices the figures lie on a straight line; below the lowest and above the highest price, and after the last date, there are none.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MakeWholeDocument {
    /// From low to high.
    pub share_prices: Vec<DecimalString>,
    pub rows: Vec<MakeWholeRowDocument>,
    /// The greatest number of shares for one denomination, additional ones included.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_shares_per_denomination: Option<DecimalString>,
}

/// The additional shares for one denomination on a date, one figure a share price.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MakeWholeRowDocument {
    pub effective_date: DateString,
    pub additional_shares: Vec<DecimalString>,
}

impl ConversionDocument {
    /// The terms that the document states.
    ///
    /// # Errors
    /// A [`Refusal`] for a par value that is missing, or given for stock that has none.
    pub fn terms(&self) -> Result<ConversionTerms, Refusal> {
        let share_capital = match (self.share_par_value, self.no_par) {
            (Some(par), false) => ShareCapital::ParValue(par.0),
            (None, true) => ShareCapital::NoPar,
            (Some(_), true) => {
                return Err(Refusal::contradiction("conversion/no_par", "give share_par_value or no_par, not both"));
            }
            (None, false) => {
                return Err(Refusal::missing(
                    "conversion/share_par_value",
                    "give it, or no_par for stock without par value",
                ));
            }
        };
        Ok(ConversionTerms {
            shares_per_denomination: self.shares_per_denomination.0,
            share_capital,
            accrued_interest: self.accrued_interest.into(),
            settlement: self.settlement.into(),
            minimum_adjustment: self.minimum_adjustment.map(|least| least.0),
            make_whole: self.make_whole.as_ref().map(MakeWholeDocument::table),
            principal_on_conversion: self.principal_on_conversion.map(|paid| match paid {
                PrincipalOnConversionName::Cash => PrincipalOnConversion::Cash,
                PrincipalOnConversionName::IssuerElects => PrincipalOnConversion::IssuerElects,
            }),
            sale_price_condition: self.sale_price_condition.map(Into::into),
        })
    }
}

impl MakeWholeDocument {
    fn table(&self) -> MakeWhole {
        let figures = |figures: &[DecimalString]| figures.iter().map(|figure| figure.0).collect();
        let row = |row: &MakeWholeRowDocument| MakeWholeRow {
            effective_date: row.effective_date.0,
            additional_shares: figures(&row.additional_shares),
        };
        MakeWhole {
            share_prices: figures(&self.share_prices),
            rows: self.rows.iter().map(row).collect(),
            most_shares: self.most_shares_per_denomination.map(|most| most.0),
        }
    }
}
