//! What the ledger answers to a release, and releasing again what it rejected.

use std::sync::Arc;

use serde_json::{Value, json};

use super::account_moves::Mapped;
use super::draft::Stamp;
use super::error::RecordError;
use super::record::{CREATED, Done, OK};
use super::recorder::Recorded;
use super::release::ReleaseAccounts;
use super::session::Session;
use super::waiting::{Cause, Released};
use super::workspace::Workspace;
use super::{preview, render};
use crate::accounting::Refusal;
use crate::document::{
    AcknowledgedStatus, AcknowledgementAnswer, AcknowledgementDocument, AcknowledgementRequest, ReleasedAgain,
};
use crate::store::{AcknowledgementRow, Reader, Rows, WholeBatch};

/// Why an answer of the ledger was not taken, or a batch not released again.
#[derive(Debug, thiserror::Error)]
pub enum NotAcknowledged {
    #[error(
        "the batch {number} is not released: a role of it has no account, or what it reverses is not with the ledger"
    )]
    NotReleased { number: String },
    #[error("revision {revision} of {number} is not its newest one, which is {newest}; answer that one")]
    NotNewest { number: String, revision: i64, newest: i64 },
    #[error("revision {} of {number} was answered otherwise before, with status {}; what is stored stands", stored.revision, stored.status.name())]
    Differently { number: String, stored: Box<AcknowledgementDocument> },
    #[error("{what} of the ledger: {counted}; of revision {revision} of {number}: {released}. Nothing is acknowledged")]
    TotalsMismatch { number: String, revision: i64, what: &'static str, counted: String, released: String },
    #[error(
        "the balances of {number} were moved by the mapping that was recorded after it was rejected; it is not released again"
    )]
    Replaced { number: String },
    #[error("{number} is {status}; only a batch whose newest revision the ledger rejected is released again")]
    NotRejected { number: String, status: &'static str },
}

impl NotAcknowledged {
    /// The stable code of the problem.
    pub fn code(&self) -> &'static str {
        match self {
            NotAcknowledged::NotReleased { .. } => "not_released",
            NotAcknowledged::NotNewest { .. } => "not_the_newest_revision",
            NotAcknowledged::Differently { .. } => "acknowledged_differently",
            NotAcknowledged::TotalsMismatch { .. } => "totals_mismatch",
            NotAcknowledged::NotRejected { .. } | NotAcknowledged::Replaced { .. } => "not_rejected",
        }
    }

    /// Figures for the problem, by name.
    pub fn figures(&self) -> Vec<(&'static str, Value)> {
        match self {
            NotAcknowledged::NotNewest { newest, .. } => vec![("newest_revision", json!(newest))],
            NotAcknowledged::Differently { stored, .. } => vec![("stored", json!(stored))],
            NotAcknowledged::TotalsMismatch { what, counted, released, .. } => {
                vec![("total", json!(what)), ("counted", json!(counted)), ("released", json!(released))]
            }
            NotAcknowledged::NotReleased { .. }
            | NotAcknowledged::NotRejected { .. }
            | NotAcknowledged::Replaced { .. } => Vec::new(),
        }
    }
}

/// An answer that can be taken, and whether it was before.
struct Taken {
    answer: AcknowledgementAnswer,
    is_repeated: bool,
}

/// Records what the ledger answered. The same answer again records nothing.
///
/// # Errors
/// [`RecordError::NotAcknowledged`] when it cannot be taken.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    batch: &str,
    request: &AcknowledgementRequest,
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let entity = workspace.head.entity.clone();
    let Taken { mut answer, is_repeated } = take(&entity, batch, request, reader).await?;
    if session.context.preview_sha256.is_some() {
        preview::check(session.context.preview_sha256.as_ref(), &answer)?;
    }
    if is_repeated {
        return session.nothing_to_do(&entity, Recorded::new(OK, &answer)?, reader).await;
    }
    let stamp = session.stamp(workspace);
    answer.acknowledgement.acknowledged_at = stamp.time();
    let mut rows = Rows::default();
    let kept = &answer.acknowledgement;
    rows.acknowledgements.push(AcknowledgementRow {
        entity,
        batch: batch.to_owned(),
        revision: kept.revision,
        sequence: stamp.sequence,
        acknowledged_at: stamp.recorded_at,
        status: kept.status.name().to_owned(),
        document_number: kept.document_number.clone(),
        ledger_posting_date: kept.ledger_posting_date.clone(),
        reason: kept.reason.clone(),
    });
    let recorded = Recorded::new(OK, &answer)?;
    session.finish(workspace, &stamp, ("acknowledgement", batch), &mut rows, &recorded)?;
    Ok(Done::new(recorded, rows))
}

