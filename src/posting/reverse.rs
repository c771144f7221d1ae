//! Deciding reversals: what was posted is read back, and what rests on it is looked for.

use std::sync::Arc;

use super::command::Reversing;
use super::conversion::SURRENDER;
use super::convert::{date, posted_entry};
use super::decide::{Asked, Decided};
use super::error::RecordError;
use super::inducement::ACCEPTANCE;
use crate::accounting::Refusal;
use crate::accounting::position::{CouponChange, RowChange};
use crate::accounting::transaction::reversal::Reversed;
use crate::document::{RecordingAnswer, ReversalBlock};
use crate::store::{self, CouponRow, EventRow, Reader, Rows, WholeBatch};

impl Asked<'_> {
    pub(super) async fn reverse(&self, reversing: &Reversing, reader: &mut Reader<'_>) -> Result<Decided, RecordError> {
        let reversal = reversing.request.command()?;
        check_event(&reversing.event)?;
        let event = reader.event(self.entity, &reversing.event).await?;
        let event = event.ok_or_else(|| RecordError::NotFound(format!("the event {}", reversing.event)))?;
        check_kind(&event, reversing.holds_accruals_alone)?;
        if let Some(by) = reader.reversed(self.entity, self.id, i64::MAX).await?.remove(&event.sequence) {
            return Err(Refusal::AlreadyReversed { by }.into());
        }
        self.check_dependents(&event, reader).await?;
        let payment = self.payment(&event, reader).await?;
        let effective = date(&event.effective_date)?;
        let batches = reader.batches_of_event(self.entity, &event.id).await?;
        let ids: Vec<&str> = batches.iter().map(String::as_str).collect();
        let batches = reader.whole_batches(self.entity, &ids).await?;
        let entries = entries(&event, &batches)?;
        // An offer is accepted before its bonds convert, and a coupon is due before it is paid.
        let coupon_date = payment.as_ref().map(|payment| date(&payment.coupon_date)).transpose()?;
        let posted = entries.iter().flat_map(|entry| [entry.posting_date, entry.effective_date]);
        let from = posted.chain(coupon_date).fold(effective, std::cmp::min);
        let books = self.state.books_from(self.entity, self.id, from, payment.is_some(), reader).await?;
        let mut reversed = Reversed {
            kind: event.kind.clone(),
            effective_date: effective,
            change: self.change(&event, payment.as_ref(), reader).await?,
            surrender: None,
            // Nothing that rests on it stands, so that it is the last one.
            without: books.instrument.before().filter(|_| is_revision(&event.kind)).cloned(),
            entries,
        };
        if let Some((on, surrender, change)) = self.surrender_within(&event, &reversed.change, reader).await? {
            (reversed.surrender, reversed.change) = (Some((on, surrender)), change);
        }
        let decision = reversal.decide(&books, &reversed)?;
        let blocks = RecordingAnswer {
            reversal: Some(ReversalBlock {
                reversed_event: event.id.clone(),
                reversed_kind: event.kind.clone(),
                reason: reversing.request.reason.clone(),
            }),
            ..RecordingAnswer::default()
        };
        let mut rows = Rows::default();
        rows.reversals.push(store::ReversalRow {
            entity: self.entity.to_owned(),
            bond_issue: self.id.to_owned(),
            reversed: event.sequence,
            sequence: 0, // given with the stamp
        });
        if let Some(payment) = payment {
            rows.coupons.push(CouponRow { revision: payment.revision + 1, paid_on: None, amount: 0, ..payment });
        }
        let parts = self.parts("reversal", &books, reversing.request.reference.as_ref(), &reversing.request)?;
        let mut drafted = parts.draft(decision, blocks, rows)?;
        drafted.freed = self.references(&event)?;
        drafted.draft.unreleased = batches
            .iter()
            .filter(|whole| !whole.is_under_way())
            .map(|whole| Arc::from(whole.batch.id.as_str()))
            .collect();
        Ok(Decided::Drafted(Box::new(drafted)))
    }

    /// What must be reversed first. Coupons that were paid on other principal are the core's to find.
    async fn check_dependents(&self, event: &EventRow, reader: &mut Reader<'_>) -> Result<(), RecordError> {
        let dependent = match event.kind.as_str() {
            kind if is_revision(kind) => reader.event_after(self.entity, self.id, event.sequence).await?,
            // A revision rests on what was outstanding when it was recorded.
            "conversion" | "inducement" | "repurchase" | "redemption" => {
                reader.revision_after(self.entity, self.id, event.sequence).await?
            }
            "issuance" | "opening_balance" => reader.first_standing(self.entity, self.id).await?,
            ACCEPTANCE => self.settled("acceptance", event, reader).await?,
            SURRENDER => match self.settled(SURRENDER, event, reader).await? {
                Some(settlement) => Some(settlement),
                None => reader.revision_after(self.entity, self.id, event.sequence).await?,
            },
            _ => None,
        };
        match dependent {
            Some(dependent) => Err(Refusal::DependentEvent {
                reversed: event.kind.clone(),
                date: date(&dependent.effective_date)?,
                dependent: dependent.kind,
            }
            .into()),
            None => Ok(()),
        }
    }

    /// The settlement of an acceptance or a surrender.
    async fn settled(
        &self,
        kind: &str,
        event: &EventRow,
        reader: &mut Reader<'_>,
    ) -> Result<Option<EventRow>, RecordError> {
        match reader.natural_key(self.entity, kind, &event.id).await? {
            Some(settlement) => Ok(reader.event(self.entity, &settlement).await?),
            None => Ok(None),
        }
    }

    /// The coupon payment that the event is, if it is one.
    async fn payment(&self, event: &EventRow, reader: &mut Reader<'_>) -> Result<Option<CouponRow>, RecordError> {
        if event.kind != "coupon_payment" {
            return Ok(None);
        }
        let paid = reader.paid_coupons(self.entity, self.id, event.sequence).await?;
        Ok(paid.into_iter().find(|coupon| coupon.sequence == event.sequence))
    }

    /// What the event changed in the row of its date.
    async fn change(
        &self,
        event: &EventRow,
        payment: Option<&CouponRow>,
        reader: &mut Reader<'_>,
    ) -> Result<RowChange, RecordError> {
        // An acceptance moves nothing and has no row.
        let change = self.change_on(&event.effective_date, event, reader).await?.unwrap_or_default();
        let coupon = payment.map(super::convert::paid_coupon).transpose()?.flatten().map(CouponChange::Paid);
        Ok(RowChange { coupon, ..change })
    }

    /// The kinds and references that name the event, or the issue that it issued.
    fn references(&self, event: &EventRow) -> Result<Vec<(&'static str, String)>, RecordError> {
        #[derive(serde::Deserialize)]
        struct Detail {
            request: Option<Request>,
        }
        #[derive(serde::Deserialize)]
        struct Request {
            acceptance: Option<String>,
            surrender: Option<String>,
        }
        let detail: Detail =
            serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
        let kind = match event.kind.as_str() {
            "issuance" | "opening_balance" => "bond_issue",
            "coupon_payment" => "coupon_payment",
            "conversion" | SURRENDER => "conversion",
            "repurchase" => "repurchase",
            "redemption" => "redemption",
            "modification" => "modification",
            "estimate" => "estimate",
            "issue_cost_adjustment" => "issue_cost_adjustment",
            "reclassification" => "reclassification",
            _ => "inducement",
        };
        let request = detail.request.unwrap_or(Request { acceptance: None, surrender: None });
        let accepted = request.acceptance.map(|acceptance| ("acceptance", acceptance));
        let settled = accepted.or(request.surrender.map(|surrender| (SURRENDER, surrender)));
        Ok(event.reference.clone().map(|reference| (kind, reference)).into_iter().chain(settled).collect())
    }
}

