//! What was issued: its terms, its calendar of coupons, and the curve that its amortised cost follows.

mod compound;
pub mod coupon_dates;
mod curves;
pub mod day_count;
pub mod effective_rate;
mod issue;
mod make_whole;
mod revision;
mod schedule;
mod start;
pub mod terms;
pub mod unit_curve;
mod validation;

pub use curves::Rates;
pub use day_count::DayCount;
pub use issue::{Instrument, UnitCosts};
pub use make_whole::{MakeWhole, MakeWholeRow};
pub use revision::{Carried, Effect, ExpectedRedemption, RevisedTerms, Revision};
pub use schedule::ScheduleRow;
pub use start::{Moment, Start};
pub use terms::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, InterestOnConversion, Opening, PremiumTreatment,
    PrincipalOnConversion, SalePriceCondition, SettlementType, ShareCapital, Terms, WithinPeriod,
};
