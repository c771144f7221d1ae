//! Accrual of all issues of an entity through a date: one command, one commit, batches of one currency and posting date.

use jiff::civil::Date;

use super::assemble::{self, Draft, new_id};
use super::convert;
use super::decide::{self, Asked, Decided};
use super::error::RecordError;
use super::preview;
use super::session::{CREATED, OK, Session};
use super::workspace::{IssueState, Workspace, issue_state};
use super::writer::Recorded;
use crate::document::{AccrualRequest, BatchDocument, EntityAccrualAnswer, SkippedIssue};
use crate::store::{Reader, Rows};

/// How many issues are read at once.
const PAGE: i64 = 500;

/// What an accrual of an entity came to before it is stamped.
struct Accrued {
    drafts: Vec<Draft>,
    states: Vec<IssueState>,
    skipped: Vec<SkippedIssue>,
}

async fn decide(
    workspace: &Workspace,
    request: &AccrualRequest,
    reader: &mut Reader<'_>,
) -> Result<Accrued, RecordError> {
    let entity = workspace.head.entity.clone();
    let calendar = workspace.calendar()?;
    let mut accrued = Accrued { drafts: Vec::new(), states: Vec::new(), skipped: Vec::new() };
    let mut after = String::new();
    loop {
        let page = reader.issue_states_page(&entity, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(accrued) };
        after.clone_from(&last.issue.id);
        for stored in &page {
            let id = stored.issue.id.clone();
            let settlement: Date = convert::date(&stored.issue.settlement_date)?;
            if request.through.0 < settlement {
                accrued
                    .skipped
                    .push(SkippedIssue { bond_issue: id, reason: format!("not issued before {settlement}") });
                continue;
            }
            let state = issue_state(stored, calendar)?;
            match (Asked { entity: &entity, id: &id, state: &state }).accrue(request, reader).await? {
                Decided::Draft(mut draft, _) => {
                    // The reference names the command, not each issue's event.
                    draft.reference = None;
                    accrued.drafts.push(*draft);
                    accrued.states.push(state);
                }
                Decided::Nothing { reason, .. } => {
                    accrued.skipped.push(SkippedIssue { bond_issue: id, reason: reason.to_owned() })
                }
            }
        }
    }
}

fn answer(request: &AccrualRequest, batches: &[BatchDocument], skipped: Vec<SkippedIssue>) -> EntityAccrualAnswer {
    EntityAccrualAnswer {
        accrued_through: request.through.0.to_string(),
        journal_batches: batches.iter().map(BatchDocument::head).collect(),
        skipped,
        preview_sha256: None,
    }
}

/// Records the accrual.
///
/// # Errors
/// Why it is not recorded.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    request: &AccrualRequest,
    reader: &mut Reader<'_>,
) -> Result<(Recorded, Rows), RecordError> {
    let accrued = decide(workspace, request, reader).await?;
    if session.context.preview_sha256.is_some() {
        let unnamed = assemble::batches(workspace, &accrued.drafts, &[], None)?;
        preview::check(
            session.context.preview_sha256.as_ref(),
            &answer(request, &unnamed.batches, accrued.skipped.clone()),
        )?;
    }
    if accrued.drafts.is_empty() {
        let entity = workspace.head.entity.clone();
        let recorded = Recorded::new(OK, &answer(request, &[], accrued.skipped))?;
        return session.nothing_to_do(&entity, recorded, reader).await;
    }
    let stamp = session.stamp(workspace);
    let entity = workspace.head.entity.clone();
    let events: Vec<String> = accrued.drafts.iter().map(|_| new_id(&entity)).collect();
    let assembled = assemble::batches(workspace, &accrued.drafts, &events, Some(&stamp))?;
    let mut rows = assembled.rows;
    for ((draft, event), state) in accrued.drafts.iter().zip(&events).zip(&accrued.states) {
        let newest = decide::newest_after(draft, Some(state), stamp.sequence)?;
        rows.extend(assemble::event_rows(&entity, draft, event, &stamp, newest)?);
        workspace.forget(draft.bond_issue.as_deref().unwrap_or_default());
    }
    if let Some(reference) = &request.reference {
        rows.natural_keys.push(session.natural_key(workspace, "accrual", reference, &events[0]));
    }
    let recorded = Recorded::new(CREATED, &answer(request, &assembled.batches, accrued.skipped))?;
    session.finish(workspace, &stamp, "entity_accrual", &entity, &mut rows, &recorded)?;
    Ok((recorded, rows))
}

/// What recording the accrual would answer.
///
/// # Errors
/// Why it would not be recorded.
pub(super) async fn preview(
    workspace: &mut Workspace,
    request: &AccrualRequest,
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let accrued = decide(workspace, request, reader).await?;
    let assembled = assemble::batches(workspace, &accrued.drafts, &[], None)?;
    let mut answer = answer(request, &assembled.batches, accrued.skipped);
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}
