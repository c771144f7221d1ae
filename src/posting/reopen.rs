//! Opening the last closed period again. What was posted since it was closed stays where it is; closing entries of a year that ends in it are
//! taken back.

use super::accrue_entity::{self, Stamped};
use super::close::{NotClosed, REOPEN};
use super::draft::Draft;
use super::error::RecordError;
use super::preview;
use super::record::{Done, OK};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use super::year_end;
use crate::accounting::Refusal;
use crate::accounting::fiscal_calendar::Period;
use crate::audit::close_hash;
use crate::document::{PeriodReopened, PeriodStatus, ReopenRequest};
use crate::store::{PeriodCloseRow, Reader};

/// What opening a period again comes to before it is stamped.
struct Opened {
    period: Period,
    /// What takes closing entries back.
    taken_back: Vec<Draft>,
    answer: PeriodReopened,
}

async fn decide(
    workspace: &mut Workspace,
    (period, request): (&str, &ReopenRequest),
    reader: &mut Reader<'_>,
) -> Result<Opened, RecordError> {
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
    let days = (calendar.first_day(period), calendar.last_day(period));
    let taken_back = year_end::taken_back(&workspace.head.entity, days, reader).await?;
    let answer = PeriodReopened {
        period: period.to_string(),
        first_day: days.0.to_string(),
        last_day: days.1.to_string(),
        status: PeriodStatus::Open,
        reason: request.reason.clone(),
        name: request.name.clone(),
        sequence: None,
        recorded_at: None,
        journal_batches: accrue_entity::heads(&taken_back, workspace)?,
        preview_sha256: None,
    };
    Ok(Opened { period, taken_back, answer })
}

/// Opens a period again.
///
/// # Errors
/// [`RecordError::NotClosed`] when it is not the last closed one.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    asked: (&str, &ReopenRequest),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let Opened { period, taken_back, answer } = decide(workspace, asked, reader).await?;
    preview::check(session.context.preview_sha256.as_ref(), &answer)?;
    let entity = workspace.head.entity.clone();
    let stamp = session.stamp(workspace);
    let (stamped, mut rows, mut content) = Stamped::new(taken_back, 0, workspace, stamp.clone())?;
    let journal_batches = stamped.heads();
    let answer =
        PeriodReopened { sequence: Some(stamp.sequence), recorded_at: stamp.time(), journal_batches, ..answer };
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
    rows.period_closes.push(row);
    content.add(&rows);
    // The periods before it stay closed, those too that were closed together with it.
    let first_day = workspace.calendar()?.first_day(period);
    workspace.close_through(first_day.yesterday().ok());
    session.finish_with(workspace, &stamp, ("period_reopening", &answer.period), content, &mut rows, &recorded)?;
    Ok(Done { pages: Some(stamped.pages()), ..Done::new(recorded, rows) })
}

/// What opening it again would answer.
///
/// # Errors
/// Why it would not be opened.
pub(super) async fn preview(
    workspace: &mut Workspace,
    asked: (&str, &ReopenRequest),
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let Opened { mut answer, .. } = decide(workspace, asked, reader).await?;
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}
