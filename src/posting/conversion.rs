//! Deciding conversions: settled at once, or surrendered on a conversion date and settled later, in one command or in two.

use std::sync::Arc;

use rust_decimal::Decimal;

use super::convert::{date, position_row};
use super::decide::{Asked, Decided, Drafted};
use super::error::RecordError;
use crate::accounting::Refusal;
use crate::accounting::instrument::Instrument;
use crate::accounting::position::{Components, PositionRow, RowChange};
use crate::accounting::transaction::Books;
use crate::accounting::transaction::series::Part;
use crate::accounting::transaction::surrender::{Surrender, Surrendered};
use crate::document::{ConversionBlock, ConversionRequest, RecordingAnswer, SurrenderBlock};
use crate::store::{EventRow, NaturalKeyRow, Reader, RecordedRevision, Rows};

/// The kind of the event of a surrender that is recorded alone; and that of the keys under which surrenders are settled.
pub(super) const SURRENDER: &str = "surrender";

impl Asked<'_> {
    pub(super) async fn convert(
        &self,
        request: &ConversionRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let currency = self.currency();
        let mut rows = Rows::default();
        let mut blocks = RecordingAnswer::default();
        let effective_date = request.effective_date.map(|date| date.0);
        let conversion_date = request.conversion_date.map(|date| date.0).filter(|date| Some(*date) != effective_date);
        let (books, decision) = match (&request.surrender, conversion_date, effective_date) {
            (Some(surrender), _, Some(effective_date)) => {
                request.check_settles_only()?;
                let surrendered = self.surrendered(surrender, reader).await?;
                let conversion = request.conversion(effective_date, surrendered.kept.principal, currency)?;
                let books = self.state.books_from(self.entity, self.id, effective_date, false, reader).await?;
                rows.natural_keys.push(NaturalKeyRow {
                    entity: self.entity.to_owned(),
                    kind: SURRENDER.to_owned(),
                    reference: surrender.clone(),
                    id: String::new(), // given with the event's id
                });
                let decision = conversion.settle(&surrendered, &books)?;
                let block = ConversionBlock::of(&decision.outcome, currency);
                blocks.conversion = Some(block.surrendered_on(surrendered.conversion_date));
                (books, decision.map(drop))
            }
            (None, Some(conversion_date), Some(effective_date)) => {
                let conversion = request.conversion(effective_date, request.principal(currency)?, currency)?;
                let books = self.state.books_from(self.entity, self.id, conversion_date, false, reader).await?;
                let (surrender, decision) = conversion.decide_later(conversion_date, &books)?;
                blocks.surrender = Some(SurrenderBlock::of(&surrender.outcome, currency)?);
                let block = ConversionBlock::of(&decision.outcome, currency);
                blocks.conversion = Some(block.surrendered_on(conversion_date));
                (books, decision.map(drop))
            }
            (None, Some(conversion_date), None) => {
                request.check_surrenders_only()?;
                let surrender = Surrender { conversion_date, principal: request.principal(currency)? };
                let books = self.state.books_from(self.entity, self.id, conversion_date, false, reader).await?;
                let decision = surrender.decide(&books)?;
                blocks.surrender = Some(SurrenderBlock::of(&decision.outcome, currency)?);
                (books, decision.map(drop))
            }
            (None, None, Some(_)) => {
                let (drafted, _) = self.convert_part(request, Part::default(), reader).await?;
                return Ok(Decided::Drafted(Box::new(drafted)));
            }
            (_, _, None) => return Err(ConversionRequest::without_date().into()),
        };
        let kind = if blocks.conversion.is_some() { "conversion" } else { SURRENDER };
        let parts = self.parts(kind, &books, request.reference.as_ref(), request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, rows)?)))
    }

    /// A conversion that settles at once, which may be one issue's part of one of its series; with the fraction of a share that it passes
    /// on.
    pub(super) async fn convert_part(
        &self,
        request: &ConversionRequest,
        part: Part,
        reader: &mut Reader<'_>,
    ) -> Result<(Drafted, Decimal), RecordError> {
        let books = self.state.books_from(self.entity, self.id, request.effective_date()?, false, reader).await?;
        self.convert_on(&books, request, part)
    }

    /// A conversion that settles at once, if memory holds the books from its date on.
    pub(super) fn convert_from_memory(&self, request: &ConversionRequest) -> Result<Option<Drafted>, RecordError> {
        if request.surrender.is_some() || request.conversion_date.is_some() {
            return Ok(None);
        }
        let Some(books) = self.state.books_in_memory(request.effective_date()?, false) else { return Ok(None) };
        let (drafted, _) = self.convert_on(books, request, Part::default())?;
        Ok(Some(drafted))
    }

    fn convert_on(
        &self,
        books: &Books,
        request: &ConversionRequest,
        part: Part,
    ) -> Result<(Drafted, Decimal), RecordError> {
        let currency = self.currency();
        let conversion = request.conversion(request.effective_date()?, request.principal(currency)?, currency)?;
        let decision = conversion.decide_part(books, part)?;
        let blocks = RecordingAnswer {
            conversion: Some(ConversionBlock::of(&decision.outcome, currency)),
            ..RecordingAnswer::default()
        };
        let passed_on = decision.outcome.passed_on;
        let parts = self.parts("conversion", books, request.reference.as_ref(), request)?;
        Ok((parts.draft(decision, blocks, Rows::default())?, passed_on))
    }

    /// What was surrendered by an event recorded before and not settled yet.
    async fn surrendered(&self, surrender: &str, reader: &mut Reader<'_>) -> Result<Surrendered, RecordError> {
        let event = reader.event(self.entity, surrender).await?;
        let event = event.filter(|event| event.bond_issue == self.id && event.kind == SURRENDER);
        let event = event.ok_or_else(|| {
            Refusal::invalid(
                "surrender",
                surrender,
                "it must be the event id of a surrender of bonds of this issue that was recorded alone",
            )
        })?;
        if let Some(by) = reader.reversed(self.entity, self.id, i64::MAX).await?.remove(&event.sequence) {
            return Err(Refusal::AlreadyReversed { by }.into());
        }
        if reader.natural_key(self.entity, SURRENDER, surrender).await?.is_some() {
            return Err(Refusal::SurrenderAlreadySettled { surrender: surrender.to_owned() }.into());
        }
        let change = self.change_on(&event.effective_date, &event, reader).await?.unwrap_or_default();
        let issue = self.issue_before(event.sequence, reader).await?;
        Ok(Surrendered { issue, conversion_date: date(&event.effective_date)?, kept: change.surrendered })
    }

    /// The issue as it was when a command of this sequence was recorded. Of revisions the last one alone can be taken back, so that those
    /// recorded since are the newest that stand.
    async fn issue_before(&self, sequence: i64, reader: &mut Reader<'_>) -> Result<Arc<Instrument>, RecordError> {
        let revisions = reader.revisions(self.entity, &[self.id]).await?;
        let since = |recorded: &&RecordedRevision| recorded.reversed == 0 && recorded.revision.sequence > sequence;
        let mut issue = &self.state.books.instrument;
        for _ in revisions.iter().filter(since) {
            issue = issue.before().unwrap_or(issue);
        }
        Ok(Arc::clone(issue))
    }

    /// What an event changed in the row of a date, if it has one there.
    pub(super) async fn change_on(
        &self,
        on: &str,
        event: &EventRow,
        reader: &mut Reader<'_>,
    ) -> Result<Option<RowChange>, RecordError> {
        let after = reader.position_by(self.entity, self.id, on, event.sequence).await?;
        let Some(after) = after.filter(|row| row.sequence == event.sequence) else { return Ok(None) };
        let day = date(on)?;
        let before = match reader.position_by(self.entity, self.id, on, event.sequence - 1).await? {
            Some(row) => position_row(&row)?.rolled_to(day, &self.state.books.instrument)?,
            None => PositionRow::before(day),
        };
        Ok(Some(RowChange::between(&before, &position_row(&after)?, None)?))
    }

    /// What a conversion that was recorded with its surrender changed: by the surrender, and by its settlement on `event`'s own date,
    /// where the rows hold both.
    pub(super) async fn surrender_within(
        &self,
        event: &EventRow,
        both: &RowChange,
        reader: &mut Reader<'_>,
    ) -> Result<Option<(jiff::civil::Date, RowChange, RowChange)>, RecordError> {
        #[derive(serde::Deserialize)]
        struct Detail {
            surrender: Option<Surrendering>,
        }
        #[derive(serde::Deserialize)]
        struct Surrendering {
            conversion_date: String,
        }
        if event.kind != "conversion" {
            return Ok(None);
        }
        let detail: Detail =
            serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
        let Some(Surrendering { conversion_date }) = detail.surrender else { return Ok(None) };
        let surrender = self.change_on(&conversion_date, event, reader).await?.unwrap_or_default();
        let settlement = RowChange {
            moved: both.moved.minus(&surrender.moved)?,
            surrendered: Components::default().minus(&surrender.surrendered)?,
            ..RowChange::default()
        };
        Ok(Some((date(&conversion_date)?, surrender, settlement)))
    }
}
