//! Closing a fiscal period: every issue accrued through its last day, what stands in the way looked at, and the day locked, in one
//! command.

use std::collections::{BTreeSet, HashMap};

use jiff::civil::Date;

use super::accrue_entity::{self, Accrued, Stamped};
use super::convert;
use super::draft::{Draft, Stamp};
use super::error::RecordError;
use super::preview;
use super::record::{Done, OK, json};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use super::year_end;
use crate::accounting::fiscal_calendar::{FiscalCalendar, Period};
use crate::accounting::position::Components;
use crate::audit::close_hash;
use crate::closing::{self, Closing};
use crate::document::wire::DateString;
use crate::document::{AccrualRequest, BatchHeadDocument, CloseRequest, InTheWay, PeriodClosed, PeriodStatus};
use crate::store::{PeriodCloseRow, Reader};

/// The kind of the row of a close.
pub const CLOSE: &str = "close";
/// The kind of the row of a reopening.
pub const REOPEN: &str = "reopen";

/// Why a period cannot be closed or opened now.
#[derive(Debug, thiserror::Error)]
pub enum NotClosed {
    #[error("{} in the way of closing {period}: {}{}", things(in_the_way.len()), first(in_the_way), more(in_the_way.len()))]
    NotReady { period: String, in_the_way: Vec<InTheWay> },
    #[error(
        "{period} is closed already, with other waivers or closing entries, or together with a later period; to close it anew, open it again"
    )]
    Closed { period: String },
    #[error("periods are closed in order: {next} comes before {period}")]
    NotNext { period: String, next: String },
    #[error("{period} is open: ask for view=current, or close it first")]
    Open { period: String },
    #[error("{period} is not the last closed period: {}", last.as_ref().map_or_else(|| "none is closed".to_owned(), |last| format!("that is {last}, which is opened first")))]
    NotLast { period: String, last: Option<String> },
}

fn things(count: usize) -> String {
    if count == 1 { "one thing stands".to_owned() } else { format!("{count} things stand") }
}

fn first(in_the_way: &[InTheWay]) -> &str {
    in_the_way.first().map_or("", |item| &item.detail)
}

fn more(count: usize) -> String {
    if count > 1 { format!(" (and {} more)", count - 1) } else { String::new() }
}

impl NotClosed {
    /// The stable code of the problem.
    pub fn code(&self) -> &'static str {
        match self {
            NotClosed::NotReady { .. } => "period_not_ready",
            NotClosed::Closed { .. } => "period_closed",
            NotClosed::NotNext { .. } => "period_not_next",
            NotClosed::Open { .. } => "period_open",
            NotClosed::NotLast { .. } => "period_not_last_closed",
        }
    }
}

/// A period that can be closed next.
struct Next {
    period: Period,
    first_day: Date,
    last_day: Date,
    locked_from: Option<Date>,
}

impl Next {
    /// The period, if those before it are closed and it is not.
    fn of(period: Period, calendar: &FiscalCalendar) -> Result<Next, NotClosed> {
        let (first_day, last_day) = (calendar.first_day(period), calendar.last_day(period));
        let Some(closed) = calendar.closed_through() else {
            return Ok(Next { period, first_day, last_day, locked_from: None });
        };
        let name = period.to_string();
        let from = closed.tomorrow().unwrap_or(closed);
        if last_day <= closed {
            return Err(NotClosed::Closed { period: name });
        }
        if first_day != from {
            return Err(NotClosed::NotNext { period: name, next: calendar.period_of(from).to_string() });
        }
        Ok(Next { period, first_day, last_day, locked_from: Some(from) })
    }

    fn row(
        &self,
        stamp: &Stamp,
        entity: &str,
        request: &CloseRequest,
        answer: String,
    ) -> Result<PeriodCloseRow, RecordError> {
        let mut row = PeriodCloseRow {
            entity: entity.to_owned(),
            sequence: stamp.sequence,
            recorded_at: stamp.recorded_at,
            kind: CLOSE.to_owned(),
            period: self.period.to_string(),
            first_day: self.first_day.to_string(),
            last_day: self.last_day.to_string(),
            locked_from: self.locked_from.map(|date| date.to_string()),
            reason: None,
            name: None,
            waivers: json(&request.waivers)?,
            answer,
            content_sha256: String::new(),
        };
        row.content_sha256 = close_hash(&row);
        Ok(row)
    }
}

/// What a close came to before it is stamped.
struct Closable {
    next: Next,
    accrued: Accrued,
    /// So many of the drafts are accruals; the others are closing entries.
    accruals: usize,
    /// Whether fiscal years are closed to retained earnings, if there is anything to close.
    closes_years: bool,
}

