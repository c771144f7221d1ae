//! Bond issues: the terms on the wire and in the store.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conversion_terms::ConversionDocument;
use super::wire::{DateString, DecimalString};
use super::{OpeningBalanceDocument, RecordingAnswer, RevisionDocument, money, rate};
use crate::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, DayCount, Instrument, InterestOnConversion, PremiumTreatment, Rates,
    SettlementType, Terms, WithinPeriod,
};
use crate::accounting::{Amount, Currency, Refusal, identifier};

/// Declares an enum of names on the wire that stand for a type of the core; the first is the default.
macro_rules! names {
    ($(#[$doc:meta])* $name:ident for $core:ty { $first:ident $first_text:tt $first_core:path, $($variant:ident $text:tt $value:path,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
        pub enum $name {
            #[default]
            #[serde(rename = $first_text)]
            $first,
            $(#[serde(rename = $text)] $variant,)*
        }

        impl From<$name> for $core {
            fn from(name: $name) -> $core {
                match name { $name::$first => $first_core, $($name::$variant => $value,)* }
            }
        }
    };
}

names! {
    /// How days are counted.
    DayCountName for DayCount {
        Thirty360 "30/360" DayCount::Thirty360,
        Thirty360Us "30U/360" DayCount::Thirty360Us,
        ThirtyE360 "30E/360" DayCount::ThirtyE360,
        ActActIcma "ACT/ACT-ICMA" DayCount::ActActIcma,
        Act365Fixed "ACT/365F" DayCount::Act365Fixed,
        Act360 "ACT/360" DayCount::Act360,
    }
}
names! {
    /// How premium, discount and issue costs are spread over the issue's life.
    AmortizationMethodName for AmortizationMethod {
        EffectiveInterest "effective_interest" AmortizationMethod::EffectiveInterest,
        StraightLine "straight_line" AmortizationMethod::StraightLine,
    }
}
names! {
    /// How a coupon period's movement is spread over its days.
    WithinPeriodName for WithinPeriod {
        Ratable "ratable" WithinPeriod::Ratable,
        Compound "compound" WithinPeriod::Compound,
    }
}
names! {
    /// To which day boundary a balance at close of business runs.
    AccrualCutoffName for AccrualCutoff {
        ThroughDate "through_date" AccrualCutoff::ThroughDate,
        ToDate "to_date" AccrualCutoff::ToDate,
    }
}
names! {
    /// What becomes of interest accrued on bonds that convert between coupon dates.
    AccruedInterestName for InterestOnConversion {
        Forfeited "forfeited" InterestOnConversion::Forfeited,
        Paid "paid" InterestOnConversion::Paid,
        Payable "payable" InterestOnConversion::Payable,
    }
}
names! {
    /// What holders get at conversion.
    SettlementName for SettlementType {
        Physical "physical" SettlementType::Physical,
        Cash "cash" SettlementType::Cash,
        Combination "combination" SettlementType::Combination,
    }
}

/// What becomes of a substantial premium on a convertible issue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PremiumTreatmentName {
    /// It is part of the debt and amortised.
    Liability,
    /// All of it is additional paid-in capital, and the debt begins at what is repaid at maturity (ASC 470-20-25-13).
    PaidInCapital,
}

impl From<PremiumTreatmentName> for PremiumTreatment {
    fn from(name: PremiumTreatmentName) -> PremiumTreatment {
        match name {
            PremiumTreatmentName::Liability => PremiumTreatment::Liability,
            PremiumTreatmentName::PaidInCapital => PremiumTreatment::PaidInCapital,
        }
    }
}

/// A bond issue as it is recorded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BondIssueDocument {
    /// The code of the entity that issues.
    #[schema(example = "HARBOR")]
    pub entity: String,
    /// Your own name for the issue, unique in the entity.
    #[schema(example = "CB-2031")]
    pub reference: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// ISO 6166.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub isin: Option<String>,
    /// The series under whose indenture it is issued: its issues are the same bonds, and what holders do with them can be recorded for all
    /// of them at once. 1 to 64 of letters, digits, `.`, `-` and `_`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub series: Option<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub dimensions: BTreeMap<String, String>,
    /// ISO 4217.
    #[schema(example = "USD")]
    pub currency: String,
    #[schema(example = "50000000.00")]
    pub principal: DecimalString,
    #[schema(example = "1000.00")]
    pub denomination: DecimalString,
    /// A fraction a year: "0.0425" is 4.25%.
    #[schema(example = "0.0425")]
    pub coupon_rate: DecimalString,
    /// Coupons a year: 1, 2, 4, 12, or 0 for a zero-coupon issue.
    pub coupon_frequency: u8,
    pub day_count: DayCountName,
    /// From when interest accrues.
    pub dated_date: DateString,
    pub settlement_date: DateString,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_coupon_date: Option<DateString>,
    pub maturity_date: DateString,
    /// Received for the bonds, before issue costs and without accrued interest. Needed unless there is an `opening_balance`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "51250000.00")]
    pub proceeds: Option<DecimalString>,
    /// Received for interest accrued to settlement; computed if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accrued_interest_received: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub issue_costs: Option<DecimalString>,
    /// Calendar days from the record date to the coupon date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record_days: Option<u16>,
    /// Under IFRS, of a convertible issue: the rate of debt without the conversion option, nominal annual at the coupon frequency. What is
    /// received beyond the liability at this rate is equity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.09")]
    pub straight_debt_rate: Option<DecimalString>,
    /// The part of the issue costs that goes to the equity component; in proportion to both components if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equity_issue_costs: Option<DecimalString>,
    /// Compounding periods a year of a zero-coupon issue; 2 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compounding_frequency: Option<u8>,
    /// In percent of principal; 100 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub redemption_price: Option<DecimalString>,
    #[serde(default)]
    pub amortization_method: AmortizationMethodName,
    #[serde(default)]
    pub within_period: WithinPeriodName,
    #[serde(default)]
    pub accrual_cutoff: AccrualCutoffName,
    /// The earliest non-contingent put, a coupon date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amortization_end: Option<DateString>,
    /// When holders may demand repayment before maturity without any condition, in order. They make the debt current a year before;
    /// `amortization_end` is one of them in any case.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub put_dates: Vec<DateString>,
    /// Under US GAAP, of a convertible issue above what is repaid at maturity. Needed from a tenth above on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub premium_treatment: Option<PremiumTreatmentName>,
    /// Nominal annual, a fraction; for books taken over and textbook cases.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stated_effective_rate: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion: Option<ConversionDocument>,
    /// Takes an issue over in mid-life; instead of `proceeds`, `issue_costs` and `accrued_interest_received`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opening_balance: Option<OpeningBalanceDocument>,
}

