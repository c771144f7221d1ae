//! Journal lines laid flat: a row each, with what stands above them repeated.

mod field;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use utoipa::ToSchema;

use super::BatchDocument;

pub use field::{Field, Value};

/// One line of a released batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct JournalLineDocument {
    /// Of the batch: the duplicate key for the receiving ledger.
    #[schema(example = "HARBOR-2026-000042")]
    pub number: String,
    pub revision: Option<i64>,
    pub release: Option<i64>,
    pub entity: String,
    pub posting_date: String,
    /// Of the batch.
    pub effective_date: String,
    pub currency: String,
    /// The entry's place in its batch.
    pub entry: usize,
    #[schema(example = "conversion")]
    pub kind: String,
    /// The line's place in its entry.
    pub line: usize,
    pub account: Option<String>,
    pub account_name: Option<String>,
    #[schema(example = "bonds_payable")]
    pub account_role: String,
    /// Null on a line that credits.
    pub debit: Option<String>,
    /// Null on a line that debits.
    pub credit: Option<String>,
    pub bond_issue: Option<String>,
    pub reference: String,
    pub isin: Option<String>,
    pub event: Option<String>,
    pub memo: String,
    pub content_sha256: Option<String>,
    pub dimensions: BTreeMap<String, String>,
}

impl JournalLineDocument {
    /// The lines of a batch in order.
    pub fn of(batch: &BatchDocument) -> impl Iterator<Item = JournalLineDocument> {
        batch.entries.iter().flat_map(move |entry| {
            entry.lines.iter().map(move |line| {
                let on = |side: &str| (line.side == side).then(|| line.amount.clone());
                JournalLineDocument {
                    number: batch.number.clone().unwrap_or_default(),
                    revision: batch.revision,
                    release: batch.release,
                    entity: batch.entity.clone(),
                    posting_date: batch.posting_date.clone(),
                    effective_date: batch.effective_date.clone(),
                    currency: batch.currency.clone(),
                    entry: entry.sequence,
                    kind: entry.kind.clone(),
                    line: line.line,
                    account: line.account.clone(),
                    account_name: line.account_name.clone(),
                    account_role: line.account_role.clone(),
                    debit: on("debit"),
                    credit: on("credit"),
                    bond_issue: entry.bond_issue.clone(),
                    reference: entry.reference.clone(),
                    isin: entry.isin.clone(),
                    event: entry.event.clone(),
                    memo: line.memo.clone(),
                    content_sha256: batch.content_sha256.clone(),
                    dimensions: line.dimensions.clone(),
                }
            })
        })
    }

    /// The names of all dimensions in some batches, in order.
    pub fn dimensions(batches: &[BatchDocument]) -> BTreeSet<&str> {
        let lines = batches.iter().flat_map(|batch| &batch.entries).flat_map(|entry| &entry.lines);
        lines.flat_map(|line| line.dimensions.keys().map(String::as_str)).collect()
    }

    /// What the line holds in a field. The signed `amount` has no sign here: which side is positive is for who writes it.
    pub fn value(&self, field: Field) -> Value<'_> {
        let place = |number: usize| Value::count(i64::try_from(number).ok());
        match field {
            Field::Number => Value::Text(&self.number),
            Field::Revision => Value::count(self.revision),
            Field::Release => Value::count(self.release),
            Field::Entity => Value::Text(&self.entity),
            Field::PostingDate => Value::Date(&self.posting_date),
            Field::EffectiveDate => Value::Date(&self.effective_date),
            Field::Currency => Value::Text(&self.currency),
            Field::Entry => place(self.entry),
            Field::Kind => Value::Text(&self.kind),
            Field::Line => place(self.line),
            Field::Account => Value::text(self.account.as_deref()),
            Field::AccountName => Value::text(self.account_name.as_deref()),
            Field::AccountRole => Value::Text(&self.account_role),
            Field::Debit => Value::amount(self.debit.as_deref()),
            Field::Credit => Value::amount(self.credit.as_deref()),
            Field::Amount => Value::amount(self.debit.as_deref().or(self.credit.as_deref())),
            Field::BondIssue => Value::text(self.bond_issue.as_deref()),
            Field::Reference => Value::Text(&self.reference),
            Field::Isin => Value::text(self.isin.as_deref()),
            Field::Event => Value::text(self.event.as_deref()),
            Field::Memo => Value::Text(&self.memo),
            Field::ContentSha256 => Value::text(self.content_sha256.as_deref()),
        }
    }
}
