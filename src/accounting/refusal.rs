//! Why a rule said no.

use std::fmt;

use jiff::civil::Date;
use rust_decimal::Decimal;

/// Whether a refused command can ever be right.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// Never right: the command itself must change.
    Never,
    /// Right in itself, but not in the state that the books are in.
    NotNow,
}

/// A rule's refusal: a value to match on, with a stable code and the figures involved. Its text tells what to change.
///
/// Amounts are decimals in major units.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// A figure that does not fit in 64 bits of minor units, or 28 digits.
    Overflow,
    TooManyDecimals {
        field: Option<&'static str>,
        amount: Decimal,
        currency: &'static str,
        exponent: u8,
    },
    /// A field whose value can never be right; `rule` says what would be.
    InvalidField {
        field: &'static str,
        value: String,
        rule: String,
    },
    /// A row of a list that can never be right.
    InvalidRow {
        list: &'static str,
        at: usize,
        field: &'static str,
        detail: String,
    },
    /// A field that is missing here.
    MissingField {
        field: &'static str,
        because: String,
    },
    /// Two fields that contradict each other.
    Contradiction {
        field: &'static str,
        detail: String,
    },
    PrincipalNotMultiple {
        principal: Decimal,
        denomination: Decimal,
    },
    NoRateExplains {
        field: &'static str,
        what: &'static str,
        proceeds: Decimal,
        flows: Decimal,
        lowest: Decimal,
        highest: Decimal,
    },
    StatedRateDiffers {
        stated: Decimal,
        solved: Decimal,
        difference: Decimal,
        allowed: Decimal,
    },
    NotACouponDate {
        field: &'static str,
        date: Date,
        nearest: Option<Date>,
    },
    BeforeSettlement {
        field: &'static str,
        date: Date,
        settlement_date: Date,
    },
    BeforeOpening {
        field: &'static str,
        date: Date,
        opening_date: Date,
    },
    AfterMaturity {
        field: &'static str,
        date: Date,
        maturity_date: Date,
    },
    NoConversionTerms,
    FractionWithoutPrice {
        shares: Decimal,
    },
    NotSupported {
        field: &'static str,
        detail: String,
    },
    ExceedsOutstanding {
        principal: Decimal,
        /// Of which `surrendered` bears no interest any more and waits for its settlement.
        outstanding: Decimal,
        surrendered: Decimal,
        date: Date,
    },
    LaterEventInTheWay {
        principal: Decimal,
        outstanding: Decimal,
        date: Date,
    },
    /// Something recorded for a later date rests on what would change.
    LaterEventDepends {
        what: &'static str,
        on: Date,
        date: Date,
    },
    /// An event cannot be reversed while another one rests on it.
    DependentEvent {
        reversed: String,
        dependent: String,
        date: Date,
    },
    /// A reversal, or an accrual: neither is ever reversed.
    NotReversible {
        what: String,
        instead: String,
    },
    AlreadyReversed {
        by: String,
    },
    CouponAlreadyPaid {
        coupon_date: Date,
    },
    NothingDue {
        coupon_date: Date,
    },
    AcceptanceAlreadySettled {
        acceptance: String,
    },
    NothingOutstanding {
        date: Date,
    },
    AlreadyReclassified {
        date: Date,
        event: String,
    },
    SurrenderAlreadySettled {
        surrender: String,
    },
}