impl Closable {
    fn answer(&self, request: &CloseRequest, journal_batches: Vec<BatchHeadDocument>) -> PeriodClosed {
        PeriodClosed {
            period: self.next.period.to_string(),
            first_day: self.next.first_day.to_string(),
            last_day: self.next.last_day.to_string(),
            status: PeriodStatus::Closed,
            sequence: None,
            recorded_at: None,
            waivers: request.waivers.clone(),
            closing_entries: self.closes_years,
            journal_batches,
            skipped: self.accrued.skipped.clone(),
            preview_sha256: None,
        }
    }

    fn preview(&self, request: &CloseRequest, workspace: &mut Workspace) -> Result<PeriodClosed, RecordError> {
        let heads = accrue_entity::heads(&self.accrued.drafts, workspace)?;
        Ok(self.answer(request, heads))
    }
}

async fn decide(
    workspace: &Workspace,
    (period, request): (Period, &CloseRequest),
    reader: &mut Reader<'_>,
) -> Result<Closable, RecordError> {
    let next = Next::of(period, &workspace.calendar()?)?;
    let name = period.to_string();
    let years = year_end::years(workspace, (&name, next.locked_from, next.last_day), request, reader).await?;
    let (mut accrued, mut found) = look(workspace, next.last_day, reader).await?;
    let closings = year_end::closings(workspace, &years, &accrued.drafts, reader).await?;
    found.extend(lacking(workspace, &closings, "closing entries need"));
    let in_the_way = closing::waive(request, found)?;
    if !in_the_way.is_empty() {
        return Err(NotClosed::NotReady { period: name, in_the_way }.into());
    }
    let accruals = accrued.drafts.len();
    accrued.drafts.extend(closings);
    Ok(Closable { next, accrued, accruals, closes_years: !years.is_empty() })
}

/// The accrual of a close through a day, and what stands in its way.
async fn look(
    workspace: &Workspace,
    last_day: Date,
    reader: &mut Reader<'_>,
) -> Result<(Accrued, Vec<InTheWay>), RecordError> {
    let through = AccrualRequest { through: DateString(last_day), reference: None };
    let accrued = accrue_entity::decide(workspace, &through, reader).await?;
    let booked: HashMap<String, Components> =
        accrued.drafts.iter().filter_map(|draft| booked_through(draft, last_day)).collect();
    let mut found = unmapped(workspace, last_day, &accrued.drafts, reader).await?;
    let closing = Closing {
        entity: &workspace.head.entity,
        closed_through: workspace.calendar()?.closed_through(),
        through: last_day,
        known: workspace.head.sequence,
    };
    found.extend(closing.in_the_way(&booked, reader).await?);
    Ok((accrued, found))
}

/// What a draft leaves booked at a date.
fn booked_through(draft: &Draft, date: Date) -> Option<(String, Components)> {
    let rows = draft.booked_rows.iter().map(|(row, _)| row).filter(|row| row.posting_date <= date);
    let last = rows.max_by_key(|row| row.posting_date)?;
    Some((draft.bond_issue.clone()?, last.components))
}

/// Roles without an account on their posting dates: of batches that wait for one, and of those that the close would post.
async fn unmapped(
    workspace: &Workspace,
    last_day: Date,
    drafts: &[Draft],
    reader: &mut Reader<'_>,
) -> Result<Vec<InTheWay>, RecordError> {
    let lacks = |role: &str, issue: &str, date| {
        let role = crate::accounting::journal::AccountRole::from_name(role);
        role.is_none_or(|role| workspace.mapping.resolve(role, issue, date).is_none())
    };
    let mut found = Vec::new();
    let mut waiting: Vec<(String, Date, BTreeSet<String>)> = Vec::new();
    for row in reader.unreleased_roles(&workspace.head.entity, &last_day.to_string()).await? {
        let date = convert::date(&row.posting_date)?;
        if waiting.last().is_none_or(|(number, ..)| *number != row.number) {
            waiting.push((row.number, date, BTreeSet::new()));
        }
        if let Some((.., roles)) = waiting.last_mut().filter(|_| lacks(&row.account_role, &row.bond_issue, date)) {
            roles.insert(row.account_role);
        }
    }
    for (number, date, roles) in waiting {
        let item = match roles.is_empty() {
            true => closing::in_the_way(
                "batch_not_released",
                date,
                format!(
                    "{number} inverts a batch that is not with the ledger; release that again, or have the ledger take it"
                ),
            ),
            false => closing::in_the_way(
                "unmapped_role",
                date,
                format!("{number} waits for an account of {}; {MAP}", listed(&roles)),
            ),
        };
        found.push(InTheWay { batch: Some(number), ..item });
    }
    found.extend(lacking(workspace, drafts, "accrual needs"));
    Ok(found)
}