fn is_revision(kind: &str) -> bool {
    matches!(kind, "modification" | "estimate" | "issue_cost_adjustment")
}

/// What moves balances between accounts is of no event, and neither are closing entries.
fn check_event(event: &str) -> Result<(), Refusal> {
    if !event.is_empty() {
        return Ok(());
    }
    Err(Refusal::NotReversible {
        what: "a batch that is of no event".to_owned(),
        instead: "balances follow the account mapping, so record the one that is right; closing entries are taken back when their period is \
                  opened again"
            .to_owned(),
    })
}

fn check_kind(event: &EventRow, holds_accruals_alone: bool) -> Result<(), Refusal> {
    let (what, instead) = match event.kind.as_str() {
        "reversal" => ("a reversal", "record again what it took back"),
        "accrual" => (
            "an accrual",
            "it only brings what is booked to what is computed; reverse the event that made it wrong, and the catch-up follows",
        ),
        _ if holds_accruals_alone => (
            "a batch of accruals alone",
            "name a batch of the same event that holds another entry, and the whole event is reversed",
        ),
        _ => return Ok(()),
    };
    Err(Refusal::NotReversible { what: what.to_owned(), instead: instead.to_owned() })
}

/// The entries of an event but for accruals, in order of posting.
fn entries(
    event: &EventRow,
    batches: &[WholeBatch],
) -> Result<Vec<crate::accounting::transaction::reversal::PostedEntry>, RecordError> {
    let mut entries = Vec::new();
    for whole in batches {
        let batch: Arc<str> = Arc::from(whole.batch.id.as_str());
        for entry in whole.entries.iter().filter(|entry| entry.event == event.id && entry.kind != "accrual") {
            let lines = whole.lines.iter().filter(|line| line.entry == entry.entry);
            entries.push(posted_entry(entry, lines, &batch, &whole.batch.number)?);
        }
    }
    Ok(entries)
}