impl Refusal {
    /// The stable code, in snake case.
    pub fn code(&self) -> &'static str {
        match self {
            Refusal::Overflow => "overflow",
            Refusal::TooManyDecimals { .. } => "too_many_decimals",
            Refusal::InvalidField { .. }
            | Refusal::InvalidRow { .. }
            | Refusal::MissingField { .. }
            | Refusal::Contradiction { .. } => "invalid_field",
            Refusal::PrincipalNotMultiple { .. } => "principal_not_multiple_of_denomination",
            Refusal::NoRateExplains { .. } => "no_rate_explains_proceeds",
            Refusal::StatedRateDiffers { .. } => "stated_rate_differs",
            Refusal::NotACouponDate { .. } => "not_a_coupon_date",
            Refusal::BeforeSettlement { .. } => "before_settlement",
            Refusal::BeforeOpening { .. } => "before_opening_balance",
            Refusal::AfterMaturity { .. } => "after_maturity",
            Refusal::NoConversionTerms => "no_conversion_terms",
            Refusal::FractionWithoutPrice { .. } => "share_price_required",
            Refusal::NotSupported { .. } => "not_supported",
            Refusal::ExceedsOutstanding { .. } => "exceeds_outstanding",
            Refusal::LaterEventInTheWay { .. } | Refusal::LaterEventDepends { .. } | Refusal::DependentEvent { .. } => {
                "later_event_in_the_way"
            }
            Refusal::NotReversible { .. } => "not_reversible",
            Refusal::AlreadyReversed { .. } => "already_reversed",
            Refusal::CouponAlreadyPaid { .. } => "coupon_already_paid",
            Refusal::NothingDue { .. } => "nothing_due",
            Refusal::AcceptanceAlreadySettled { .. } => "acceptance_already_settled",
            Refusal::NothingOutstanding { .. } => "nothing_outstanding",
            Refusal::AlreadyReclassified { .. } => "already_reclassified",
            Refusal::SurrenderAlreadySettled { .. } => "surrender_already_settled",
        }
    }

    /// Whether it can ever be right.
    pub fn class(&self) -> Class {
        match self {
            Refusal::ExceedsOutstanding { .. }
            | Refusal::LaterEventInTheWay { .. }
            | Refusal::LaterEventDepends { .. }
            | Refusal::DependentEvent { .. }
            | Refusal::AlreadyReversed { .. }
            | Refusal::CouponAlreadyPaid { .. }
            | Refusal::NothingDue { .. }
            | Refusal::AcceptanceAlreadySettled { .. }
            | Refusal::NothingOutstanding { .. }
            | Refusal::AlreadyReclassified { .. }
            | Refusal::SurrenderAlreadySettled { .. } => Class::NotNow,
            _ => Class::Never,
        }
    }

    /// The field of the command that is at fault, where one is.
    pub fn field(&self) -> Option<&'static str> {
        match self {
            Refusal::InvalidRow { list, .. } => Some(list),
            Refusal::InvalidField { field, .. }
            | Refusal::MissingField { field, .. }
            | Refusal::Contradiction { field, .. }
            | Refusal::NotACouponDate { field, .. }
            | Refusal::BeforeSettlement { field, .. }
            | Refusal::BeforeOpening { field, .. }
            | Refusal::AfterMaturity { field, .. }
            | Refusal::NotSupported { field, .. } => Some(field),
            Refusal::PrincipalNotMultiple { .. } | Refusal::ExceedsOutstanding { .. } => Some("principal"),
            Refusal::NoRateExplains { field, .. } => Some(field),
            Refusal::StatedRateDiffers { .. } => Some("stated_effective_rate"),
            Refusal::TooManyDecimals { field, .. } => *field,
            Refusal::FractionWithoutPrice { .. } => Some("share_price"),
            Refusal::CouponAlreadyPaid { .. } | Refusal::NothingDue { .. } => Some("coupon_date"),
            Refusal::AcceptanceAlreadySettled { .. } => Some("acceptance"),
            Refusal::LaterEventDepends { .. } | Refusal::NothingOutstanding { .. } => Some("effective_date"),
            Refusal::AlreadyReclassified { .. } => Some("balance_sheet_date"),
            Refusal::SurrenderAlreadySettled { .. } => Some("surrender"),
            Refusal::Overflow
            | Refusal::NoConversionTerms
            | Refusal::LaterEventInTheWay { .. }
            | Refusal::DependentEvent { .. }
            | Refusal::NotReversible { .. }
            | Refusal::AlreadyReversed { .. } => None,
        }
    }

    /// Where in the command's document the fault is, as a JSON pointer (RFC 6901); empty where no field is at fault.
    pub fn pointer(&self) -> String {
        match self {
            Refusal::InvalidRow { list, at, field, .. } => format!("/{list}/{at}/{field}"),
            other => other.field().map(|field| format!("/{field}")).unwrap_or_default(),
        }
    }

    /// The same refusal, naming the field that it is about if it does not yet.
    #[must_use]
    pub fn of_field(self, name: &'static str) -> Refusal {
        match self {
            Refusal::TooManyDecimals { field: None, amount, currency, exponent } => {
                Refusal::TooManyDecimals { field: Some(name), amount, currency, exponent }
            }
            other => other,
        }
    }

    /// A field whose value can never be right.
    pub fn invalid(field: &'static str, value: impl fmt::Display, rule: impl Into<String>) -> Refusal {
        Refusal::InvalidField { field, value: value.to_string(), rule: rule.into() }
    }

    /// A field that is missing here.
    pub fn missing(field: &'static str, because: impl Into<String>) -> Refusal {
        Refusal::MissingField { field, because: because.into() }
    }

    /// A field that another one contradicts.
    pub fn contradiction(field: &'static str, detail: impl Into<String>) -> Refusal {
        Refusal::Contradiction { field, detail: detail.into() }
    }

    /// A field whose value is right, but that this service cannot account for yet.
    pub fn not_supported(field: &'static str, detail: impl Into<String>) -> Refusal {
        Refusal::NotSupported { field, detail: detail.into() }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::Overflow => {
                f.write_str("a figure is too large to be computed exactly; amounts may have up to 10^15 minor units")
            }
            Refusal::TooManyDecimals { amount, currency, exponent, .. } => {
                write!(f, "{amount} has more decimals than {currency} has: give at most {exponent}")
            }
            Refusal::InvalidField { field, value, rule } => write!(f, "{field} is {value}, but {rule}"),
            Refusal::MissingField { field, because } => write!(f, "{field} is missing: {because}"),
            Refusal::InvalidRow { detail, .. } | Refusal::Contradiction { detail, .. } => f.write_str(detail),
            Refusal::PrincipalNotMultiple { principal, denomination } => {
                write!(
                    f,
                    "principal {principal} is no multiple of the denomination {denomination}; bonds are held in whole denominations"
                )
            }
            Refusal::NoRateExplains { what, proceeds, flows, lowest, highest, .. } => write!(
                f,
                "no effective rate between {lowest} and {highest} a year explains {what} of {proceeds} against future payments of {flows}; \
                 check proceeds, issue costs, coupon rate and dates"
            ),
            Refusal::StatedRateDiffers { stated, solved, difference, allowed } => write!(
                f,
                "the stated effective rate {stated} leaves a difference of {difference} in the last period, more than {allowed} (2% of discount, \
                 premium and issue costs together), and the rate that proceeds and issue costs imply is {solved}; state that rate or leave it out"
            ),
            Refusal::NotACouponDate { field, date, nearest: Some(nearest) } => {
                write!(f, "{field} {date} is no coupon date of this issue; the nearest one is {nearest}")
            }
            Refusal::NotACouponDate { field, date, nearest: None } => {
                write!(f, "{field} {date} is no coupon date: this issue pays no coupons")
            }
            Refusal::BeforeSettlement { field, date, settlement_date } => {
                write!(
                    f,
                    "{field} {date} is before the settlement date {settlement_date}; nothing was outstanding then"
                )
            }
            Refusal::BeforeOpening { field, date, opening_date } => write!(
                f,
                "{field} {date} is not after {opening_date}, at whose close the books were taken over; what happened until then is part of \
                 the opening balance"
            ),
            Refusal::AfterMaturity { field, date, maturity_date } => {
                write!(f, "{field} {date} is after the maturity date {maturity_date}")
            }
            Refusal::NoConversionTerms => f.write_str(
                "this issue has no conversion terms; only an issue recorded with `conversion` can be converted",
            ),
            Refusal::FractionWithoutPrice { shares } => write!(
                f,
                "{shares} shares leave a fraction that is paid in cash: give share_price, or fractional_shares \"round_down\" if the terms drop it"
            ),
            Refusal::NotSupported { detail, .. } => f.write_str(detail),
            Refusal::ExceedsOutstanding { principal, outstanding, surrendered, date } if surrendered.is_zero() => {
                write!(f, "principal {principal} is more than the {outstanding} outstanding on {date}")
            }
            Refusal::ExceedsOutstanding { principal, outstanding, surrendered, date } => write!(
                f,
                "principal {principal} is more than what is left of the {outstanding} outstanding on {date}: {surrendered} of it is surrendered for \
                 conversion and not settled"
            ),
            Refusal::LaterEventInTheWay { principal, outstanding, date } => write!(
                f,
                "principal {principal} would leave less than nothing after the event of {date}, when {outstanding} is outstanding; \
                 reverse that event first or record less"
            ),
            Refusal::LaterEventDepends { what, on, date } => write!(
                f,
                "the {what} cannot change from {on} on: an event of {date} that is recorded already rests on it"
            ),
            Refusal::DependentEvent { reversed, dependent, date } => {
                write!(f, "the {dependent} of {date} rests on this {reversed}: reverse that first, then this")
            }
            Refusal::NotReversible { what, instead } => write!(f, "{what} cannot be reversed: {instead}"),
            Refusal::AlreadyReversed { by } => write!(f, "this is reversed already, by the event {by}"),
            Refusal::CouponAlreadyPaid { coupon_date } => write!(f, "the coupon of {coupon_date} is paid already"),
            Refusal::NothingDue { coupon_date } => {
                write!(f, "nothing is due on {coupon_date}: no principal was outstanding before it")
            }
            Refusal::AcceptanceAlreadySettled { acceptance } => {
                write!(f, "the acceptance {acceptance} is settled already")
            }
            Refusal::NothingOutstanding { date } => {
                write!(f, "nothing is outstanding on {date}, so that there is nothing to revise")
            }
            Refusal::AlreadyReclassified { date, event } => {
                write!(f, "the current portion on {date} is recorded already, by the event {event}; reverse that first")
            }
            Refusal::SurrenderAlreadySettled { surrender } => {
                write!(f, "the surrender {surrender} is settled already")
            }
        }
    }
}

impl std::error::Error for Refusal {}
