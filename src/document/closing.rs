//! Closing fiscal periods and opening them again.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::wire::DateString;
use super::{BatchHeadDocument, SkippedIssue};

/// Close a fiscal period.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CloseRequest {
    /// For what is expected by the last day and not recorded, and is not to be. They are of this close alone: what is still expected at
    /// the next one is waived again there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub waivers: Vec<WaiverDocument>,
    /// Close income and expense of the fiscal years that end in what is locked to retained earnings, for a ledger that does not do so itself:
    /// by issue, in one batch a currency on the year's last day. Opening the period again takes them back. Without it there are none, but for
    /// a period that was closed with them and opened again, which is closed as it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closing_entries: Option<bool>,
}

/// Why something that is expected is not recorded, and who says so. It is printed with the rollforward of the period.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaiverDocument {
    pub bond_issue: String,
    pub expected: ExpectedName,
    /// When it is expected.
    pub date: DateString,
    #[schema(example = "the trustee pays holders on the first working day of February")]
    pub reason: String,
    /// Who waives it.
    #[schema(example = "A. Controller")]
    pub name: String,
}

/// What a close expects to be recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ExpectedName {
    /// The payment of a coupon that fell due.
    CouponPayment,
    /// The redemption of what was outstanding at maturity.
    Maturity,
    /// The settlement of an offer that was accepted.
    InducementSettlement,
    /// The redemption of bonds that holders put on a date of the terms; waived where none did.
    Put,
}

impl ExpectedName {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            ExpectedName::CouponPayment => "coupon_payment",
            ExpectedName::Maturity => "maturity",
            ExpectedName::InducementSettlement => "inducement_settlement",
            ExpectedName::Put => "put",
        }
    }

    /// The code of what stands in the way of a close.
    pub fn code(self) -> &'static str {
        match self {
            ExpectedName::CouponPayment => "coupon_payment_expected",
            ExpectedName::Maturity => "maturity_expected",
            ExpectedName::InducementSettlement => "inducement_settlement_expected",
            ExpectedName::Put => "put_expected",
        }
    }
}

/// Open the last closed period again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReopenRequest {
    pub reason: String,
    /// Who opens it.
    pub name: String,
}

/// Something that stands in the way of a close.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct InTheWay {
    /// `unmapped_role`, `batch_not_released`, `carrying_value_does_not_tie`, `rollforward_does_not_tie`, `accrual_does_not_tie`,
    /// `coupon_payment_expected`, `maturity_expected`, `inducement_settlement_expected` or `put_expected`. Expect new ones.
    #[schema(value_type = String, example = "coupon_payment_expected")]
    pub code: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bond_issue: Option<String>,
    /// The issue's reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// The number of the batch.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// What a waiver would have to name; absent where nothing can be waived.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected: Option<ExpectedName>,
    pub date: String,
    /// What is due or outstanding, or by how much something does not tie.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amount: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub currency: Option<String>,
    /// What it is and what to do.
    pub detail: String,
}

/// Whether something can be posted into a period.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PeriodStatus {
    Open,
    Closed,
}

/// What closing a period did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodClosed {
    pub period: String,
    pub first_day: String,
    pub last_day: String,
    pub status: PeriodStatus,
    /// Null in a preview.
    pub sequence: Option<i64>,
    /// When it was closed: as `known_at`, this gives any report as it was then. Null in a preview.
    pub recorded_at: Option<String>,
    pub waivers: Vec<WaiverDocument>,
    /// Whether fiscal years that end in it were closed to retained earnings; absent where not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub closing_entries: bool,
    /// What was accrued, and closed to retained earnings, without entries, which may be many.
    pub journal_batches: Vec<BatchHeadDocument>,
    /// Issues for which there was nothing to accrue.
    pub skipped: Vec<SkippedIssue>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// What opening a period again did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodReopened {
    pub period: String,
    pub first_day: String,
    pub last_day: String,
    pub status: PeriodStatus,
    pub reason: String,
    pub name: String,
    /// Null in a preview.
    pub sequence: Option<i64>,
    /// Null in a preview.
    pub recorded_at: Option<String>,
    /// What takes the closing entries back with which it was closed, without entries.
    pub journal_batches: Vec<BatchHeadDocument>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_sha256: Option<String>,
}

/// A fiscal period.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodDocument {
    #[schema(example = "2026-01")]
    pub period: String,
    pub first_day: String,
    pub last_day: String,
    pub status: PeriodStatus,
    /// The last close of it, even if it was opened again since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub close: Option<PeriodCloseDocument>,
    /// Its last reopening, if it is open since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reopened: Option<PeriodReopenDocument>,
    /// What stands in the way of closing it: of an open period that is asked for, and of the first open one in a list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_the_way: Option<Vec<InTheWay>>,
}

/// When a period was closed, and what was waived.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodCloseDocument {
    /// The period that was closed, and this one with it; an entity's first close closes all before.
    pub period: String,
    pub sequence: i64,
    pub recorded_at: String,
    pub waivers: Vec<WaiverDocument>,
    /// Whether fiscal years that end in it were closed to retained earnings; absent where not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub closing_entries: bool,
}

/// When a period was opened again, by whom and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodReopenDocument {
    pub sequence: i64,
    pub recorded_at: String,
    pub reason: String,
    pub name: String,
}

/// The fiscal periods of an entity, from the first in which anything is posted to the one after the last.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PeriodsDocument {
    pub entity: String,
    /// The last day of the last closed period.
    pub closed_through: Option<String>,
    pub items: Vec<PeriodDocument>,
}
