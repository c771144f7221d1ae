//! What can be recorded, and what surrounds it.

use std::sync::Arc;

use jiff::civil::Date;

use super::destination::DestinationCommand;
use super::import::IssueSource;
use crate::document::{
    AccountMappingDocument, AccrualRequest, AcknowledgementRequest, BondIssueDocument, CloseRequest, ConversionRequest,
    CouponPaymentRequest, EntityDocument, EstimateRequest, InducementRequest, IssueCostAdjustmentRequest, Layout,
    ModificationRequest, RateAdjustmentRequest, ReclassificationRequest, RedemptionRequest, ReopenRequest,
    RepurchaseRequest, ReversalRequest,
};

/// A command to record.
#[derive(Clone, Debug)]
pub enum Command {
    CreateEntity(EntityDocument),
    MapAccounts {
        entity: String,
        bond_issue: Option<String>,
        effective_from: Date,
        mapping: AccountMappingDocument,
    },
    StoreLayout {
        entity: String,
        name: String,
        layout: Box<Layout>,
    },
    Issue(Box<BondIssueDocument>),
    /// Many issues in one commit.
    ImportIssues {
        entity: String,
        issues: Arc<dyn IssueSource>,
    },
    AccrueEntity {
        entity: String,
        request: AccrualRequest,
    },
    OnIssue {
        entity: String,
        bond_issue: String,
        command: IssueCommand,
    },
    /// Conversions of one issue, each an event of its own, with batches that they share.
    ConvertMany {
        entity: String,
        bond_issue: String,
        notices: Vec<ConversionRequest>,
    },
    OnSeries {
        entity: String,
        series: String,
        command: SeriesCommand,
    },
    OnDestination {
        entity: String,
        name: String,
        command: DestinationCommand,
    },
    Acknowledge {
        entity: String,
        batch: String,
        request: AcknowledgementRequest,
    },
    ReleaseAgain {
        entity: String,
        batch: String,
    },
    ClosePeriod {
        entity: String,
        period: String,
        request: CloseRequest,
    },
    ReopenPeriod {
        entity: String,
        period: String,
        request: ReopenRequest,
    },
}

/// A command on all issues of a series.
#[derive(Clone, Debug)]
pub enum SeriesCommand {
    Convert(ConversionRequest),
    PayCoupon(CouponPaymentRequest),
}

impl SeriesCommand {
    /// Under which references of such commands are unique: those of one issue too.
    pub fn kind(&self) -> &'static str {
        match self {
            SeriesCommand::Convert(_) => "conversion",
            SeriesCommand::PayCoupon(_) => "coupon_payment",
        }
    }

    /// What its record in the chain is called.
    pub fn record_kind(&self) -> &'static str {
        match self {
            SeriesCommand::Convert(_) => "series_conversion",
            SeriesCommand::PayCoupon(_) => "series_coupon_payment",
        }
    }

    fn reference(&self) -> Option<&str> {
        match self {
            SeriesCommand::Convert(request) => request.reference.as_deref(),
            SeriesCommand::PayCoupon(request) => request.reference.as_deref(),
        }
    }
}

/// A command on one bond issue.
#[derive(Clone, Debug)]
pub enum IssueCommand {
    Accrue(AccrualRequest),
    PayCoupon(CouponPaymentRequest),
    Convert(ConversionRequest),
    Induce(Box<InducementRequest>),
    Repurchase(RepurchaseRequest),
    Redeem(RedemptionRequest),
    AdjustRate(Box<RateAdjustmentRequest>),
    Modify(Box<ModificationRequest>),
    Estimate(EstimateRequest),
    AdjustIssueCosts(IssueCostAdjustmentRequest),
    Reclassify(Box<ReclassificationRequest>),
    Reverse(Box<Reversing>),
}

/// A reversal of the event behind a batch.
#[derive(Clone, Debug)]
pub struct Reversing {
    /// The event's id.
    pub event: String,
    /// Whether the batch that was named holds accruals alone.
    pub holds_accruals_alone: bool,
    pub request: ReversalRequest,
}