impl BondIssueDocument {
    /// The terms that the document states.
    ///
    /// # Errors
    /// A [`Refusal`] for a currency, amount or identifier that cannot be.
    pub fn terms(&self) -> Result<Terms, Refusal> {
        let currency = Currency::from_code(&self.currency).ok_or_else(|| {
            Refusal::invalid("currency", &self.currency, "it must be an alphabetic code of ISO 4217, such as \"USD\"")
        })?;
        if let Some(isin) = self.isin.as_deref().filter(|isin| !identifier::is_isin(isin)) {
            return Err(Refusal::invalid(
                "isin",
                isin,
                "it must be an ISIN of ISO 6166, whose last character is its check digit",
            ));
        }
        if let Some(series) = self.series.as_deref().filter(|series| !is_series(series)) {
            let rule = "it must be 1 to 64 of letters, digits, '.', '-' and '_'";
            return Err(Refusal::invalid("series", series, rule));
        }
        let amount = |field, figure| super::amount(field, figure, currency);
        let opening = self.opening_balance.as_ref().map(|opening| opening.opening(currency)).transpose()?;
        self.check_received(opening.is_some())?;
        Ok(Terms {
            currency,
            principal: amount("principal", self.principal)?,
            denomination: amount("denomination", self.denomination)?,
            coupon_rate: self.coupon_rate.0,
            coupon_frequency: self.coupon_frequency,
            compounding_frequency: self.compounding_frequency.unwrap_or(2),
            day_count: self.day_count.into(),
            dated_date: self.dated_date.0,
            settlement_date: self.settlement_date.0,
            first_coupon_date: self.first_coupon_date.map(|date| date.0),
            maturity_date: self.maturity_date.0,
            proceeds: self.proceeds.map_or(Ok(Amount::ZERO), |figure| amount("proceeds", figure))?,
            accrued_interest_received: self
                .accrued_interest_received
                .map(|figure| amount("accrued_interest_received", figure))
                .transpose()?,
            issue_costs: self.issue_costs.map_or(Ok(Amount::ZERO), |figure| amount("issue_costs", figure))?,
            straight_debt_rate: self.straight_debt_rate.map(|rate| rate.0),
            equity_issue_costs: self
                .equity_issue_costs
                .map(|figure| amount("equity_issue_costs", figure))
                .transpose()?,
            redemption_price: self.redemption_price.map_or(Decimal::ONE, |percent| percent.0 / Decimal::ONE_HUNDRED),
            amortization_method: self.amortization_method.into(),
            within_period: self.within_period.into(),
            accrual_cutoff: self.accrual_cutoff.into(),
            amortization_end: self.amortization_end.map(|date| date.0),
            put_dates: self.put_dates.iter().map(|date| date.0).collect(),
            premium_treatment: self.premium_treatment.map(Into::into),
            stated_effective_rate: self.stated_effective_rate.map(|rate| rate.0),
            record_days: self.record_days,
            conversion: self.conversion.as_ref().map(ConversionDocument::terms).transpose()?,
            opening,
        })
    }

