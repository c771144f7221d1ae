//! The terms of a case, at their true size or magnified.

use jiff::civil::Date;
use parwright::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, DayCount, InterestOnConversion, SettlementType, ShareCapital,
    Terms, WithinPeriod,
};
use parwright::accounting::{Amount, Currency};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::Deserialize;

use super::case::decimal;

/// Terms as a source states them; what it leaves open has the service's default.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TermsData {
    pub principal: String,
    /// By default the whole issue is one bond.
    denomination: Option<String>,
    coupon_rate: String,
    coupon_frequency: u8,
    compounding_frequency: Option<u8>,
    day_count: String,
    dated_date: Option<String>,
    settlement_date: String,
    first_coupon_date: Option<String>,
    maturity_date: String,
    /// May have more decimals than a payment can: at true size they are rounded to cents.
    pub proceeds: String,
    issue_costs: Option<String>,
    stated_effective_rate: Option<String>,
    within_period: Option<String>,
    accrual_cutoff: Option<String>,
    record_days: Option<u16>,
    conversion: Option<ConversionData>,
}

/// The conversion feature of a source: shares a bond, and par value, or null for stock without one.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ConversionData {
    shares_per_denomination: String,
    share_par_value: Option<String>,
}

pub fn usd() -> Currency {
    Currency::from_code("USD").expect("ISO 4217 lists USD")
}

pub fn day(text: &str) -> Result<Date, String> {
    text.parse().map_err(|error| format!("{text}: {error}"))
}

/// An amount `times` as large, in cents.
pub fn amount(major: Decimal, times: Decimal) -> Result<Amount, String> {
    let cents = (major * times).round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero);
    Amount::from_major(cents, usd()).map_err(|refusal| refusal.to_string())
}

pub fn day_count(name: &str) -> Result<DayCount, String> {
    Ok(match name {
        "30/360" => DayCount::Thirty360,
        "30U/360" => DayCount::Thirty360Us,
        "30E/360" => DayCount::ThirtyE360,
        "ACT/ACT-ICMA" => DayCount::ActActIcma,
        "ACT/365F" => DayCount::Act365Fixed,
        "ACT/360" => DayCount::Act360,
        other => return Err(format!("no day count {other}")),
    })
}

impl TermsData {
    /// The greatest power of ten by which the issue can be magnified. All balances are in proportion to the principal, so that a
    /// magnified issue shows what its cents hide.
    pub fn magnification(&self) -> Result<Decimal, String> {
        let (largest, greatest) =
            (decimal(&self.principal)?.max(decimal(&self.proceeds)?), Decimal::from(10_i64.pow(13)));
        let mut times = Decimal::ONE;
        while largest * times * Decimal::TEN <= greatest {
            times *= Decimal::TEN;
        }
        Ok(times)
    }

    /// The same terms for other proceeds, without a stated rate: for proceeds that are to explain a rate of their own.
    pub fn with_proceeds(&self, proceeds: Decimal) -> TermsData {
        TermsData { proceeds: proceeds.to_string(), stated_effective_rate: None, ..self.clone() }
    }

    /// The terms `times` as large.
    pub fn terms(&self, times: Decimal) -> Result<Terms, String> {
        let optional_day = |text: &Option<String>| text.as_deref().map(day).transpose();
        let settlement_date = day(&self.settlement_date)?;
        Ok(Terms {
            opening: None,
            put_dates: Vec::new(),
            premium_treatment: None,
            straight_debt_rate: None,
            equity_issue_costs: None,
            currency: usd(),
            principal: amount(decimal(&self.principal)?, times)?,
            denomination: amount(decimal(self.denomination.as_ref().unwrap_or(&self.principal))?, times)?,
            coupon_rate: decimal(&self.coupon_rate)?,
            coupon_frequency: self.coupon_frequency,
            compounding_frequency: self.compounding_frequency.unwrap_or(2),
            day_count: day_count(&self.day_count)?,
            dated_date: optional_day(&self.dated_date)?.unwrap_or(settlement_date),
            settlement_date,
            first_coupon_date: optional_day(&self.first_coupon_date)?,
            maturity_date: day(&self.maturity_date)?,
            proceeds: amount(decimal(&self.proceeds)?, times)?,
            accrued_interest_received: None,
            issue_costs: amount(decimal(self.issue_costs.as_deref().unwrap_or("0"))?, times)?,
            redemption_price: Decimal::ONE,
            amortization_method: AmortizationMethod::EffectiveInterest,
            within_period: match self.within_period.as_deref() {
                None | Some("ratable") => WithinPeriod::Ratable,
                Some("compound") => WithinPeriod::Compound,
                Some(other) => return Err(format!("no within_period {other}")),
            },
            accrual_cutoff: match self.accrual_cutoff.as_deref() {
                None | Some("through_date") => AccrualCutoff::ThroughDate,
                Some("to_date") => AccrualCutoff::ToDate,
                Some(other) => return Err(format!("no accrual_cutoff {other}")),
            },
            amortization_end: None,
            stated_effective_rate: self.stated_effective_rate.as_deref().map(decimal).transpose()?,
            record_days: self.record_days,
            conversion: self.conversion.as_ref().map(ConversionData::terms).transpose()?,
        })
    }
}

impl ConversionData {
    fn terms(&self) -> Result<ConversionTerms, String> {
        Ok(ConversionTerms {
            minimum_adjustment: None,
            principal_on_conversion: None,
            sale_price_condition: None,
            make_whole: None,
            shares_per_denomination: decimal(&self.shares_per_denomination)?,
            share_capital: match self.share_par_value.as_deref() {
                Some(par) => ShareCapital::ParValue(decimal(par)?),
                None => ShareCapital::NoPar,
            },
            accrued_interest: InterestOnConversion::Forfeited,
            settlement: SettlementType::Physical,
        })
    }
}
