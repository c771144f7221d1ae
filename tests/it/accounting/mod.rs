//! The core, called directly.

mod bookkeeping;

use std::sync::Arc;

use jiff::civil::Date;
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, DayCount, Instrument, InterestOnConversion, SettlementType,
    ShareCapital, Terms, WithinPeriod,
};
use parwright::accounting::transaction::{Books, issuance};
use parwright::accounting::{Amount, Currency};
use rust_decimal::Decimal;

pub fn decimal(text: &str) -> Decimal {
    text.parse().unwrap_or_else(|_| panic!("{text} is no decimal"))
}

pub fn day(text: &str) -> Date {
    text.parse().unwrap_or_else(|_| panic!("{text} is no date"))
}

pub fn usd(text: &str) -> Amount {
    Amount::from_major(decimal(text), Currency::from_code("USD").expect("listed")).expect("an amount in cents")
}

/// A ten-thousand dollar issue of five years with semi-annual coupons: each test changes what it is about.
pub fn terms() -> Terms {
    Terms {
        opening: None,
        put_dates: Vec::new(),
        premium_treatment: None,
        straight_debt_rate: None,
        equity_issue_costs: None,
        currency: Currency::from_code("USD").expect("listed"),
        principal: usd("100000"),
        denomination: usd("1000"),
        coupon_rate: decimal("0.08"),
        coupon_frequency: 2,
        compounding_frequency: 2,
        day_count: DayCount::Thirty360,
        dated_date: day("2025-01-15"),
        settlement_date: day("2025-01-15"),
        first_coupon_date: None,
        maturity_date: day("2030-01-15"),
        proceeds: usd("92278"),
        accrued_interest_received: None,
        issue_costs: Amount::ZERO,
        redemption_price: Decimal::ONE,
        amortization_method: AmortizationMethod::EffectiveInterest,
        within_period: WithinPeriod::Ratable,
        accrual_cutoff: AccrualCutoff::ThroughDate,
        amortization_end: None,
        stated_effective_rate: None,
        record_days: None,
        conversion: Some(ConversionTerms {
            minimum_adjustment: None,
            principal_on_conversion: None,
            sale_price_condition: None,
            make_whole: None,
            shares_per_denomination: decimal("20"),
            share_capital: ShareCapital::ParValue(decimal("1")),
            accrued_interest: InterestOnConversion::Forfeited,
            settlement: SettlementType::Physical,
        }),
    }
}

pub fn calendar() -> FiscalCalendar {
    FiscalCalendar::new("12-31", None).expect("a month's last day")
}

/// The books of an issue right after its issuance.
pub fn books(terms: Terms) -> Books {
    let instrument = Arc::new(Instrument::new(terms).expect("terms that can be issued"));
    let decision = issuance::decide(&instrument, calendar()).expect("an issuance");
    Books::empty(instrument, calendar()).after(&decision)
}