impl Command {
    /// The entity whose books it changes.
    pub fn entity(&self) -> &str {
        match self {
            Command::CreateEntity(document) => &document.code,
            Command::Issue(document) => &document.entity,
            Command::MapAccounts { entity, .. }
            | Command::StoreLayout { entity, .. }
            | Command::AccrueEntity { entity, .. }
            | Command::OnIssue { entity, .. }
            | Command::ConvertMany { entity, .. }
            | Command::ImportIssues { entity, .. }
            | Command::Acknowledge { entity, .. }
            | Command::ReleaseAgain { entity, .. }
            | Command::ClosePeriod { entity, .. }
            | Command::ReopenPeriod { entity, .. }
            | Command::OnSeries { entity, .. }
            | Command::OnDestination { entity, .. } => entity,
        }
    }

    /// The bond issue that it is on, if on one.
    pub fn bond_issue(&self) -> Option<&str> {
        match self {
            Command::OnIssue { bond_issue, .. } | Command::ConvertMany { bond_issue, .. } => Some(bond_issue),
            _ => None,
        }
    }
}

impl Command {
    /// The kind and reference that must name nothing else in the entity, if the command has a reference.
    pub fn natural_key(&self) -> Option<(&'static str, &str)> {
        match self {
            Command::Issue(document) => Some(("bond_issue", &document.reference)),
            Command::AccrueEntity { request, .. } => {
                request.reference.as_deref().map(|reference| ("accrual", reference))
            }
            Command::OnIssue { command, .. } => command.reference().map(|reference| (command.kind(), reference)),
            Command::OnSeries { command, .. } => command.reference().map(|reference| (command.kind(), reference)),
            Command::CreateEntity(_)
            | Command::MapAccounts { .. }
            | Command::StoreLayout { .. }
            | Command::ConvertMany { .. }
            | Command::ImportIssues { .. }
            | Command::Acknowledge { .. }
            | Command::ReleaseAgain { .. }
            | Command::ClosePeriod { .. }
            | Command::ReopenPeriod { .. }
            | Command::OnDestination { .. } => None,
        }
    }
}

impl IssueCommand {
    /// Under which references of such commands are unique.
    pub fn kind(&self) -> &'static str {
        match self {
            IssueCommand::Accrue(_) => "accrual",
            IssueCommand::PayCoupon(_) => "coupon_payment",
            IssueCommand::Convert(_) => "conversion",
            IssueCommand::Induce(_) => "inducement",
            IssueCommand::Repurchase(_) => "repurchase",
            IssueCommand::Redeem(_) => "redemption",
            IssueCommand::AdjustRate(_) => "rate_adjustment",
            IssueCommand::Modify(_) => "modification",
            IssueCommand::Estimate(_) => "estimate",
            IssueCommand::AdjustIssueCosts(_) => "issue_cost_adjustment",
            IssueCommand::Reclassify(_) => "reclassification",
            IssueCommand::Reverse(_) => "reversal",
        }
    }

    fn reference(&self) -> Option<&str> {
        match self {
            IssueCommand::Accrue(request) => request.reference.as_deref(),
            IssueCommand::PayCoupon(request) => request.reference.as_deref(),
            IssueCommand::Convert(request) => request.reference.as_deref(),
            IssueCommand::Induce(request) => request.reference.as_deref(),
            IssueCommand::Repurchase(request) => request.reference.as_deref(),
            IssueCommand::Redeem(request) => request.reference.as_deref(),
            IssueCommand::AdjustRate(request) => request.reference.as_deref(),
            IssueCommand::Modify(request) => request.reference.as_deref(),
            IssueCommand::Estimate(request) => request.reference.as_deref(),
            IssueCommand::AdjustIssueCosts(request) => request.reference.as_deref(),
            IssueCommand::Reclassify(request) => request.reference.as_deref(),
            IssueCommand::Reverse(reversing) => reversing.request.reference.as_deref(),
        }
    }
}

/// The key under which a request is recorded at most once, with the fingerprint of the request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IdempotencyKey {
    pub key: String,
    pub fingerprint: String,
}

/// What surrounds a command.
#[derive(Clone, Debug, Default)]
pub struct Context {
    pub request_id: String,
    /// Who asks: the name of the token.
    pub actor: String,
    pub idempotency: Option<IdempotencyKey>,
    /// The preview that the result must equal.
    pub preview_sha256: Option<String>,
    /// Tags of the issue of which its current one must be one.
    pub if_match: Option<Vec<String>>,
}
