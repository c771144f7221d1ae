//! Deciding revisions: modifications, estimates and corrected issue costs.

use serde::Serialize;

use super::convert;
use super::decide::{Asked, Decided};
use super::error::RecordError;
use crate::accounting::transaction::{Books, Decision};
use crate::document::{
    ConversionOptionDocument, EstimateBlock, EstimateRequest, IssueCostAdjustmentBlock, IssueCostAdjustmentRequest,
    ModificationBlock, ModificationRequest, RecordingAnswer,
};
use crate::store::{Reader, Rows};

impl Asked<'_> {
    pub(super) async fn modify(
        &self,
        request: &ModificationRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let modification = request.command(self.currency())?;
        let books = self.state.books_from(self.entity, self.id, modification.effective_date, false, reader).await?;
        let decision = modification.decide(&books, self.framework)?;
        let block = Some(ModificationBlock::of(&decision.outcome, self.currency()));
        let blocks = RecordingAnswer { modification: block, ..RecordingAnswer::default() };
        let option = request.conversion_option.as_ref();
        self.revised(("modification", request.reference.as_ref(), request), &books, decision, blocks, option)
    }

    pub(super) async fn estimate(
        &self,
        request: &EstimateRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let estimate = request.command();
        let books = self.state.books_from(self.entity, self.id, estimate.effective_date, false, reader).await?;
        let decision = estimate.decide(&books, self.framework)?;
        let block = Some(EstimateBlock::of(&decision.outcome, self.currency()));
        let blocks = RecordingAnswer { estimate: block, ..RecordingAnswer::default() };
        self.revised(("estimate", request.reference.as_ref(), request), &books, decision, blocks, None)
    }

    pub(super) async fn adjust_issue_costs(
        &self,
        request: &IssueCostAdjustmentRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let adjustment = request.command(self.currency())?;
        let start = self.state.books.instrument.start().moment.date;
        let books = self.state.books_from(self.entity, self.id, start, false, reader).await?;
        let decision = adjustment.decide(&books)?;
        let block = Some(IssueCostAdjustmentBlock::of(&decision.outcome, self.currency()));
        let blocks = RecordingAnswer { issue_cost_adjustment: block, ..RecordingAnswer::default() };
        self.revised(("issue_cost_adjustment", request.reference.as_ref(), request), &books, decision, blocks, None)
    }

    /// A revision with the row that keeps it.
    fn revised<O>(
        &self,
        (kind, reference, request): (&'static str, Option<&String>, &impl Serialize),
        books: &Books,
        decision: Decision<O>,
        blocks: RecordingAnswer,
        option: Option<&ConversionOptionDocument>,
    ) -> Result<Decided, RecordError> {
        let mut rows = Rows::default();
        if let Some(revised) = &decision.revised {
            rows.revisions.push(convert::stored_revision(self.entity, self.id, revised, option)?);
        }
        let parts = self.parts(kind, books, reference, request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, rows)?)))
    }
}
