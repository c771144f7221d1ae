//! Conversions and coupon payments of a series: one command, one commit, an event on each of its issues.

use super::account_moves::follow;
use super::command::SeriesCommand;
use super::decide::{self, Asked, Drafted};
use super::draft::{Stamp, new_id};
use super::error::RecordError;
use super::preview;
use super::record::{CREATED, Done, OK};
use super::recorder::Recorded;
use super::session::{Session, preview_of, stamped};
use super::workspace::Workspace;
use crate::accounting::Refusal;
use crate::accounting::transaction::series::{self, Part};
use crate::document::wire::DecimalString;
use crate::document::{
    BondIssueDocument, ConversionRequest, CouponPaymentRequest, RecordingAnswer, SeriesAnswer, SeriesItem, SkippedIssue,
};
use crate::store::{Reader, Rows, SeriesMemberRow};

/// What a command on a series came to: a draft an issue.
struct Split {
    drafts: Vec<(String, Drafted)>,
    skipped: Vec<SkippedIssue>,
}

/// Checks that a new issue is like those of its series.
///
/// # Errors
/// A refusal that names what differs.
pub(super) async fn check_member(
    workspace: &mut Workspace,
    document: &BondIssueDocument,
    reader: &mut Reader<'_>,
) -> Result<(), RecordError> {
    let Some(series) = &document.series else { return Ok(()) };
    let members = reader.series(&workspace.head.entity, series).await?;
    let Some(first) = members.first() else { return Ok(()) };
    workspace.fetch(&[first.as_str()], reader).await?;
    let member = workspace.issue(first)?;
    let reference = &member.document.reference;
    Ok(series::check_alike(&document.terms()?, member.books.instrument.terms(), reference)?)
}

/// That a new issue is of its series.
pub(super) fn member_row(entity: &str, document: &BondIssueDocument, id: &str) -> Option<SeriesMemberRow> {
    document.series.as_ref().map(|series| SeriesMemberRow {
        entity: entity.to_owned(),
        series: series.clone(),
        bond_issue: id.to_owned(),
    })
}

async fn decide(
    workspace: &mut Workspace,
    series: &str,
    command: &SeriesCommand,
    reader: &mut Reader<'_>,
) -> Result<Split, RecordError> {
    let entity = workspace.head.entity.clone();
    let members = reader.series(&entity, series).await?;
    if members.is_empty() {
        return Err(RecordError::NotFound(format!("the series {series}")));
    }
    let ids: Vec<&str> = members.iter().map(String::as_str).collect();
    workspace.fetch(&ids, reader).await?;
    let issues = ids.iter().map(|id| decide::asked(workspace, id)).collect::<Result<Vec<_>, _>>()?;
    let mut split = match command {
        SeriesCommand::Convert(request) => convert(&issues, request, reader).await?,
        SeriesCommand::PayCoupon(request) => pay_coupon(&issues, request, reader).await?,
    };
    for (_, drafted) in &mut split.drafts {
        follow(std::slice::from_mut(&mut drafted.draft), workspace)?;
    }
    Ok(split)
}

