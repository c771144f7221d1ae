//! What was posted in a period and is effective before it: the period was closed by the time it was recorded, or its event came late.

use std::collections::HashMap;

use serde::Serialize;
use utoipa::ToSchema;

use super::IssueDisclosure;
use crate::accounting::money::{Amount, Currency};
use crate::accounting::refusal::Refusal;
use crate::document::{ComponentsDocument, money};
use crate::store::MovedByBatch;

/// Entries of one event, batch and kind that were posted in the period and are effective before it.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct PriorPeriodEntry {
    /// Empty of what moves balances between accounts of the ledger.
    pub event: String,
    /// Of the entries: `catch_up` is expense of the days before, the others are what the event itself moved.
    #[schema(example = "catch_up")]
    pub kind: String,
    pub bond_issue: String,
    pub reference: String,
    pub effective_date: String,
    pub posting_date: String,
    /// The number of the batch.
    pub batch: String,
    /// What moved: credit positive.
    pub amounts: ComponentsDocument,
    /// Debit positive.
    pub expense: String,
    /// A gain is positive.
    pub gain_loss: String,
    pub paid_in_capital: String,
    /// Received positive, paid negative.
    pub cash: String,
}

/// The entries as documents.
///
/// # Errors
/// [`Refusal::Overflow`].
pub(super) fn entries(
    rows: Vec<MovedByBatch>,
    items: &[IssueDisclosure],
    currency: Currency,
) -> Result<Vec<PriorPeriodEntry>, Refusal> {
    let references: HashMap<&str, &str> =
        items.iter().map(|item| (item.bond_issue.as_str(), item.reference.as_str())).collect();
    let figure = |minor: i64| money(Amount::from_minor(minor), currency);
    let entry = |row: MovedByBatch| {
        Ok(PriorPeriodEntry {
            event: row.event,
            kind: row.kind,
            reference: references.get(row.bond_issue.as_str()).copied().unwrap_or_default().to_owned(),
            bond_issue: row.bond_issue,
            effective_date: row.effective_date,
            posting_date: row.posting_date,
            batch: row.number,
            amounts: ComponentsDocument::of(&crate::reading::components(&row.sums), currency)?,
            expense: figure(row.sums.expense),
            gain_loss: figure(row.sums.gain_loss),
            paid_in_capital: figure(row.sums.paid_in_capital),
            cash: figure(row.sums.cash),
        })
    };
    rows.into_iter().map(entry).collect()
}
