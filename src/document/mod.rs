//! The documents of the interface: what a request carries, what an answer shows, and what the store keeps as JSON. Core types
//! are not serializable by design; these are their counterparts, converted by hand.

mod acknowledgement;
mod answer;
mod batch;
mod bond_issue;
mod carrying_value;
mod classification;
mod closing;
mod commands;
mod conversion;
mod conversion_terms;
mod destination;
mod entity;
mod extinguishment;
mod journal_line;
mod layout;
mod opening_balance;
mod rate_adjustment;
mod reversal;
mod revision;
mod sale_price;
mod stored_revision;
mod surrender;
pub mod wire;

pub use acknowledgement::{
    AcknowledgedStatus, AcknowledgementAnswer, AcknowledgementDocument, AcknowledgementRequest, OpenRelease,
    ReleasedAgain, RepeatedTotals,
};
pub use answer::{
    ConversionBlock, ConversionNoticeItem, ConversionNoticesAnswer, CouponPaymentBlock, EntityAccrualAnswer,
    EventDocument, InducementBlock, IssuanceBlock, PositionDocument, RecordingAnswer, SeriesAnswer, SeriesItem,
    SkippedIssue,
};
pub use batch::{
    BatchDocument, BatchHeadDocument, DerivationDocument, EntryDocument, LineDocument, StatementEffectsDocument,
    TotalsDocument, hex,
};
pub use bond_issue::{BondIssueAnswer, BondIssueDocument, EffectiveRateDocument, StoredRates};
pub use carrying_value::{CarryingValueDocument, ComponentsDocument, ReconcilingItem};
pub use classification::{
    ClassificationDocument, DebtDocument, ReclassificationBlock, ReclassificationRequest, ReclassifiedDocument,
};
pub use closing::{
    CloseRequest, ExpectedName, InTheWay, PeriodCloseDocument, PeriodClosed, PeriodDocument, PeriodReopenDocument,
    PeriodReopened, PeriodStatus, PeriodsDocument, ReopenRequest, WaiverDocument,
};
pub use commands::{
    AccrualRequest, CouponPaymentRequest, CriteriaDocument, InducementRequest, OtherConsiderationDocument,
};
pub use conversion::{ConversionNoticesRequest, ConversionRequest, SettlementDocument};
#[cfg(test)]
pub use conversion_terms::ConversionDocument;
pub use destination::{AttemptDocument, DestinationDocument, DestinationRequest, DestinationState, ReplayRequest};
pub use entity::{
    AccountDocument, AccountMappingDocument, EntityDocument, FiscalCalendarDocument, FrameworkName, WeekYearEnd,
    WeekdayName,
};
pub use extinguishment::{ExtinguishmentBlock, RedemptionKindName, RedemptionRequest, RepurchaseRequest};
pub use journal_line::{Field, JournalLineDocument, Value};
pub use layout::{
    Cell, Column, ColumnDocument, DatePart, DecimalMarkName, DelimiterName, EncodingName, FormulaTextName, Layout,
    LayoutDocument, LayoutError, LineEndName, QuotingName, StoredLayout, in_latin1,
};
pub use opening_balance::{OpeningBalanceDocument, OpeningInterestBlock};
pub use rate_adjustment::{AdjustmentReasonName, RateAdjustmentBlock, RateAdjustmentRequest};
pub use reversal::{ReversalBlock, ReversalRequest};
pub use revision::{
    ConversionOptionDocument, EstimateBlock, EstimateRequest, IssueCostAdjustmentBlock, IssueCostAdjustmentRequest,
    ModificationBlock, ModificationRequest,
};
pub use sale_price::{SalePriceAnswer, SalePriceRequest};
pub use stored_revision::{RevisionDocument, StoredRevision};
pub use surrender::{SurrenderBlock, SurrenderedDocument};

use rust_decimal::Decimal;

use crate::accounting::Refusal;
use crate::accounting::money::{Amount, Currency};

/// A rate as it is answered: sixteen decimals.
pub(crate) fn rate(rate: Decimal) -> String {
    let mut rate = rate.round_dp(16);
    rate.rescale(16);
    rate.to_string()
}

/// An amount as it stands in a document: all decimals of the currency.
pub fn money(amount: Amount, currency: Currency) -> String {
    amount.to_major(currency).to_string()
}

/// The same, or nothing of nothing.
fn unless_zero(amount: Amount, currency: Currency) -> Option<String> {
    (!amount.is_zero()).then(|| money(amount, currency))
}

/// The largest amount of a request, in minor units: sums of many such amounts stay exact.
const LARGEST: u64 = 1_000_000_000_000_000;

/// The amount of a field of a request.
///
/// # Errors
/// A [`Refusal`] that names the field.
fn amount(field: &'static str, figure: wire::DecimalString, currency: Currency) -> Result<Amount, Refusal> {
    match Amount::from_major(figure.0, currency) {
        Ok(amount) if amount.minor().unsigned_abs() <= LARGEST => Ok(amount),
        Ok(_) | Err(Refusal::Overflow) => {
            Err(Refusal::invalid(field, figure, "an amount may have at most 10^15 minor units"))
        }
        Err(other) => Err(other.of_field(field)),
    }
}
