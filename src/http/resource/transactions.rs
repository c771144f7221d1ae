//! Transactions: what is recorded on an issue.

use axum::extract::State;
use axum::response::Response;

use super::App;
use crate::document::{
    AccrualRequest, ConversionRequest, CouponPaymentRequest, EntityAccrualAnswer, InducementRequest, RecordingAnswer,
};
use crate::http::body::Fingerprint;
use crate::http::extract::{Body, Path, Recording};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::{EntityPath, IdPath};
use crate::http::problem::Problem;
use crate::posting::{Command, IssueCommand};

async fn on_issue(
    app: App,
    id: &RecordId,
    command: IssueCommand,
    recording: Recording,
    fingerprint: Fingerprint,
) -> Result<Response, Problem> {
    let command = Command::OnIssue { entity: id.entity().to_owned(), bond_issue: id.to_string(), command };
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
    State(app): State<App>,
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
    State(app): State<App>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<AccrualRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, IssueCommand::Accrue(body.value), recording, body.fingerprint).await
}

/// Pay a coupon
///
/// What is due for the principal outstanding before the coupon date, with interest left payable at conversions since the coupon
/// before.
#[utoipa::path(post, operation_id = "pay_coupon", path = "/v1/bond-issues/{id}/coupon-payments", tag = "transactions", params(IdPath, Recording),
    request_body = CouponPaymentRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn pay_coupon(
    State(app): State<App>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<CouponPaymentRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, IssueCommand::PayCoupon(body.value), recording, body.fingerprint).await
}

/// Convert bonds under their original terms
///
/// By the book value method (ASC 470-20-40-4): the carrying amount leaves with the bonds, shares are issued at par, the balance goes
/// to paid-in capital, without gain or loss.
#[utoipa::path(post, operation_id = "convert_bonds", path = "/v1/bond-issues/{id}/conversions", tag = "transactions", params(IdPath, Recording),
    request_body = ConversionRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn convert(
    State(app): State<App>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<ConversionRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, IssueCommand::Convert(body.value), recording, body.fingerprint).await
}

/// Record an induced conversion
///
/// Acceptance and conversion together, the acceptance alone (without `effective_date`), or the conversion of an acceptance recorded
/// before (with `acceptance`). The expense is measured at acceptance (ASC 470-20-40-16).
#[utoipa::path(post, operation_id = "induce_conversion", path = "/v1/bond-issues/{id}/inducements", tag = "transactions", params(IdPath, Recording),
    request_body = InducementRequest, responses((status = 201, description = "What was posted", body = RecordingAnswer)))]
pub async fn induce(
    State(app): State<App>,
    Path(id): Path<RecordId>,
    recording: Recording,
    body: Body<InducementRequest>,
) -> Result<Response, Problem> {
    on_issue(app, &id, IssueCommand::Induce(Box::new(body.value)), recording, body.fingerprint).await
}
