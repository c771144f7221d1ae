//! Transactions: what is recorded on an issue.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;

use super::App;
use crate::document::{
    AccrualRequest, ConversionNoticesAnswer, ConversionNoticesRequest, ConversionRequest, CouponPaymentRequest,
    EntityAccrualAnswer, EstimateRequest, InducementRequest, IssueCostAdjustmentRequest, ModificationRequest,
    RateAdjustmentRequest, ReclassificationRequest, RecordingAnswer, RedemptionRequest, RepurchaseRequest,
    ReversalRequest,
};
use crate::http::body::Fingerprint;
use crate::http::extract::{Body, Notices, Path, Recording};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::{EntityPath, IdPath};
use crate::http::problem::Problem;
use crate::posting::{Command, IssueCommand, Reversing};

async fn on_issue(
    app: Arc<App>,
    id: &impl ToString,
    entity: &str,
    command: IssueCommand,
    recording: Recording,
    fingerprint: Fingerprint,
) -> Result<Response, Problem> {
    let command = Command::OnIssue { entity: entity.to_owned(), bond_issue: id.to_string(), command };
    app.record(command, recording, fingerprint).await
}

/// Accrue all issues of an entity
///
/// Interest and amortization of every issue through a date, cut at the close of each fiscal period. Answers 200 without batches
/// when there is nothing to post.
#[utoipa::path(post, operation_id = "accrue_entity", path = "/v1/entities/{entity}/accruals", tag = "transactions", params(EntityPath, Recording),
    request_body = AccrualRequest,
    responses((status = 201, description = "What was posted", body = EntityAccrualAnswer)))]
pub async fn accrue_entity(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    recording: Recording,
    body: Body<AccrualRequest>,
) -> Result<Response, Problem> {
    let command = Command::AccrueEntity { entity: entity.as_str().to_owned(), request: body.value };
    app.record(command, recording, body.fingerprint).await
}

/// Accrue an issue
///
/// Interest and amortization through a date, cut at the close of each fiscal period. Answers 200 without batches when there is
/// nothing to post.
#[utoipa::path(post, operation_id = "accrue_bond_issue", path = "/v1/bond-issues/{id}/accruals", tag = "transactions", params(IdPath, Recording),
    request_body = AccrualRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn accrue(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<AccrualRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Accrue(body.value), recording, body.fingerprint).await
}

/// Pay a coupon
///
/// What is due for the principal outstanding before the coupon date, with interest left payable at conversions since the coupon
/// before.
#[utoipa::path(post, operation_id = "pay_coupon", path = "/v1/bond-issues/{id}/coupon-payments", tag = "transactions", params(IdPath, Recording),
    request_body = CouponPaymentRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn pay_coupon(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<CouponPaymentRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::PayCoupon(body.value), recording, body.fingerprint).await
}

/// Convert bonds under their original terms
///
/// By the book value method (ASC 470-20-40-4): the carrying amount leaves with the bonds, shares are issued at par, the balance goes
/// to paid-in capital, without gain or loss.
///
/// Bonds that are surrendered on a `conversion_date` and settled later bear no interest from that date on, and stay in the debt until
/// they are settled: with both dates in one request; or the surrender alone (without `effective_date`), then its settlement (with
/// `surrender`).
#[utoipa::path(post, operation_id = "convert_bonds", path = "/v1/bond-issues/{id}/conversions", tag = "transactions", params(IdPath, Recording),
    request_body = ConversionRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn convert(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ConversionRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Convert(body.value), recording, body.fingerprint).await
}

/// Convert by many notices at once
///
/// A day's conversion notices of an issue, at most 1,000, in one request: all are recorded, or none. Each is a conversion as it could be
/// recorded alone, with an event, a sequence and a reference of its own, decided on what those before it in the list leave; entries with
/// the same posting date stand in one batch. If rows are refused, `errors` points to every one of them (`/conversions/17/principal`), with
/// the code of its refusal.
#[utoipa::path(post, operation_id = "convert_by_notices", path = "/v1/bond-issues/{id}/conversion-notices", tag = "transactions", params(IdPath, Recording),
    request_body = ConversionNoticesRequest, responses((status = 201, description = "What was posted", body = ConversionNoticesAnswer)))]
pub async fn convert_many(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Notices,
) -> Result<Response, Problem> {
    let Notices { conversions: notices, fingerprint } = body;
    let command = Command::ConvertMany { entity: id.entity().to_owned(), bond_issue: id.to_string(), notices };
    app.record(command, recording, fingerprint).await
}

/// Record an induced conversion
///
/// Acceptance and conversion together, the acceptance alone (without `effective_date`), or the conversion of an acceptance recorded
/// before (with `acceptance`). The expense is measured at acceptance (ASC 470-20-40-16).
#[utoipa::path(post, operation_id = "induce_conversion", path = "/v1/bond-issues/{id}/inducements", tag = "transactions", params(IdPath, Recording),
    request_body = InducementRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn induce(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<InducementRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Induce(Box::new(body.value)), recording, body.fingerprint).await
}

