//! From a command to a draft: the books it needs, the core's decision, and the answer as far as it needs no ids.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::civil::Date;
use serde::Serialize;

use super::account_moves::follow;
use super::command::IssueCommand;
use super::convert;
use super::draft::Draft;
use super::error::RecordError;
use super::workspace::{IssueState, Newest, Workspace};
use crate::accounting::framework::Framework;
use crate::accounting::instrument::Instrument;
use crate::accounting::journal::Posting;
use crate::accounting::money::Amount;
use crate::accounting::position::PositionRow;
use crate::accounting::transaction::accrual::Accrual;
use crate::accounting::transaction::coupon_payment::CouponPayment;
use crate::accounting::transaction::extinguishment::{Extinguishment, Occasion};
use crate::accounting::transaction::{Books, Decision, issuance, opening_balance};
use crate::accounting::{Currency, Refusal};
use crate::document::{
    AccrualRequest, BondIssueDocument, CouponPaymentBlock, CouponPaymentRequest, ExtinguishmentBlock, IssuanceBlock,
    OpeningInterestBlock, PositionDocument, RateAdjustmentBlock, RateAdjustmentRequest, ReclassificationBlock,
    ReclassificationRequest, RecordingAnswer,
};
use crate::store::{CouponRow, Reader, Rows};

/// What a command on an issue came to.
pub(super) enum Decided {
    Drafted(Box<Drafted>),
    /// Nothing to post: the reason, and what is answered.
    Nothing {
        reason: &'static str,
        answer: Box<RecordingAnswer>,
    },
}

/// A draft, and what follows from it beside its own rows.
pub(super) struct Drafted {
    pub draft: Draft,
    /// Everything of the answer that needs no id.
    pub answer: RecordingAnswer,
    /// The issue's books after it, as far back as it was decided on them.
    pub books_after: Books,
    /// Rows that only its kind of command has.
    pub extra: Rows,
    /// The references that name something else from now on, by kind.
    pub freed: Vec<(&'static str, String)>,
}

/// A decision with what surrounds it.
pub(super) struct Parts<'a> {
    kind: &'static str,
    bond_issue: Option<String>,
    document: Arc<BondIssueDocument>,
    books: &'a Books,
    follows: i64,
    newest_before: Option<Newest>,
    reference: Option<String>,
    request: serde_json::Value,
    framework: Framework,
}

impl Parts<'_> {
    pub fn draft<O>(self, decision: Decision<O>, blocks: RecordingAnswer, extra: Rows) -> Result<Drafted, RecordError> {
        let currency = self.books.instrument.terms().currency;
        let answer = RecordingAnswer {
            position_before: Some(PositionDocument::of(&decision.before, currency)?),
            position_after: Some(PositionDocument::of(&decision.after, currency)?),
            ..blocks
        };
        let books_after = self.books.after(&decision);
        let known_date = |date: Date| self.books.history.rows().iter().any(|row| row.date == date);
        let known_posting = |date: Date| self.books.booked.iter().any(|row| row.posting_date == date);
        let draft = Draft {
            kind: self.kind,
            bond_issue: self.bond_issue,
            document: self.document,
            currency,
            effective_date: decision.effective_date,
            position_rows: decision.position_rows.iter().map(|row| (*row, !known_date(row.date))).collect(),
            booked_rows: decision.booked_rows.iter().map(|row| (*row, !known_posting(row.posting_date))).collect(),
            postings: decision.postings.into_iter().map(|posting| cited(posting, self.framework)).collect(),
            follows: self.follows,
            newest_before: self.newest_before,
            reference: self.reference,
            unreleased: BTreeSet::new(),
            detail: detail(&answer, self.request)?,
        };
        Ok(Drafted { draft, answer, books_after, extra, freed: Vec::new() })
    }
}

/// A posting whose lines cite the paragraphs of a framework.
fn cited(posting: Posting, framework: Framework) -> Posting {
    Posting { entry: posting.entry.citing(|paragraph| framework.paragraph(paragraph)), ..posting }
}

