//! Opening the last closed period again. What was posted since it was closed stays where it is.

use super::close::{NotClosed, REOPEN};
use super::error::RecordError;
use super::preview;
use super::record::{Done, OK};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use crate::accounting::Refusal;
use crate::accounting::fiscal_calendar::Period;
use crate::audit::close_hash;
use crate::document::{PeriodReopened, PeriodStatus, ReopenRequest};
use crate::store::{PeriodCloseRow, Rows};

fn decide(
    workspace: &Workspace,
    (period, request): (&str, &ReopenRequest),
) -> Result<(Period, PeriodReopened), RecordError> {
    let period = Period::named(period)?;
    for (field, text) in [("reason", &request.reason), ("name", &request.name)] {
        if text.trim().is_empty() {
            return Err(Refusal::missing(field, "a period is opened again for a reason, by somebody").into());
        }
    }
    let calendar = workspace.calendar()?;
    let last = calendar.closed_through().map(|closed| calendar.period_of(closed));
    if last != Some(period) {
        let (period, last) = (period.to_string(), last.map(|last| last.to_string()));
        return Err(NotClosed::NotLast { period, last }.into());
    }
    let answer = PeriodReopened {
        period: period.to_string(),
        first_day: calendar.first_day(period).to_string(),
        last_day: calendar.last_day(period).to_string(),
        status: PeriodStatus::Open,
        reason: request.reason.clone(),
        name: request.name.clone(),
        sequence: None,
        recorded_at: None,
        preview_sha256: None,
    };
    Ok((period, answer))
}

/// Opens a period again.
///
/// # Errors
/// [`RecordError::NotClosed`] when it is not the last closed one.
pub(super) fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    asked: (&str, &ReopenRequest),
) -> Result<Done, RecordError> {
    let (period, answer) = decide(workspace, asked)?;
    preview::check(session.context.preview_sha256.as_ref(), &answer)?;
    let entity = workspace.head.entity.clone();
    let stamp = session.stamp(workspace);
    let answer = PeriodReopened { sequence: Some(stamp.sequence), recorded_at: stamp.time(), ..answer };
    let recorded = Recorded::new(OK, &answer)?;
    let mut row = PeriodCloseRow {
        entity,
        sequence: stamp.sequence,
        recorded_at: stamp.recorded_at,
        kind: REOPEN.to_owned(),
        period: answer.period.clone(),
        first_day: answer.first_day.clone(),
        last_day: answer.last_day.clone(),
        locked_from: None,
        reason: Some(answer.reason.clone()),
        name: Some(answer.name.clone()),
        waivers: "[]".to_owned(),
        answer: recorded.answer.clone(),
        content_sha256: String::new(),
    };
    row.content_sha256 = close_hash(&row);
    let mut rows = Rows::default();
    rows.period_closes.push(row);
    // The periods before it stay closed, those too that were closed together with it.
    let first_day = workspace.calendar()?.first_day(period);
    workspace.close_through(first_day.yesterday().ok());
    session.finish(workspace, &stamp, ("period_reopening", &answer.period), &mut rows, &recorded)?;
    Ok(Done::new(recorded, rows))
}

/// What opening it again would answer.
///
/// # Errors
/// Why it would not be opened.
pub(super) fn preview(workspace: &Workspace, asked: (&str, &ReopenRequest)) -> Result<Recorded, RecordError> {
    let (_, mut answer) = decide(workspace, asked)?;
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}