async fn convert(
    issues: &[Asked<'_>],
    request: &ConversionRequest,
    reader: &mut Reader<'_>,
) -> Result<Split, RecordError> {
    let settled_later = request.conversion_date.is_some() || request.surrender.is_some();
    if request.settlement.is_some() || !request.daily_prices.is_empty() || settled_later {
        return Err(Refusal::contradiction(
            "settlement",
            "a conversion of the series gives the shares of the terms: where it is settled otherwise, or later, record it issue by issue",
        )
        .into());
    }
    let Some(first) = issues.first() else { return Err(RecordError::NotFound("the series".to_owned())) };
    let (currency, terms) = (first.currency(), first.state.books.instrument.terms());
    let date = request.effective_date()?;
    let mut outstanding = Vec::with_capacity(issues.len());
    for issue in issues {
        outstanding.push(issue.outstanding(date, reader).await?);
    }
    let parts = series::divide(request.principal(currency)?, &outstanding, terms, date)?;
    let last = parts.iter().rposition(|principal| principal.is_positive());
    let mut split = Split { drafts: Vec::new(), skipped: Vec::new() };
    let mut part = Part::default();
    for (at, (issue, principal)) in issues.iter().zip(parts).enumerate() {
        if principal.is_zero() {
            split.skip(issue, "none of its bonds are among those that convert");
            continue;
        }
        part.passes_on = Some(at) != last;
        let request = ConversionRequest {
            principal: Some(DecimalString(principal.to_major(currency))),
            reference: request.reference.clone().filter(|_| split.drafts.is_empty()),
            ..request.clone()
        };
        let (drafted, fraction) = issue.convert_part(&request, part, reader).await?;
        part.carried_in = fraction;
        split.drafts.push((issue.id.to_owned(), drafted));
    }
    Ok(split)
}

async fn pay_coupon(
    issues: &[Asked<'_>],
    request: &CouponPaymentRequest,
    reader: &mut Reader<'_>,
) -> Result<Split, RecordError> {
    let mut split = Split { drafts: Vec::new(), skipped: Vec::new() };
    let mut nothing = None;
    for issue in issues {
        if issue.begins_on_or_after(request.coupon_date.0) {
            split.skip(issue, "it was issued on the coupon date or later");
            nothing = Some(Refusal::NothingDue { coupon_date: request.coupon_date.0 });
            continue;
        }
        let reference = request.reference.clone().filter(|_| split.drafts.is_empty());
        let request = CouponPaymentRequest { reference, ..request.clone() };
        match issue.coupon_payment(&request, reader).await {
            Ok(drafted) => split.drafts.push((issue.id.to_owned(), drafted)),
            Err(RecordError::Refused(refusal @ Refusal::NothingDue { .. })) => {
                split.skip(issue, &refusal.to_string());
                nothing = Some(refusal);
            }
            Err(error) => return Err(error),
        }
    }
    match nothing {
        Some(refusal) if split.drafts.is_empty() => Err(refusal.into()),
        _ => Ok(split),
    }
}

impl Split {
    fn skip(&mut self, issue: &Asked<'_>, reason: &str) {
        self.skipped.push(SkippedIssue { bond_issue: issue.id.to_owned(), reason: reason.to_owned() });
    }
}

fn answer(series: &str, items: Vec<(String, RecordingAnswer)>, skipped: Vec<SkippedIssue>) -> SeriesAnswer {
    let item = |(bond_issue, recording)| SeriesItem { bond_issue, recording };
    SeriesAnswer {
        series: series.to_owned(),
        items: items.into_iter().map(item).collect(),
        skipped,
        preview_sha256: None,
    }
}

fn previewed(series: &str, split: &Split, workspace: &mut Workspace) -> Result<SeriesAnswer, RecordError> {
    let mut items = Vec::with_capacity(split.drafts.len());
    for (id, drafted) in &split.drafts {
        items.push((id.clone(), preview_of(drafted, workspace)?));
    }
    Ok(answer(series, items, split.skipped.clone()))
}

/// Records a command on a series.
///
/// # Errors
/// Why it is not recorded; then no issue of it is touched.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    (series, command): (&str, &SeriesCommand),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let split = decide(workspace, series, command, reader).await?;
    if session.context.preview_sha256.is_some() {
        preview::check(session.context.preview_sha256.as_ref(), &previewed(series, &split, workspace)?)?;
    }
    let stamp: Stamp = session.stamp(workspace);
    let mut rows = Rows::default();
    let mut items: Vec<(String, RecordingAnswer)> = Vec::with_capacity(split.drafts.len());
    let mut first_event = None;
    for (id, drafted) in split.drafts {
        let event_id = new_id(&workspace.head.entity);
        if let Some(reference) = &drafted.draft.reference {
            rows.natural_keys.push(session.natural_key(workspace, command.kind(), reference, &event_id));
        }
        let ordinal = i64::try_from(rows.batches.len()).unwrap_or(i64::MAX);
        let stamped = stamped(&id, drafted, &event_id, &stamp, ordinal, workspace);
        // Books after a part of it must not be decided on.
        let (recording, own) = stamped.inspect_err(|_| items.iter().for_each(|(id, _)| workspace.forget(id)))?;
        rows.extend(own);
        items.push((id, recording));
        first_event.get_or_insert(event_id);
    }
    let recorded = Recorded::new(CREATED, &answer(series, items, split.skipped))?;
    let subject = first_event.unwrap_or_default();
    session.finish(workspace, &stamp, (command.record_kind(), &subject), &mut rows, &recorded)?;
    Ok(Done::new(recorded, rows))
}

/// What recording it would answer.
///
/// # Errors
/// Why it would not be recorded.
pub(super) async fn preview(
    workspace: &mut Workspace,
    (series, command): (&str, &SeriesCommand),
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let split = decide(workspace, series, command, reader).await?;
    let mut answer = previewed(series, &split, workspace)?;
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}