/// What taking the answer would be answered with.
///
/// # Errors
/// [`RecordError::NotAcknowledged`] when it cannot be taken.
pub(super) async fn preview(
    entity: &str,
    batch: &str,
    request: &AcknowledgementRequest,
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    Recorded::new(OK, &take(entity, batch, request, reader).await?.answer)
}

async fn take(
    entity: &str,
    batch: &str,
    request: &AcknowledgementRequest,
    reader: &mut Reader<'_>,
) -> Result<Taken, RecordError> {
    check(request)?;
    let releases = reader.releases_of(entity, batch).await?;
    let Some(newest) = releases.last() else {
        let whole = reader.batch(entity, batch).await?;
        let whole = whole.ok_or_else(|| RecordError::NotFound(format!("the journal batch {batch}")))?;
        return Err(NotAcknowledged::NotReleased { number: whole.batch.number }.into());
    };
    let (number, revision) = (newest.batch.number.clone(), i64::from(request.revision));
    let not_newest =
        || NotAcknowledged::NotNewest { number: number.clone(), revision, newest: newest.release.revision };
    let asked_for = releases.iter().map(|of| &of.release).find(|release| release.revision == revision);
    let release = asked_for.ok_or_else(not_newest)?;
    let answered = reader.acknowledgements(entity, &[batch]).await?;
    let stored = answered.iter().find(|row| row.revision == revision).map(render::acknowledgement).transpose()?;
    let asked = AcknowledgementDocument {
        revision,
        status: request.status,
        document_number: request.document_number.clone(),
        ledger_posting_date: request.ledger_posting_date.map(|date| date.to_string()),
        reason: request.reason.clone(),
        acknowledged_at: None,
    };
    let repeated =
        stored.clone().filter(|stored| AcknowledgementDocument { acknowledged_at: None, ..stored.clone() } == asked);
    match stored {
        _ if repeated.is_some() => {}
        _ if revision != newest.release.revision => return Err(not_newest().into()),
        Some(stored) => return Err(NotAcknowledged::Differently { number, stored: Box::new(stored) }.into()),
        None => {}
    }
    let totals = render::totals(&newest.batch)?;
    let other_hash = request.release_sha256.as_ref().filter(|hash| **hash != release.release_sha256);
    let difference = request.totals.as_ref().and_then(|counted| counted.difference(&totals));
    let difference =
        difference.or_else(|| other_hash.map(|hash| ("release_sha256", hash.clone(), release.release_sha256.clone())));
    if let Some((what, counted, released)) = difference {
        return Err(NotAcknowledged::TotalsMismatch { number, revision, what, counted, released }.into());
    }
    Ok(Taken {
        is_repeated: repeated.is_some(),
        answer: AcknowledgementAnswer {
            batch: batch.to_owned(),
            number,
            release: release.release,
            acknowledgement: repeated.unwrap_or(asked),
            totals,
            release_sha256: release.release_sha256.clone(),
        },
    })
}

