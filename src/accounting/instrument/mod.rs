//! What was issued: its terms, its calendar of coupons, and the curve that its amortised cost follows.

mod compound;
pub mod coupon_dates;
pub mod day_count;
pub mod effective_rate;
mod issue;
mod make_whole;
mod start;
pub mod terms;
pub mod unit_curve;
mod validation;

pub use day_count::DayCount;
pub use issue::{Instrument, Rates, ScheduleRow};
pub use make_whole::{MakeWhole, MakeWholeRow};
pub use start::{Moment, Start};
pub use terms::{
    AccrualCutoff, AmortizationMethod, ConversionTerms, InterestOnConversion, Opening, SettlementType, ShareCapital,
    Terms, WithinPeriod,
};