/// The roles without an account of what is about to be posted.
fn lacking(workspace: &Workspace, drafts: &[Draft], what: &str) -> Vec<InTheWay> {
    let mut roles: BTreeSet<(Date, &'static str)> = BTreeSet::new();
    for draft in drafts {
        let issue = draft.bond_issue.as_deref().unwrap_or_default();
        for posting in &draft.postings {
            let date = posting.posting_date;
            let without = posting.entry.lines().iter().filter(|line| line.account.is_none());
            let lacking = without.filter(|line| workspace.mapping.resolve(line.role, issue, date).is_none());
            roles.extend(lacking.map(|line| (date, line.role.name())));
        }
    }
    let item = |(date, role)| {
        let detail = format!("the {what} an account of {role} on {date}; {MAP}");
        closing::in_the_way("unmapped_role", date, detail)
    };
    roles.into_iter().map(item).collect()
}

const MAP: &str = "record an account mapping that has it";

fn listed(roles: &BTreeSet<String>) -> String {
    roles.iter().map(String::as_str).collect::<Vec<_>>().join(", ")
}

/// Closes a period. One that is closed already, with the same waivers, is answered as it was.
///
/// # Errors
/// [`RecordError::NotClosed`] with what stands in the way, or [`RecordError::WrongWaiver`].
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    (period, request): (&str, &CloseRequest),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let period = Period::named(period)?;
    let entity = workspace.head.entity.clone();
    if let Some(answer) = closed_already(workspace, (period, request), reader).await? {
        let recorded = Recorded { status: OK, answer, replayed: false };
        return session.nothing_to_do(&entity, recorded, reader).await;
    }
    let closable = decide(workspace, (period, request), reader).await?;
    if session.context.preview_sha256.is_some() {
        preview::check(session.context.preview_sha256.as_ref(), &closable.preview(request, workspace)?)?;
    }
    let stamp = session.stamp(workspace);
    let mut answer = closable.answer(request, Vec::new());
    let Closable { next, accrued, accruals, .. } = closable;
    let (stamped, mut rows, mut content) = Stamped::new(accrued.drafts, accruals, workspace, stamp.clone())?;
    answer = PeriodClosed {
        sequence: Some(stamp.sequence),
        recorded_at: stamp.time(),
        journal_batches: stamped.heads(),
        ..answer
    };
    let recorded = Recorded::new(OK, &answer)?;
    rows.period_closes.push(next.row(&stamp, &entity, request, recorded.answer.clone())?);
    content.add(&rows);
    workspace.close_through(Some(next.last_day));
    session.finish_with(workspace, &stamp, ("period_close", &answer.period), content, &mut rows, &recorded)?;
    Ok(Done { pages: Some(stamped.pages()), ..Done::new(recorded, rows) })
}

/// The answer of the close that the period is closed by, if it is asked for again.
async fn closed_already(
    workspace: &Workspace,
    (period, request): (Period, &CloseRequest),
    reader: &mut Reader<'_>,
) -> Result<Option<String>, RecordError> {
    let calendar = workspace.calendar()?;
    if calendar.closed_through().is_none_or(|closed| closed < calendar.last_day(period)) {
        return Ok(None);
    }
    let name = period.to_string();
    let rows = reader.period_closes(&workspace.head.entity).await?;
    let last = rows.into_iter().rev().find(|row| row.period == name);
    let waivers = json(&request.waivers)?;
    if let Some(row) = last.filter(|row| row.kind == CLOSE && row.waivers == waivers) {
        let closes_years = year_end::has_closing_entries(&row)?;
        if request.closing_entries.is_none_or(|asked| asked == closes_years) {
            return Ok(Some(row.answer));
        }
    }
    Err(NotClosed::Closed { period: name }.into())
}

/// What closing would answer.
///
/// # Errors
/// Why it would not be closed.
pub(super) async fn preview(
    workspace: &mut Workspace,
    (period, request): (&str, &CloseRequest),
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let period = Period::named(period)?;
    if let Some(answer) = closed_already(workspace, (period, request), reader).await? {
        return Ok(Recorded { status: OK, answer, replayed: false });
    }
    let closable = decide(workspace, (period, request), reader).await?;
    let mut answer = closable.preview(request, workspace)?;
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}

/// What stands in the way of closing an entity's books through a day that is open, without waivers.
///
/// # Errors
/// [`RecordError::NotFound`], or when an accrual through the day is refused.
pub async fn in_the_way(entity: &str, through: Date, reader: &mut Reader<'_>) -> Result<Vec<InTheWay>, RecordError> {
    let workspace = Workspace::of(entity, reader).await?;
    Ok(look(&workspace, through, reader).await?.1)
}
