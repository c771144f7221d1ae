//! Conversion notices: many conversions of one issue in one command. Each is an event with a sequence of its own, as if it had been
//! recorded alone; what is shared is the commit and the batches.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::account_moves::follow;
use super::decide::{Asked, Decided, Drafted};
use super::draft::{self, Draft, EventKey, Stamp, new_id};
use super::error::{RecordError, RefusedRow};
use super::grouping::Drafts;
use super::preview;
use super::record::{CREATED, Done, OK};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::{IssueState, Workspace};
use crate::accounting::Refusal;
use crate::audit::ContentHash;
use crate::document::{
    BatchDocument, ConversionNoticeItem, ConversionNoticesAnswer, ConversionRequest, RecordingAnswer,
};
use crate::store::{Reader, Rows};

/// Under which references of notices are unique: those of single conversions too.
const KIND: &str = "conversion";

/// What notices came to before they are stamped.
#[derive(Default)]
struct Noticed {
    drafts: Vec<Draft>,
    answers: Vec<RecordingAnswer>,
    extra: Vec<Rows>,
}

/// Decides the notices in order, each on the books that those before it leave. Their books are read once, from the first date of all
/// on: the store has no rows of this command. Gives the issue's state after them too.
async fn decide(
    workspace: &Workspace,
    id: &str,
    notices: &[ConversionRequest],
    reader: &mut Reader<'_>,
) -> Result<(Noticed, IssueState), RecordError> {
    let entity = &workspace.head.entity;
    let mut state = workspace.issue(id)?.clone();
    if let Some(first) = notices.iter().filter_map(ConversionRequest::first_date).min() {
        state.books = state.books_from(entity, id, first, false, reader).await?;
    }
    let references: Vec<&str> = notices.iter().filter_map(|notice| notice.reference.as_deref()).collect();
    let mut named = Named {
        taken: reader.natural_keys(entity, KIND, &references).await?.into_iter().collect(),
        ..Named::default()
    };
    let (mut noticed, mut refused) = (Noticed::default(), Vec::new());
    for (at, notice) in notices.iter().enumerate() {
        let asked = Asked { entity, id, state: &state, framework: workspace.framework };
        let drafted = match named.check(at, notice) {
            Ok(()) => asked.convert(notice, reader).await,
            Err(error) => Err(error),
        };
        match drafted {
            Ok(Decided::Drafted(drafted)) => {
                named.keep(at, notice);
                let sequence = workspace.head.sequence + place(noticed.drafts.len());
                state = noticed.keep(*drafted, sequence)?;
            }
            Ok(Decided::Nothing { reason, .. }) => return Err(RecordError::corrupt("conversion", reason)),
            Err(why @ RecordError::Refused(_) | why @ RecordError::ReferenceInUse { .. }) => {
                refused.push(RefusedRow { at, why });
            }
            Err(error) => return Err(error),
        }
    }
    if !refused.is_empty() {
        return Err(RecordError::RowsRefused { rows: refused, of: notices.len() });
    }
    follow(&mut noticed.drafts, workspace)?;
    Ok((noticed, state))
}

/// What notices name: each reference, and each surrender that is settled, once.
#[derive(Default)]
struct Named<'a> {
    /// References that name something recorded before, with its id.
    taken: HashMap<String, String>,
    /// Where in the list a reference stands.
    here: BTreeMap<&'a str, usize>,
    settled: BTreeSet<&'a str>,
}

impl<'a> Named<'a> {
    fn check(&self, at: usize, notice: &ConversionRequest) -> Result<(), RecordError> {
        if let Some(surrender) = notice.surrender.as_ref().filter(|surrender| self.settled.contains(surrender.as_str()))
        {
            return Err(Refusal::SurrenderAlreadySettled { surrender: surrender.clone() }.into());
        }
        let Some(reference) = &notice.reference else { return Ok(()) };
        if let Some(id) = self.taken.get(reference) {
            return Err(RecordError::ReferenceInUse { kind: KIND, reference: reference.clone(), id: id.clone() });
        }
        match self.here.get(reference.as_str()).filter(|first| **first != at) {
            Some(first) => {
                let rule = format!("row {first} of this list, counted from 0, has it already; give each its own");
                Err(Refusal::invalid("reference", reference, rule).into())
            }
            None => Ok(()),
        }
    }

    fn keep(&mut self, at: usize, notice: &'a ConversionRequest) {
        self.settled.extend(notice.surrender.as_deref());
        self.here.extend(notice.reference.as_deref().map(|reference| (reference, at)));
    }
}

impl Noticed {
    /// Keeps a draft that is to be recorded under a sequence. Gives the issue's state after it, with all rows from the first date on.
    fn keep(&mut self, drafted: Drafted, sequence: i64) -> Result<IssueState, RecordError> {
        let Drafted { draft, answer, books_after, extra, .. } = drafted;
        let state = IssueState {
            document: draft.document.clone(),
            newest: draft.newest_after(sequence)?,
            books: books_after,
            event_sequence: sequence,
        };
        self.drafts.push(draft);
        self.answers.push(answer);
        self.extra.push(extra);
        Ok(state)
    }