/// What an event keeps.
fn detail(answer: &RecordingAnswer, request: serde_json::Value) -> Result<String, RecordError> {
    let mut detail = serde_json::to_value(answer).map_err(|error| RecordError::corrupt("event", error))?;
    if let Some(detail) = detail.as_object_mut() {
        detail.remove("journal_batches");
        detail.insert("request".to_owned(), request);
    }
    Ok(detail.to_string())
}

/// Decides a command on an issue that was fetched.
pub(super) async fn on_issue(
    workspace: &Workspace,
    id: &str,
    command: &IssueCommand,
    reader: &mut Reader<'_>,
) -> Result<Decided, RecordError> {
    let mut decided = decide(asked(workspace, id)?, command, reader).await?;
    if let Decided::Drafted(drafted) = &mut decided {
        follow(std::slice::from_mut(&mut drafted.draft), workspace)?;
    }
    Ok(decided)
}

/// The same of a command for which memory is enough; none of any other.
///
/// # Errors
/// Why it would not be recorded.
pub(super) fn on_issue_from_memory(
    workspace: &Workspace,
    id: &str,
    command: &IssueCommand,
) -> Result<Option<Drafted>, RecordError> {
    let IssueCommand::Convert(request) = command else { return Ok(None) };
    let Some(mut drafted) = asked(workspace, id)?.convert_from_memory(request)? else { return Ok(None) };
    follow(std::slice::from_mut(&mut drafted.draft), workspace)?;
    Ok(Some(drafted))
}

async fn decide(asked: Asked<'_>, command: &IssueCommand, reader: &mut Reader<'_>) -> Result<Decided, RecordError> {
    match command {
        IssueCommand::Accrue(request) => asked.accrue(request, reader).await,
        IssueCommand::PayCoupon(request) => {
            Ok(Decided::Drafted(Box::new(asked.coupon_payment(request, reader).await?)))
        }
        IssueCommand::Convert(request) => asked.convert(request, reader).await,
        IssueCommand::Induce(request) => asked.induce(request, reader).await,
        IssueCommand::AdjustRate(request) => asked.adjust_rate(request, reader).await,
        IssueCommand::Reclassify(request) => asked.reclassify(request, reader).await,
        IssueCommand::Reverse(reversing) => asked.reverse(reversing, reader).await,
        IssueCommand::Modify(request) => asked.modify(request, reader).await,
        IssueCommand::Estimate(request) => asked.estimate(request, reader).await,
        IssueCommand::AdjustIssueCosts(request) => asked.adjust_issue_costs(request, reader).await,
        IssueCommand::Repurchase(request) => {
            let extinguishment = request.command(asked.currency())?;
            asked.extinguish(extinguishment, request.reference.as_ref(), request, reader).await
        }
        IssueCommand::Redeem(request) => {
            let extinguishment = request.command(asked.currency())?;
            asked.extinguish(extinguishment, request.reference.as_ref(), request, reader).await
        }
    }
}

/// An issue that was fetched.
pub(super) fn asked<'a>(workspace: &'a Workspace, id: &'a str) -> Result<Asked<'a>, RecordError> {
    let state = workspace.issue(id)?;
    Ok(Asked { entity: &workspace.head.entity, id, state, framework: workspace.framework })
}

/// An issue and where it is.
pub(super) struct Asked<'a> {
    pub entity: &'a str,
    pub id: &'a str,
    pub state: &'a IssueState,
    pub framework: Framework,
}