/// Repurchase bonds
///
/// Bonds bought back by agreement leave with their share of premium or discount and issue costs; the difference to what is paid,
/// costs included, is a gain or loss (ASC 470-50-40-2). Accrued interest is paid apart.
#[utoipa::path(post, operation_id = "repurchase_bonds", path = "/v1/bond-issues/{id}/repurchases", tag = "transactions", params(IdPath, Recording),
    request_body = RepurchaseRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn repurchase(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<RepurchaseRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Repurchase(body.value), recording, body.fingerprint).await
}

/// Redeem bonds
///
/// At maturity for the redemption price of the terms; before it at the issuer's call or at the option of holders, with a gain or loss
/// (ASC 470-50-40-2). A coupon that is due stays due and is paid by its own payment.
#[utoipa::path(post, operation_id = "redeem_bonds", path = "/v1/bond-issues/{id}/redemptions", tag = "transactions", params(IdPath, Recording),
    request_body = RedemptionRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn redeem(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<RedemptionRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Redeem(body.value), recording, body.fingerprint).await
}

/// Adjust the conversion rate
///
/// From a date on, by the formula of the indenture from its figures or to a stated rate. There is no entry. Conversions that are
/// recorded already for that date or later keep it from changing.
#[utoipa::path(post, operation_id = "adjust_conversion_rate", path = "/v1/bond-issues/{id}/rate-adjustments", tag = "transactions", params(IdPath, Recording),
    request_body = RateAdjustmentRequest, responses((status = 201, description = "What was recorded", body = RecordingAnswer)))]
pub async fn adjust_rate(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<RateAdjustmentRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::AdjustRate(Box::new(body.value)), recording, body.fingerprint).await
}

/// Modify terms, or exchange bonds for others
///
/// The payments under the new terms are compared with those that remained, at the original effective rate (ASC 470-50-40-10, 40-12; IFRS 9
/// B3.3.6). Terms that are not substantially different carry the debt on; substantially different ones extinguish it, and the new debt is
/// recorded at fair value. Bonds exchanged keep the id of the issue. Not for troubled debt restructurings (ASC 470-60).
#[utoipa::path(post, operation_id = "modify_terms", path = "/v1/bond-issues/{id}/modifications", tag = "transactions", params(IdPath, Recording),
    request_body = ModificationRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn modify(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ModificationRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Modify(Box::new(body.value)), recording, body.fingerprint).await
}

/// Estimate payments anew
///
/// Under IFRS, when the bonds are expected to be redeemed at another date than before: the debt is carried at the present value of these
/// payments at the original effective rate, and the difference is income or expense (IFRS 9.B5.4.6).
#[utoipa::path(post, operation_id = "estimate_payments", path = "/v1/bond-issues/{id}/estimates", tag = "transactions", params(IdPath, Recording),
    request_body = EstimateRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn estimate(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<EstimateRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Estimate(body.value), recording, body.fingerprint).await
}

/// Correct issue costs
///
/// As if they had been known at settlement, as long as no period since is closed and no principal has moved; else from the date on.
#[utoipa::path(post, operation_id = "adjust_issue_costs", path = "/v1/bond-issues/{id}/issue-cost-adjustments", tag = "transactions", params(IdPath, Recording),
    request_body = IssueCostAdjustmentRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn adjust_issue_costs(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<IssueCostAdjustmentRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::AdjustIssueCosts(body.value), recording, body.fingerprint).await
}

/// Record the current portion at a balance-sheet date
///
/// What falls due within a year, or can be demanded in cash within one, moves to the current portion on the date and back on the first day
/// of the next fiscal period. The debt is accrued through the date first. Answers 200 without batches when nothing is current.
#[utoipa::path(post, operation_id = "reclassify_current_portion", path = "/v1/bond-issues/{id}/reclassifications", tag = "transactions", params(IdPath, Recording),
    request_body = ReclassificationRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn reclassify(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ReclassificationRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, id.entity(), IssueCommand::Reclassify(Box::new(body.value)), recording, body.fingerprint).await
}

/// Reverse an event
///
/// By any of its batches that holds more than accruals: the inverse of all its entries but accruals, on their posting dates unless one is
/// given, then what follows from the event not having happened. An event is reversed once, and after the events that rest on it. Of a batch
/// that several events share, `event` says which.
#[utoipa::path(post, operation_id = "reverse_event", path = "/v1/journal-batches/{id}/reversal", tag = "journal", params(IdPath, Recording),
    request_body = ReversalRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn reverse(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ReversalRequest>,
) -> Result<Response, Problem> {
    let of = app.library.event_of_batch(id.entity(), &id.to_string(), body.value.event.as_deref()).await?;
    let holds_accruals_alone = of.kind == "accrual";
    let reversing = Reversing { event: of.event, holds_accruals_alone, request: body.value };
    let command = IssueCommand::Reverse(Box::new(reversing));
    on_issue(app, &of.bond_issue, id.entity(), command, recording, body.fingerprint).await
}