    fn answer(&self, id: &str, stamped: &[(EventKey, Stamp)], batches: Vec<BatchDocument>) -> ConversionNoticesAnswer {
        let item = |(at, (draft, answer)): (usize, (&Draft, &RecordingAnswer))| {
            let stamped = stamped.get(at);
            ConversionNoticeItem {
                event: draft::event(draft, stamped.map(|(key, _)| key.id.as_str()), stamped.map(|(_, stamp)| stamp)),
                position_before: answer.position_before.clone(),
                position_after: answer.position_after.clone(),
                conversion: answer.conversion.clone(),
                surrender: answer.surrender.clone(),
            }
        };
        ConversionNoticesAnswer {
            bond_issue: id.to_owned(),
            items: self.drafts.iter().zip(&self.answers).enumerate().map(item).collect(),
            journal_batches: batches,
            preview_sha256: None,
        }
    }

    fn previewed(&self, id: &str, workspace: &mut Workspace) -> Result<ConversionNoticesAnswer, RecordError> {
        let drafts = Drafts { drafts: &self.drafts, events: &[] };
        let batches = drafts.batches(workspace, None)?.into_iter().map(|batch| batch.whole(drafts)).collect();
        Ok(self.answer(id, &[], batches))
    }
}

/// Records the notices.
///
/// # Errors
/// Why none of them is recorded.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    (id, notices): (&str, &[ConversionRequest]),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    session.check_tag(id, workspace.issue(id)?)?;
    let (mut noticed, state) = decide(workspace, id, notices, reader).await?;
    if session.context.preview_sha256.is_some() {
        preview::check(session.context.preview_sha256.as_ref(), &noticed.previewed(id, workspace)?)?;
    }
    let entity = workspace.head.entity.clone();
    let first = session.stamp(workspace);
    let stamp = |at: usize| Stamp {
        sequence: first.sequence + place(at) - 1,
        recorded_at: first.recorded_at + place(at) - 1,
        request_id: first.request_id.clone(),
    };
    let stamped: Vec<(EventKey, Stamp)> = (0..noticed.drafts.len())
        .map(|at| (EventKey { id: new_id(&entity), sequence: stamp(at).sequence }, stamp(at)))
        .collect();
    let Some((_, last)) = stamped.last() else {
        return Err(Refusal::missing("conversions", "a list of conversions holds at least one").into());
    };
    let events: Vec<EventKey> = stamped.iter().map(|(event, _)| event.clone()).collect();
    let mut extra = std::mem::take(&mut noticed.extra).into_iter();
    let drafts = Drafts { drafts: &noticed.drafts, events: &events };
    // The batches are of the last event's record: with it the whole of them is known.
    let (mut rows, mut batches) = (Rows::default(), Vec::new());
    for batch in drafts.batches(workspace, Some(last))? {
        rows.extend(batch.own_rows(last)?);
        rows.extend(batch.entry_rows(drafts, 0..batch.len(), last)?);
        batches.push(batch.whole(drafts));
    }
    let own = Rows { batches: rows.batches.clone(), releases: rows.releases.clone(), ..Rows::default() };
    for (draft, (event, stamp)) in noticed.drafts.iter().zip(&stamped) {
        let of_event = draft::rows_with(&entity, draft, extra.next().unwrap_or_default(), &event.id, stamp)?;
        let mut content = ContentHash::default();
        content.add(&Rows { events: of_event.events.clone(), ..Rows::default() });
        if stamp.sequence == last.sequence {
            content.add(&own);
        }
        rows.extend(of_event);
        if let Some(reference) = &draft.reference {
            rows.natural_keys.push(session.natural_key(workspace, KIND, reference, &event.id));
        }
        session.link(workspace, stamp, (draft.kind, &event.id), content, &mut rows);
    }
    if let Some(draft) = noticed.drafts.last() {
        workspace.keep(id.to_owned(), IssueState::after(draft, state.books, last.sequence)?);
    }
    let recorded = Recorded::new(CREATED, &noticed.answer(id, &stamped, batches))?;
    session.keep_counters(workspace, &mut rows);
    session.keep_answer(&entity, last.recorded_at, &recorded, &mut rows);
    Ok(Done::new(recorded, rows))
}

/// What recording the notices would answer.
///
/// # Errors
/// Why they would not be recorded.
pub(super) async fn preview(
    workspace: &mut Workspace,
    (id, notices): (&str, &[ConversionRequest]),
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let (noticed, _) = decide(workspace, id, notices, reader).await?;
    let mut answer = noticed.previewed(id, workspace)?;
    answer.preview_sha256 = Some(preview::hash(&answer)?);
    Recorded::new(OK, &answer)
}

/// The sequence that the one at a place of the list is given, counted from the head's.
fn place(at: usize) -> i64 {
    i64::try_from(at).map_or(i64::MAX, |at| at.saturating_add(1))
}
