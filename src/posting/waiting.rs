//! Releasing what waits: batches with a role that had no account, and batches that the ledger rejected.

use std::collections::BTreeSet;

use super::account_moves::{self, Mapped};
use super::batch::{self, Batch};
use super::convert::date;
use super::draft::{Draft, Stamp};
use super::error::RecordError;
use super::grouping::Drafts;
use super::record::Pages;
use super::release::{ReleaseAccounts, Unresolved};
use super::render;
use super::workspace::Workspace;
use crate::document::BatchHeadDocument;
use crate::store::{Reader, Rows, WholeBatch};

/// How many batches that wait are read at once.
const PAGE: i64 = 200;

/// Why what waits may be released now.
#[derive(Clone, Copy, Debug)]
pub(super) enum Cause<'a> {
    /// A mapping was recorded: a rejected batch is released again if its accounts are others now.
    Mapped,
    /// This batch, which was rejected, was asked for.
    Asked(&'a str),
}

/// Adds the releases of the batches that can be released, in order of posting. What reverses a batch that still waits waits too.
///
/// # Errors
/// When the store cannot be read.
async fn release_waiting(
    workspace: &mut Workspace,
    stamp: &Stamp,
    cause: Cause<'_>,
    mapped: &mut Mapped,
    rows: &mut Rows,
    reader: &mut Reader<'_>,
) -> Result<(), RecordError> {
    let entity = workspace.head.entity.clone();
    let (mut after, mut waits) = ((0, 0), BTreeSet::new());
    loop {
        let waiting = reader.waiting_batches(&entity, after, PAGE).await?;
        let Some(last) = waiting.last() else { return Ok(()) };
        after = (last.sequence, last.ordinal);
        let ids: Vec<&str> = waiting.iter().map(|waiting| waiting.id.as_str()).collect();
        for whole in reader.whole_batches(&entity, &ids).await? {
            let issues = render::issues_of(&whole, reader).await?;
            let document = render::batch(&whole, &issues)?;
            let dimensions = |issue: &str| issues.get(issue).map(|issue| &issue.dimensions);
            let lines = document.entries.iter().flat_map(|entry| {
                let issue = entry.bond_issue.as_deref().unwrap_or_default();
                entry.lines.iter().map(move |line| Unresolved { issue, role: &line.account_role, own: None })
            });
            let posting_date = date(&whole.batch.posting_date)?;
            let before = ReleaseAccounts::of(whole.release.as_ref())?;
            let moves_accounts = !before.lines.is_empty();
            let accounts = match moves_accounts {
                true => Some(before.clone()),
                false => ReleaseAccounts::resolve(lines, posting_date, &workspace.mapping, dimensions),
            };
            let accounts = accounts.filter(|_| !whole.batch.reverses.as_ref().is_some_and(|of| waits.contains(of)));
            let accounts = match accounts {
                Some(accounts) if is_due(&whole, accounts != before, cause) => Some(accounts),
                _ => None,
            };
            let Some(accounts) = accounts else {
                waits.insert(whole.batch.id.clone());
                continue;
            };
            if !moves_accounts {
                mapped.released(&whole)?;
            }
            let revision = whole.release.as_ref().map_or(1, |rejected| rejected.revision + 1);
            workspace.head.release += 1;
            rows.releases.push(accounts.row(
                &document,
                workspace.head.release,
                revision,
                stamp.sequence,
                stamp.recorded_at,
            )?);
        }
    }
}

/// Whether a batch whose accounts are known is to be released, which may be others than those of the release that was rejected.
fn is_due(whole: &WholeBatch, accounts_differ: bool, cause: Cause<'_>) -> bool {
    match (&whole.release, cause) {
        (None, _) => true,
        (Some(_), Cause::Mapped) => accounts_differ,
        (Some(_), Cause::Asked(batch)) => whole.batch.id == batch,
    }
}

/// What was released, and what it had moved between accounts.
pub(super) struct Released {
    pub rows: Rows,
    pub drafts: Vec<Draft>,
    pub batches: Vec<Batch>,
}

impl Released {
    /// Releases what can be released, then moves balances to where they belong: `mapped` has what a new mapping moves.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn by(
        cause: Cause<'_>,
        mut mapped: Mapped,
        workspace: &mut Workspace,
        stamp: &Stamp,
        reader: &mut Reader<'_>,
    ) -> Result<Released, RecordError> {
        let mut rows = Rows::default();
        release_waiting(workspace, stamp, cause, &mut mapped, &mut rows, reader).await?;
        let drafts = account_moves::drafts(mapped.postings()?, workspace, reader).await?;
        let batches = Drafts { drafts: &drafts, events: &[] }.batches(workspace, Some(stamp))?;
        for batch in &batches {
            rows.extend(batch.own_rows(stamp)?);
        }
        Ok(Released { rows, drafts, batches })
    }

    /// The batches without their entries.
    pub fn heads(&self) -> Vec<BatchHeadDocument> {
        self.batches.iter().map(Batch::head).collect()
    }

    /// The rows of the entries that move balances, a page at a time; none if nothing is moved.
    pub fn pages(self, stamp: Stamp) -> Option<Pages> {
        let Released { drafts, batches, .. } = self;
        let pages = |(at, batch): (usize, &Batch)| batch::pages(batch.len()).map(|page| (at, page)).collect::<Vec<_>>();
        let pages: Vec<_> = batches.iter().enumerate().flat_map(pages).collect();
        if pages.is_empty() {
            return None;
        }
        let rows =
            move |(at, page): (usize, _)| batches[at].entry_rows(Drafts { drafts: &drafts, events: &[] }, page, &stamp);
        Some(Box::new(pages.into_iter().map(rows)))
    }
}
