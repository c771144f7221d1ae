//! Acknowledgements: what the ledger answers to a release, and what is still open.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::TotalsDocument;
use super::wire::{DateString, DecimalString};

/// Whether the ledger posted a release, all of it, or nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AcknowledgedStatus {
    /// The ledger posted all of it.
    Acknowledged,
    /// The ledger posted nothing of it.
    Rejected,
}

impl AcknowledgedStatus {
    /// The name on the interface and in the store.
    pub fn name(self) -> &'static str {
        match self {
            AcknowledgedStatus::Acknowledged => "acknowledged",
            AcknowledgedStatus::Rejected => "rejected",
        }
    }
}

/// What the ledger did with the newest release of a batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AcknowledgementRequest {
    /// The revision that the ledger has seen.
    #[schema(minimum = 1)]
    pub revision: u32,
    pub status: AcknowledgedStatus,
    /// The number under which the ledger posted it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "4900017731")]
    pub document_number: Option<String>,
    /// The date on which the ledger posted it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ledger_posting_date: Option<DateString>,
    /// Why it was rejected; required then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What the ledger counted. If given, it must be what was released.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub totals: Option<RepeatedTotals>,
    /// The hash of the release that the ledger has. If given, it must be that of the revision.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub release_sha256: Option<String>,
}

/// Control totals as the ledger counted them; what is left out is not compared.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RepeatedTotals {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entries: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lines: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub debit: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub credit: Option<DecimalString>,
}

impl RepeatedTotals {
    /// The first total that differs from what was released: its name, what the ledger counted, and what it should be.
    pub fn difference(&self, released: &TotalsDocument) -> Option<(&'static str, String, String)> {
        let count = |name, counted: Option<u64>, should: usize| {
            let counted = counted.filter(|counted| usize::try_from(*counted) != Ok(should))?;
            Some((name, counted.to_string(), should.to_string()))
        };
        let sum = |name, counted: Option<DecimalString>, should: &String| {
            let counted = counted.filter(|counted| should.parse() != Ok(counted.0))?;
            Some((name, counted.to_string(), should.clone()))
        };
        count("entries", self.entries, released.entries)
            .or_else(|| count("lines", self.lines, released.lines))
            .or_else(|| sum("debit", self.debit, &released.debit))
            .or_else(|| sum("credit", self.credit, &released.credit))
    }
}

/// What the ledger answered to a release, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AcknowledgementDocument {
    pub revision: i64,
    pub status: AcknowledgedStatus,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub document_number: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ledger_posting_date: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Null in a preview.
    pub acknowledged_at: Option<String>,
}

/// The answer to an acknowledgement.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AcknowledgementAnswer {
    /// The batch's id.
    pub batch: String,
    pub number: String,
    pub release: i64,
    #[serde(flatten)]
    pub acknowledgement: AcknowledgementDocument,
    pub totals: TotalsDocument,
    pub release_sha256: String,
}

/// A batch that is released again after the ledger rejected it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReleasedAgain {
    /// The batch's id.
    pub batch: String,
    pub number: String,
    /// Null in a preview, as what follows from it.
    pub release: Option<i64>,
    pub revision: i64,
    pub released_at: Option<String>,
    pub release_sha256: Option<String>,
}

/// A release that the ledger has not answered.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct OpenRelease {
    pub release: i64,
    /// The batch's id.
    pub batch: String,
    pub number: String,
    pub revision: i64,
    pub currency: String,
    pub posting_date: String,
    pub released_at: String,
    /// Whole seconds from `released_at` to `known_at`.
    pub open_seconds: i64,
    pub totals: TotalsDocument,
}