fn check(request: &AcknowledgementRequest) -> Result<(), Refusal> {
    let is_blank = |text: &Option<String>| text.as_ref().is_some_and(|text| text.trim().is_empty());
    if is_blank(&request.document_number) {
        return Err(Refusal::invalid(
            "document_number",
            "",
            "it is the ledger's number of the document; leave it out if there is none",
        ));
    }
    if request.status == AcknowledgedStatus::Acknowledged {
        return Ok(());
    }
    if request.reason.is_none() || is_blank(&request.reason) {
        return Err(Refusal::missing(
            "reason",
            "whoever mends the batch asks why the ledger rejected it; say it in a sentence",
        ));
    }
    let posted = [
        ("document_number", request.document_number.is_some()),
        ("ledger_posting_date", request.ledger_posting_date.is_some()),
    ];
    match posted.into_iter().find(|(_, is_there)| *is_there) {
        Some((field, _)) => Err(Refusal::contradiction(
            field,
            "rejected says that the ledger posted nothing; leave it out, or acknowledge the batch",
        )),
        None => Ok(()),
    }
}

/// Releases a rejected batch again, with the accounts as they are mapped now.
///
/// # Errors
/// [`NotAcknowledged::NotRejected`].
pub(super) async fn release_again(
    session: &Session<'_>,
    workspace: &mut Workspace,
    batch: &str,
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let stamp = session.stamp(workspace);
    let (answer, mut released) = again(&stamp, workspace, batch, reader).await?;
    let mut rows = std::mem::take(&mut released.rows);
    let recorded = Recorded::new(CREATED, &answer)?;
    session.finish(workspace, &stamp, ("release", batch), &mut rows, &recorded)?;
    Ok(Done { pages: released.pages(stamp), ..Done::new(recorded, rows) })
}

/// What releasing the batch again would be answered with.
///
/// # Errors
/// [`NotAcknowledged::NotRejected`].
pub(super) async fn preview_release(
    session: &Session<'_>,
    workspace: &mut Workspace,
    batch: &str,
    reader: &mut Reader<'_>,
) -> Result<Recorded, RecordError> {
    let stamp = session.stamp(workspace);
    let (answer, _) = again(&stamp, workspace, batch, reader).await?;
    Recorded::new(OK, &ReleasedAgain { release: None, released_at: None, release_sha256: None, ..answer })
}

/// Whether a batch that moves balances was rejected before a mapping was recorded, which then moved them instead.
fn is_replaced(whole: &WholeBatch, workspace: &Workspace) -> Result<bool, RecordError> {
    let moves_accounts = !ReleaseAccounts::of(whole.release.as_ref())?.lines.is_empty();
    let rejected_before = whole.acknowledgement().is_some_and(|answer| answer.sequence < workspace.mapping.newest());
    Ok(moves_accounts && rejected_before)
}

async fn again(
    stamp: &Stamp,
    workspace: &mut Workspace,
    batch: &str,
    reader: &mut Reader<'_>,
) -> Result<(ReleasedAgain, Released), RecordError> {
    let entity = workspace.head.entity.clone();
    let whole = reader.batch(&entity, batch).await?;
    let whole = whole.ok_or_else(|| RecordError::NotFound(format!("the journal batch {batch}")))?;
    let number = whole.batch.number.clone();
    match whole.acknowledgement().map(render::acknowledgement).transpose()?.map(|answer| answer.status) {
        Some(AcknowledgedStatus::Rejected) if is_replaced(&whole, workspace)? => {
            return Err(NotAcknowledged::Replaced { number }.into());
        }
        Some(AcknowledgedStatus::Rejected) => {}
        Some(AcknowledgedStatus::Acknowledged) => {
            return Err(NotAcknowledged::NotRejected { number, status: "acknowledged" }.into());
        }
        None if whole.release.is_some() => {
            return Err(NotAcknowledged::NotRejected { number, status: "released" }.into());
        }
        None => return Err(NotAcknowledged::NotReleased { number }.into()),
    }
    let mapped = Mapped::new(workspace, Arc::clone(&workspace.mapping))?;
    let all = Released::by(Cause::Asked(batch), mapped, workspace, stamp, reader).await?;
    let released = all.rows.releases.iter().find(|release| release.batch == batch);
    let released = released.ok_or(NotAcknowledged::NotReleased { number: number.clone() })?;
    let answer = ReleasedAgain {
        batch: batch.to_owned(),
        number,
        release: Some(released.release),
        revision: released.revision,
        released_at: stamp.time(),
        release_sha256: Some(released.release_sha256.clone()),
    };
    Ok((answer, all))
}
