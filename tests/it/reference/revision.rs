//! Revisions: terms modified, payments estimated anew, issue costs corrected; and what each came to.

use super::OnConversion;
use super::chain::Part;
use jiff::civil::Date;
use num_rational::BigRational;

/// A fraction in trillionths: the rates and prices that terms can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trillionths(pub i64);

impl Trillionths {
    pub fn rational(self) -> BigRational {
        BigRational::new(self.0.into(), 1_000_000_000_000_i64.into())
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framework {
    UsGaap,
    Ifrs,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OptionChange {
    None,
    /// With what becomes of interest at a conversion.
    Added(OnConversion),
    Eliminated,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Modification {
    pub date: Date,
    pub framework: Framework,
    pub coupon_rate: Option<Trillionths>,
    pub maturity: Option<Date>,
    pub redemption: Option<Trillionths>,
    pub amortization_end: Option<Date>,
    pub option: OptionChange,
    /// Fair values before and after.
    pub option_values: Option<(i128, i128)>,
    pub fees: i128,
    pub costs: i128,
    pub fair_value: Option<i128>,
    pub callable_before: Option<Trillionths>,
    pub callable_after: Option<Trillionths>,
}

#[allow(clippy::large_enum_variant, reason = "few exist at a time, and events are copied")]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Revision {
    Modification(Modification),
    /// Under IFRS alone; `None` for maturity.
    Estimate {
        date: Date,
        expected: Option<(Date, Trillionths)>,
    },
    IssueCosts {
        date: Date,
        change: i128,
        /// Whether the period of the settlement is open.
        is_open_since_settlement: bool,
    },
}

impl Revision {
    /// The date that is stated; what is corrected from settlement counts from there.
    pub fn date(&self) -> Date {
        match self {
            Revision::Modification(to) => to.date,
            Revision::Estimate { date, .. } | Revision::IssueCosts { date, .. } => *date,
        }
    }
}

/// The test of ten percent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tested {
    pub before: i128,
    pub after: i128,
    /// As a fraction of what was before, fees added.
    pub change: BigRational,
}

/// Why terms are substantially different.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Because {
    OptionAdded,
    OptionEliminated,
    OptionValue,
    CashFlows,
    Neither,
}

/// What a revision came to when it was recorded.
#[derive(Clone)]
pub struct Revised {
    pub date: Date,
    pub principal: i128,
    pub carrying_before: i128,
    pub carrying_after: i128,
    /// A gain is positive, whether on an extinguishment or in interest expense.
    pub gain_loss: i128,
    /// Movements of the entry: of premium or discount and issue costs as in a position, cash received, expense and capital.
    pub premium_discount: i128,
    pub issue_costs: i128,
    pub cash: i128,
    pub expense: i128,
    pub extinguishment_gain: i128,
    pub capital: i128,
    pub tested: Option<(Tested, Because)>,
    pub part: Part,
}
