//! Deciding inducements: accepted and settled at once, or the acceptance alone and its settlement later.

use super::decide::{Asked, Decided};
use super::error::RecordError;
use crate::accounting::transaction::Books;
use crate::accounting::transaction::inducement::Offer;
use crate::accounting::{Amount, Refusal};
use crate::document::{ConversionBlock, InducementBlock, InducementRequest, RecordingAnswer};
use crate::store::{EventRow, NaturalKeyRow, Reader, Rows};

/// The kind of the event of an acceptance that is recorded alone.
pub(super) const ACCEPTANCE: &str = "inducement_acceptance";
/// How many events are read at once.
const PAGE: i64 = 500;

impl Asked<'_> {
    pub(super) async fn induce(
        &self,
        request: &InducementRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let currency = self.currency();
        let completion = request.completion(currency)?;
        let mut rows = Rows::default();
        let (books, decision) = match (&request.acceptance, completion) {
            (Some(acceptance), Some(completion)) => {
                check_settles_only(request)?;
                let accepted = self.accepted(acceptance, reader).await?;
                let mut offer = accepted.offer(currency)?;
                // The criteria may turn out otherwise than they were answered at acceptance.
                if let Some(criteria) = request.criteria {
                    offer.criteria = Some(criteria.into());
                }
                let books =
                    self.state.books_from(self.entity, self.id, completion.effective_date, false, reader).await?;
                let assessment = offer.assess(&books)?;
                rows.natural_keys.push(NaturalKeyRow {
                    entity: self.entity.to_owned(),
                    kind: "acceptance".to_owned(),
                    reference: acceptance.clone(),
                    id: String::new(), // given with the event's id
                });
                let decision = offer.complete(&completion, &books, assessment)?;
                (books, decision)
            }
            (Some(_), None) => {
                return Err(Refusal::missing(
                    "effective_date",
                    "an acceptance is settled on the date the bonds convert",
                )
                .into());
            }
            (None, Some(completion)) => {
                let offer = request.offer(currency)?;
                let from = offer.acceptance_date.min(completion.effective_date);
                let books = self.state.books_from(self.entity, self.id, from, false, reader).await?;
                let decision = offer.accept_and_complete(&completion, &books)?;
                (books, decision)
            }
            (None, None) => {
                let offer = request.offer(currency)?;
                let books = self.state.books_from(self.entity, self.id, offer.acceptance_date, false, reader).await?;
                self.check_open_acceptances(&offer, &books, reader).await?;
                let decision = offer.accept(&books)?;
                (books, decision)
            }
        };
        let blocks = RecordingAnswer {
            inducement: Some(InducementBlock::of(&decision.outcome, currency)),
            conversion: decision
                .outcome
                .conversion
                .as_ref()
                .map(|conversion| ConversionBlock::of(conversion, currency)),
            ..RecordingAnswer::default()
        };
        let kind = if decision.outcome.conversion.is_some() { "inducement" } else { ACCEPTANCE };
        let parts = self.parts(kind, &books, request.reference.as_ref(), request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, rows)?)))
    }

    /// Bonds are accepted once: acceptances that wait for their settlement and this one may not exceed what is outstanding.
    async fn check_open_acceptances(
        &self,
        offer: &Offer,
        books: &Books,
        reader: &mut Reader<'_>,
    ) -> Result<(), RecordError> {
        let (mut open, mut after) = (Amount::ZERO, 0);
        let reversed = reader.reversed(self.entity, self.id, i64::MAX).await?;
        loop {
            let page = reader.events(self.entity, self.id, i64::MAX, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = last.sequence;
            let stands = |event: &&EventRow| event.kind == ACCEPTANCE && !reversed.contains_key(&event.sequence);
            for event in page.iter().filter(stands) {
                if reader.natural_key(self.entity, "acceptance", &event.id).await?.is_none() {
                    open = open.plus(request_of(event)?.offer(self.currency())?.principal)?;
                }
            }
        }
        let row = books.history.at(offer.acceptance_date, &books.instrument)?;
        let left = row.principal.minus(open)?;
        if offer.principal > left {
            let major = |amount: Amount| amount.to_major(self.currency());
            let surrendered = row.surrendered.principal;
            return Err(Refusal::ExceedsOutstanding {
                principal: major(offer.principal),
                outstanding: major(left.plus(surrendered)?),
                surrendered: major(surrendered),
                date: offer.acceptance_date,
            }
            .into());
        }
        Ok(())
    }

    /// The request of an acceptance recorded before and not settled yet.
    async fn accepted(&self, acceptance: &str, reader: &mut Reader<'_>) -> Result<InducementRequest, RecordError> {
        let event = reader.event(self.entity, acceptance).await?;
        let event = event.filter(|event| event.bond_issue == self.id && event.kind == ACCEPTANCE);
        let event = event.ok_or_else(|| {
            Refusal::invalid(
                "acceptance",
                acceptance,
                "it must be the event id of an acceptance of this bond issue that was recorded alone",
            )
        })?;
        if let Some(by) = reader.reversed(self.entity, self.id, i64::MAX).await?.remove(&event.sequence) {
            return Err(Refusal::AlreadyReversed { by }.into());
        }
        if reader.natural_key(self.entity, "acceptance", acceptance).await?.is_some() {
            return Err(Refusal::AcceptanceAlreadySettled { acceptance: acceptance.to_owned() }.into());
        }
        request_of(&event)
    }
}

/// The request that an inducement's event was recorded with.
fn request_of(event: &EventRow) -> Result<InducementRequest, RecordError> {
    #[derive(serde::Deserialize)]
    struct Detail {
        request: InducementRequest,
    }
    let detail: Detail = serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
    Ok(detail.request)
}

/// A settlement takes the offer from its acceptance: what the acceptance states is not stated again.
fn check_settles_only(request: &InducementRequest) -> Result<(), Refusal> {
    let stated = [
        ("acceptance_date", request.acceptance_date.is_some()),
        ("amendment_date", request.amendment_date.is_some()),
        ("principal", request.principal.is_some()),
        ("acceptance_share_price", request.acceptance_share_price.is_some()),
        ("new_shares_per_denomination", request.new_shares_per_denomination.is_some()),
        ("cash", request.cash.is_some()),
        ("other_consideration", request.other_consideration.is_some()),
    ];
    match stated.into_iter().find(|(_, is_stated)| *is_stated) {
        Some((field, _)) => Err(Refusal::contradiction(
            field,
            format!("{field} is taken from the acceptance that is settled; leave it out"),
        )),
        None => Ok(()),
    }
}
