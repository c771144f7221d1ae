//! Accrual of all issues of an entity through a date: one command, one commit, batches of one currency and posting date.

use jiff::civil::Date;

use super::account_moves::follow;
use super::batch::{self, Batch};
use super::convert;
use super::decide::{Asked, Decided};
use super::draft::{self, Draft, EventKey, Stamp, new_id};
use super::error::RecordError;
use super::grouping::Drafts;
use super::preview;
use super::record::{CREATED, Done, OK, Pages};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::{Workspace, issue_state};
use crate::audit::ContentHash;
use crate::document::{AccrualRequest, BatchHeadDocument, EntityAccrualAnswer, SkippedIssue};
use crate::store::{Reader, Rows};

/// How many issues are read at once.
const PAGE: i64 = 500;

/// What an accrual of an entity came to before it is stamped.
pub(super) struct Accrued {
    pub drafts: Vec<Draft>,
    pub skipped: Vec<SkippedIssue>,
}

pub(super) async fn decide(
    workspace: &Workspace,
    request: &AccrualRequest,
    reader: &mut Reader<'_>,
) -> Result<Accrued, RecordError> {
    let entity = workspace.head.entity.clone();
    let calendar = workspace.calendar()?;
    let mut accrued = Accrued { drafts: Vec::new(), skipped: Vec::new() };
    let mut after = String::new();
    let revisions = reader.revisions_of_entity(&entity).await?;
    loop {
        let page = reader.issue_states_page(&entity, &after, PAGE).await?;
        let Some(last) = page.last() else {
            follow(&mut accrued.drafts, workspace)?;
            return Ok(accrued);
        };
        after.clone_from(&last.issue.id);
        // A vector that grows by itself keeps room for as many again.
        accrued.drafts.reserve_exact(page.len());
        for stored in &page {
            let id = stored.issue.id.clone();
            let settlement: Date = convert::date(&stored.issue.settlement_date)?;
            if request.through.0 < settlement {
                accrued
                    .skipped
                    .push(SkippedIssue { bond_issue: id, reason: format!("not issued before {settlement}") });
                continue;
            }
            let state = issue_state(stored, &revisions, calendar)?;
            match (Asked { entity: &entity, id: &id, state: &state, framework: workspace.framework })
                .accrue(request, reader)
                .await?
            {
                Decided::Drafted(drafted) => {
                    // The reference names the command, not each issue's event.
                    accrued.drafts.push(Draft { reference: None, ..drafted.draft }.compact());
                }
                Decided::Nothing { reason, .. } => {
                    accrued.skipped.push(SkippedIssue { bond_issue: id, reason: reason.to_owned() })
                }
            }
        }
    }
}

fn answer(
    request: &AccrualRequest,
    batches: Vec<BatchHeadDocument>,
    skipped: Vec<SkippedIssue>,
) -> EntityAccrualAnswer {
    EntityAccrualAnswer {
        accrued_through: request.through.0.to_string(),
        journal_batches: batches,
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
) -> Result<Done, RecordError> {
    let Accrued { drafts, skipped } = decide(workspace, request, reader).await?;
    if session.context.preview_sha256.is_some() {
        let heads = heads(&drafts, workspace)?;
        preview::check(session.context.preview_sha256.as_ref(), &answer(request, heads, skipped.clone()))?;
    }
    let entity = workspace.head.entity.clone();
    if drafts.is_empty() {
        let recorded = Recorded::new(OK, &answer(request, Vec::new(), skipped))?;
        return session.nothing_to_do(&entity, recorded, reader).await;
    }
    let stamp = session.stamp(workspace);
    let of_events = drafts.len();
    let (stamped, mut rows, mut content) = Stamped::new(drafts, of_events, workspace, stamp.clone())?;
    if let Some(reference) = &request.reference {
        rows.natural_keys.push(session.natural_key(workspace, "accrual", reference, &stamped.events[0].id));
    }
    content.add(&rows);
    let recorded = Recorded::new(CREATED, &answer(request, stamped.heads(), skipped))?;
    session.finish_with(workspace, &stamp, ("entity_accrual", &entity), content, &mut rows, &recorded)?;
    Ok(Done { pages: Some(stamped.pages()), ..Done::new(recorded, rows) })
}

/// Drafts with what they are given when they are recorded.
pub(super) struct Stamped {
    entity: String,
    stamp: Stamp,
    drafts: Vec<Draft>,
    events: Vec<EventKey>,
    batches: Vec<Batch>,
}

impl Stamped {
    /// Gives them ids, numbers and releases: with the rows of the batches themselves, and a hash that holds the events, which the
    /// first `of_events` of them are; the others have entries alone.
    ///
    /// # Errors
    /// When totals leave 64 bits.
    pub fn new(
        drafts: Vec<Draft>,
        of_events: usize,
        workspace: &mut Workspace,
        stamp: Stamp,
    ) -> Result<(Stamped, Rows, ContentHash), RecordError> {
        let entity = workspace.head.entity.clone();
        let event = |_| EventKey { id: new_id(&entity), sequence: stamp.sequence };
        let events: Vec<EventKey> = drafts.iter().take(of_events).map(event).collect();
        let (mut rows, mut content) = (Rows::default(), ContentHash::default());
        for (draft, event) in drafts.iter().zip(&events) {
            let of_event = draft::event_rows(&entity, draft, &event.id, &stamp)?;
            content.add(&Rows { events: of_event.events, ..Rows::default() });
            workspace.forget(draft.bond_issue.as_deref().unwrap_or_default());
        }
        let batches = Drafts { drafts: &drafts, events: &events }.batches(workspace, Some(&stamp))?;
        for batch in &batches {
            rows.extend(batch.own_rows(&stamp)?);
        }
        Ok((Stamped { entity, stamp, drafts, events, batches }, rows, content))
    }

    pub fn heads(&self) -> Vec<BatchHeadDocument> {
        self.batches.iter().map(Batch::head).collect()
    }

    /// The rows of events, then of entries. Those of ten thousand issues would take ten times the memory of their drafts.
    pub fn pages(self) -> Pages {
        let Stamped { entity, stamp, drafts, events, batches } = self;
        let of_events = batch::pages(events.len()).map(|page| (None, page));
        let of_entries = batches
            .iter()
            .enumerate()
            .flat_map(|(at, batch)| batch::pages(batch.len()).map(move |page| (Some(at), page)));
        let pages: Vec<_> = of_events.chain(of_entries).collect();
        Box::new(pages.into_iter().map(move |(at, page)| match at.map(|at| &batches[at]) {
            Some(batch) => batch.entry_rows(Drafts { drafts: &drafts, events: &events }, page, &stamp),
            None => {
                let mut rows = Rows::default();
                for (draft, event) in drafts[page.clone()].iter().zip(&events[page]) {
                    rows.extend(draft::event_rows(&entity, draft, &event.id, &stamp)?);
                }
                Ok(rows)
            }
        }))
    }
}

/// The batches of a preview, without entries.
pub(super) fn heads(drafts: &[Draft], workspace: &mut Workspace) -> Result<Vec<BatchHeadDocument>, RecordError> {
    Ok(Drafts { drafts, events: &[] }.batches(workspace, None)?.iter().map(Batch::head).collect())
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
    let heads = heads(&accrued.drafts, workspace)?;
    let mut answer = answer(request, heads, accrued.skipped);
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}