impl Asked<'_> {
    pub(super) fn currency(&self) -> Currency {
        self.state.books.instrument.terms().currency
    }

    pub(super) fn parts<'b>(
        &'b self,
        kind: &'static str,
        books: &'b Books,
        reference: Option<&String>,
        request: &impl Serialize,
    ) -> Result<Parts<'b>, RecordError> {
        Ok(Parts {
            kind,
            bond_issue: Some(self.id.to_owned()),
            document: Arc::clone(&self.state.document),
            books,
            follows: self.state.event_sequence,
            newest_before: Some(self.state.newest),
            reference: reference.cloned(),
            request: serde_json::to_value(request).map_err(|error| RecordError::corrupt("request", error))?,
            framework: self.framework,
        })
    }

    pub async fn accrue(&self, request: &AccrualRequest, reader: &mut Reader<'_>) -> Result<Decided, RecordError> {
        let accrual = Accrual { through: request.through.0 };
        let books = self.state.books_from(self.entity, self.id, self.state.books.accrued().date, false, reader).await?;
        let Some(decision) = accrual.decide(&books)? else {
            let has =
                |part: fn(&PositionRow) -> Amount| books.history.last().is_some_and(|row| part(row).is_positive());
            let reason = match (has(|row| row.principal), has(|row| row.surrendered.principal)) {
                (true, _) => "accrued through this date already",
                (false, true) => "what is outstanding is surrendered for conversion and bears no interest",
                (false, false) => "nothing is outstanding",
            };
            let accrued_through = books.accrued().date.max(books.instrument.start().moment.date);
            let accrued_through = Some(accrued_through.to_string());
            let answer = Box::new(RecordingAnswer { accrued_through, ..RecordingAnswer::default() });
            return Ok(Decided::Nothing { reason, answer });
        };
        let blocks = RecordingAnswer {
            accrued_through: Some(decision.effective_date.to_string()),
            ..RecordingAnswer::default()
        };
        let parts = self.parts("accrual", &books, request.reference.as_ref(), request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, Rows::default())?)))
    }

    /// Whether the issue begins on a coupon date or after it, and did not take that coupon over unpaid.
    pub fn begins_on_or_after(&self, coupon_date: Date) -> bool {
        let instrument = &self.state.books.instrument;
        let taken_over = instrument.opening_coupon().is_some_and(|(date, _)| date == coupon_date);
        instrument.start().moment.date >= coupon_date && !taken_over
    }

    /// What is outstanding on a date.
    pub async fn outstanding(&self, date: Date, reader: &mut Reader<'_>) -> Result<Amount, RecordError> {
        let books = self.state.books_from(self.entity, self.id, date, false, reader).await?;
        Ok(books.history.at(date, &books.instrument)?.principal)
    }

    pub async fn coupon_payment(
        &self,
        request: &CouponPaymentRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Drafted, RecordError> {
        let payment = CouponPayment { coupon_date: request.coupon_date.0, paid_on: request.paid_on.map(|date| date.0) };
        let books = self.state.books_from(self.entity, self.id, payment.needs_from(), true, reader).await?;
        let coupon_date = payment.coupon_date.to_string();
        let revisions = reader.coupon_revisions(self.entity, self.id, &coupon_date).await?;
        let paid_already = revisions.last().is_some_and(|newest| newest.paid_on.is_some());
        let decision = payment.decide(&books, paid_already)?;
        let outcome = decision.outcome;
        let blocks = RecordingAnswer {
            coupon_payment: Some(CouponPaymentBlock::of(&outcome, self.currency())),
            ..RecordingAnswer::default()
        };
        let mut rows = Rows::default();
        rows.coupons.push(CouponRow {
            entity: self.entity.to_owned(),
            bond_issue: self.id.to_owned(),
            coupon_date,
            revision: revisions.last().map_or(1, |newest| newest.revision + 1),
            sequence: 0, // given with the stamp
            paid_on: Some(outcome.paid_on.to_string()),
            amount: outcome.amount.minor(),
        });
        self.parts("coupon_payment", &books, request.reference.as_ref(), request)?.draft(decision, blocks, rows)
    }

    async fn adjust_rate(
        &self,
        request: &RateAdjustmentRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let adjustment = request.command()?;
        let date = adjustment.effective_date;
        let books = self.state.books_from(self.entity, self.id, date, false, reader).await?;
        let converted_on = reader.converted_from(self.entity, self.id, &date.to_string()).await?;
        let converted_on = converted_on.as_deref().map(convert::date).transpose()?;
        let decision = adjustment.decide(&books, converted_on)?;
        let blocks = RecordingAnswer {
            rate_adjustment: Some(RateAdjustmentBlock::of(&decision.outcome)),
            ..RecordingAnswer::default()
        };
        let mut rows = Rows::default();
        rows.conversion_rates.push(convert::stored_rate(self.entity, self.id, &decision.outcome));
        let parts = self.parts("rate_adjustment", &books, request.reference.as_ref(), request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, rows)?)))
    }

    async fn reclassify(
        &self,
        request: &ReclassificationRequest,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let currency = self.currency();
        let reclassification = request.command(currency)?;
        let date = reclassification.balance_sheet_date;
        if let Some(event) = reader.reclassified(self.entity, self.id, &date.to_string(), i64::MAX).await? {
            return Err(Refusal::AlreadyReclassified { date, event: event.id }.into());
        }
        let books = self.state.books_from(self.entity, self.id, date, false, reader).await?;
        let decision = reclassification.decide(&books, self.framework)?;
        let reclassification = Some(ReclassificationBlock::of(&decision.outcome, currency)?);
        let blocks = RecordingAnswer { reclassification, ..RecordingAnswer::default() };
        if decision.postings.is_empty() {
            return Ok(Decided::Nothing { reason: "nothing is current", answer: Box::new(blocks) });
        }
        let parts = self.parts("reclassification", &books, request.reference.as_ref(), request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, Rows::default())?)))
    }

    async fn extinguish(
        &self,
        extinguishment: Extinguishment,
        reference: Option<&String>,
        request: &impl Serialize,
        reader: &mut Reader<'_>,
    ) -> Result<Decided, RecordError> {
        let books = self.state.books_from(self.entity, self.id, extinguishment.date(), false, reader).await?;
        let decision = extinguishment.decide(&books)?;
        let block = Some(ExtinguishmentBlock::of(&decision.outcome, self.currency()));
        let (kind, blocks) = match extinguishment.occasion {
            Occasion::Repurchase => ("repurchase", RecordingAnswer { repurchase: block, ..RecordingAnswer::default() }),
            _ => ("redemption", RecordingAnswer { redemption: block, ..RecordingAnswer::default() }),
        };
        let parts = self.parts(kind, &books, reference, request)?;
        Ok(Decided::Drafted(Box::new(parts.draft(decision, blocks, Rows::default())?)))
    }
}