    /// What was received at issue is stated, or what stood when the books were taken over, and not both.
    fn check_received(&self, is_taken_over: bool) -> Result<(), Refusal> {
        if !is_taken_over {
            let missing = || Refusal::missing("proceeds", "state what was received, or an opening_balance");
            return self.proceeds.map(|_| ()).ok_or_else(missing);
        }
        let stated = [
            ("proceeds", self.proceeds),
            ("issue_costs", self.issue_costs),
            ("equity_issue_costs", self.equity_issue_costs),
            ("accrued_interest_received", self.accrued_interest_received),
        ];
        match stated.into_iter().find(|(_, figure)| figure.is_some()) {
            Some((field, _)) => Err(Refusal::contradiction(
                field,
                format!("leave {field} out: an opening_balance states what stood when the books were taken over"),
            )),
            None => Ok(()),
        }
    }
}

fn is_series(name: &str) -> bool {
    let allowed = |letter: u8| letter.is_ascii_alphanumeric() || matches!(letter, b'.' | b'-' | b'_');
    (1..=64).contains(&name.len()) && name.bytes().all(allowed)
}

/// Solved rates as stored, a coupon period each.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StoredRates {
    pub gross: Decimal28,
    pub net: Decimal28,
    pub gross_same_horizon: Decimal28,
}

/// A decimal of up to 28 digits as text, for rates that no request carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decimal28(pub Decimal);

impl Serialize for Decimal28 {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Decimal28 {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Decimal::from_str_exact(&text).map(Decimal28).map_err(serde::de::Error::custom)
    }
}

impl From<Rates> for StoredRates {
    fn from(rates: Rates) -> StoredRates {
        StoredRates {
            gross: Decimal28(rates.gross),
            net: Decimal28(rates.net),
            gross_same_horizon: Decimal28(rates.gross_same_horizon),
        }
    }
}

impl From<&StoredRates> for Rates {
    fn from(stored: &StoredRates) -> Rates {
        Rates { gross: stored.gross.0, net: stored.net.0, gross_same_horizon: stored.gross_same_horizon.0 }
    }
}

/// The solved rates of an issue, with at least twelve decimals.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EffectiveRateDocument {
    /// A coupon period's rate x periods a year.
    pub nominal_annual: String,
    /// Compounded over a year.
    pub effective_annual: String,
    /// Without issue costs.
    pub gross_nominal_annual: String,
    /// What the last period of a stated rate's schedule takes up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stated_rate_difference: Option<String>,
}

impl EffectiveRateDocument {
    /// The rates of an issue.
    pub fn of(instrument: &Instrument) -> EffectiveRateDocument {
        EffectiveRateDocument {
            nominal_annual: rate(instrument.nominal_annual_rate()),
            effective_annual: rate(instrument.effective_annual_rate()),
            gross_nominal_annual: rate(instrument.gross_nominal_annual_rate()),
            stated_rate_difference: instrument
                .stated_rate_difference()
                .map(|amount| money(amount, instrument.terms().currency)),
        }
    }
}

/// A bond issue as answered: its id, the terms as recorded, the solved rates and, when it is recorded, what was posted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct BondIssueAnswer {
    /// Null in a preview.
    pub id: Option<String>,
    /// The id of the event that took the issuance back; there is then nothing left of the issue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub voided_by: Option<String>,
    #[serde(flatten)]
    pub terms: BondIssueDocument,
    pub effective_rate: EffectiveRateDocument,
    /// What modifications, estimates and corrected issue costs made of it since, in order; the terms are those it was recorded with.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub revisions: Vec<RevisionDocument>,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub recording: Option<RecordingAnswer>,
}
