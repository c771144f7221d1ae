//! Releasing what waits: batches with a role that had no account, and batches that the ledger rejected.

use std::collections::BTreeSet;

use super::convert::date;
use super::draft::Stamp;
use super::error::RecordError;
use super::release::ReleaseAccounts;
use super::render;
use super::workspace::Workspace;
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
pub(super) async fn release_waiting(
    workspace: &mut Workspace,
    stamp: &Stamp,
    cause: Cause<'_>,
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
                entry.lines.iter().map(move |line| (issue, line.account_role.as_str()))
            });
            let posting_date = date(&whole.batch.posting_date)?;
            let accounts = ReleaseAccounts::resolve(lines, posting_date, &workspace.mapping, dimensions);
            let accounts = accounts.filter(|_| !whole.batch.reverses.as_ref().is_some_and(|of| waits.contains(of)));
            let accounts = match accounts {
                Some(accounts) if is_due(&whole, &accounts, cause)? => Some(accounts),
                _ => None,
            };
            let Some(accounts) = accounts else {
                waits.insert(whole.batch.id.clone());
                continue;
            };
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

fn is_due(whole: &WholeBatch, accounts: &ReleaseAccounts, cause: Cause<'_>) -> Result<bool, RecordError> {
    let Some(rejected) = &whole.release else { return Ok(true) };
    match cause {
        Cause::Mapped => {
            let before: ReleaseAccounts =
                serde_json::from_str(&rejected.accounts).map_err(|error| RecordError::corrupt("release", error))?;
            Ok(before != *accounts)
        }
        Cause::Asked(batch) => Ok(whole.batch.id == batch),
    }
}
