//! A second calculation of the accounting core, for the tests alone.
//!
//! It shares no code with the crate. Amortised cost is the recursion C(i) = C(i-1) x (1+y)^T - coupon over the
//! cash flows, in exact rationals where the effective rate is rational and in 640-bit fixed point where it is not; a
//! history is folded anew from all its events at every question, and the interest expense is the residual of the
//! accounting equation. Plain data goes in and comes out; amounts are minor units.
//!
//! Reading order: `calendar`, `day_count`, `schedule`, `number`, `rate`, `unit_line`, `curve`, `chain`, `facts`, `revision`, `history`.
#![allow(dead_code, unused_imports, reason = "an oracle offers more than any one test asks of it")]

mod calendar;
mod chain;
mod curve;
mod day_count;
mod facts;
mod history;
mod number;
mod rate;
mod revising;
mod revision;
mod schedule;
mod ten_percent;
mod unit_line;

#[cfg(test)]
mod check_any_history;
#[cfg(test)]
mod check_by_hand;
#[cfg(test)]
mod check_history;
#[cfg(test)]
mod check_published;
#[cfg(test)]
mod check_revision;
#[cfg(test)]
mod sample;

pub use curve::{Balance, Curve};
pub use facts::Moved;
pub use history::{Components, Expense, History};
pub use revision::{Because, Framework, Modification, OptionChange, Revised, Revision, Trillionths};

use jiff::civil::Date;
use num_rational::BigRational;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayCount {
    /// ISDA 2006 4.16(f), Bond Basis.
    Thirty360,
    /// With the end-of-February rule.
    Thirty360U,
    ThirtyE360,
    ActActIcma,
    Act365F,
    Act360,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Within {
    Ratable,
    Compound,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    EffectiveInterest,
    StraightLine,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cutoff {
    ThroughDate,
    ToDate,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnConversion {
    Forfeited,
    Paid,
    Payable,
}

/// The terms of an issue. Rates are fractions (0.05 is five percent), `redemption` is the price per unit (1 is par).
#[derive(Clone, Debug)]
pub struct Terms {
    pub principal_minor: i128,
    pub denomination_minor: i128,
    pub coupon_rate: BigRational,
    /// Coupons a year; 0 is a zero-coupon issue.
    pub frequency: u32,
    /// Compounding periods a year of a zero-coupon issue; not read otherwise.
    pub compounding_frequency: u32,
    pub day_count: DayCount,
    pub dated: Date,
    pub settlement: Date,
    pub first_coupon: Option<Date>,
    pub maturity: Date,
    /// Clean: without interest accrued to settlement and before issue costs.
    pub proceeds_minor: i128,
    pub issue_costs_minor: i128,
    pub redemption: BigRational,
    pub method: Method,
    pub within: Within,
    pub cutoff: Cutoff,
    pub amortization_end: Option<Date>,
    /// Nominal annual.
    pub stated_rate: Option<BigRational>,
    pub accrued_received_minor: Option<i128>,
    /// Calendar days between a record date and its coupon date.
    pub record_days: Option<u32>,
    pub on_conversion: OnConversion,
}

#[allow(clippy::large_enum_variant, reason = "few exist at a time, and events are copied")]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// `paid_on` defaults to the coupon date.
    Coupon {
        date: Date,
        paid_on: Option<Date>,
    },
    Conversion {
        date: Date,
        principal_minor: i128,
    },
    /// Surrendered for conversion: the bonds bear no interest from this date on, and stay in the debt as they are on it.
    Surrender {
        date: Date,
        principal_minor: i128,
    },
    /// What the event with this place among all events surrendered leaves the debt.
    Settlement {
        surrender: usize,
        date: Date,
    },
    /// Bought back or repaid for cash, with the interest accrued; the date may lie after maturity.
    Extinguishment {
        date: Date,
        principal_minor: i128,
    },
    Accrual {
        through: Date,
    },
    /// Terms modified, payments estimated anew, or issue costs corrected.
    Revision(Revision),
    /// As if the event with this place among all events had not been recorded, for everything recorded from now on.
    Reversal {
        event: usize,
    },
}