/// Decides the issuance of a new issue.
pub(super) fn new_issue(
    workspace: &Workspace,
    document: &BondIssueDocument,
    id: Option<String>,
) -> Result<Drafted, RecordError> {
    let terms = document.terms()?;
    let functional = Currency::from_code(&workspace.functional_currency)
        .ok_or_else(|| RecordError::corrupt("entity", "an unknown currency"))?;
    workspace.framework.accepts(&terms, functional)?;
    let instrument = Instrument::new(terms)?;
    // Proceeds that no rate explains are a mistake, and no premium.
    workspace.framework.accepts_premium(instrument.terms())?;
    let calendar = workspace.calendar()?;
    let currency = instrument.terms().currency;
    let books = Books::empty(Arc::new(instrument), calendar);
    let parts = |kind| Parts {
        kind,
        bond_issue: id.clone(),
        document: Arc::new(document.clone()),
        books: &books,
        follows: 0,
        newest_before: None,
        reference: Some(document.reference.clone()),
        request: serde_json::Value::Null,
        framework: workspace.framework,
    };
    let mut drafted = if books.instrument.terms().opening.is_some() {
        let decision = opening_balance::decide(&books)?;
        let opening_interest = Some(OpeningInterestBlock::of(&decision.outcome, currency)?);
        let blocks = RecordingAnswer { opening_interest, ..RecordingAnswer::default() };
        parts("opening_balance").draft(decision, blocks, Rows::default())?
    } else {
        let decision = issuance::decide(&books.instrument, calendar)?;
        let issuance = Some(IssuanceBlock::of(&decision.outcome, currency)?);
        let blocks = RecordingAnswer { issuance, ..RecordingAnswer::default() };
        parts("issuance").draft(decision, blocks, Rows::default())?
    };
    follow(std::slice::from_mut(&mut drafted.draft), workspace)?;
    Ok(drafted)
}
