//! Stored batches as documents.

use std::collections::{BTreeMap, HashMap};

use super::error::RecordError;
use super::release::ReleaseAccounts;
use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::{Currency, Refusal};
use crate::document::wire::Timestamp;
use crate::document::{
    AcknowledgementDocument, BatchDocument, BondIssueDocument, EntryDocument, LineDocument, StatementEffectsDocument,
    TotalsDocument, money,
};
use crate::store::{AcknowledgementRow, BatchRow, EntryRow, LineRow, Reader, WholeBatch};

/// The terms of the issues in a batch, by id.
///
/// # Errors
/// When the store cannot be read.
pub async fn issues_of(
    whole: &WholeBatch,
    reader: &mut Reader<'_>,
) -> Result<HashMap<String, BondIssueDocument>, RecordError> {
    let mut ids: Vec<&str> = whole.entries.iter().map(|entry| entry.bond_issue.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    let states = reader.issue_states(&whole.batch.entity, &ids).await?;
    states
        .into_iter()
        .map(|state| {
            let document =
                serde_json::from_str(&state.issue.terms).map_err(|error| RecordError::corrupt("terms", error))?;
            Ok((state.issue.id, document))
        })
        .collect()
}

/// A stored batch with the accounts of its newest release.
///
/// # Errors
/// When stored JSON cannot be read.
pub fn batch(whole: &WholeBatch, issues: &HashMap<String, BondIssueDocument>) -> Result<BatchDocument, RecordError> {
    let row = &whole.batch;
    let currency = currency(row)?;
    let shown = |minor| money(Amount::from_minor(minor), currency);
    let mut lines: BTreeMap<i64, Vec<&LineRow>> = BTreeMap::new();
    for line in &whole.lines {
        lines.entry(line.entry).or_default().push(line);
    }
    let entries = whole.entries.iter().map(|entry| {
        let lines = lines.get(&entry.entry).map_or(&[] as &[_], Vec::as_slice);
        entry_document(entry, lines, issues.get(&entry.bond_issue), currency)
    });
    let mut document = BatchDocument {
        id: Some(row.id.clone()),
        number: Some(row.number.clone()),
        sequence: Some(row.sequence),
        release: whole.release.as_ref().map(|release| release.release),
        revision: whole.release.as_ref().map(|release| release.revision),
        entity: row.entity.clone(),
        currency: row.currency.clone(),
        posting_date: row.posting_date.clone(),
        effective_date: row.effective_date.clone(),
        recorded_at: Timestamp::from_microseconds(row.recorded_at).map(|time| time.to_string()),
        status: match (whole.acknowledgement(), &whole.release) {
            (Some(answer), _) => answer.status.clone(),
            (None, Some(_)) => "released".to_owned(),
            (None, None) => "ready".to_owned(),
        },
        acknowledgement: whole.acknowledgement().map(acknowledgement).transpose()?,
        reverses: row.reverses.clone(),
        reversed_by: whole.reversed_by.clone(),
        entries: entries.collect::<Result<_, RecordError>>()?,
        totals: totals(row)?,
        statement_effects: StatementEffectsDocument {
            assets: shown(row.assets),
            liabilities: shown(row.liabilities),
            equity: shown(row.equity),
            net_income: shown(row.net_income),
        },
        content_sha256: Some(row.content_sha256.clone()),
    };
    ReleaseAccounts::of(whole.release.as_ref())?.fill(&mut document);
    Ok(document)
}

/// What the ledger answered to a release, as it is kept.
///
/// # Errors
/// When its status cannot be read.
pub fn acknowledgement(row: &AcknowledgementRow) -> Result<AcknowledgementDocument, RecordError> {
    let status = serde_json::from_value(row.status.clone().into());
    Ok(AcknowledgementDocument {
        revision: row.revision,
        status: status.map_err(|error| RecordError::corrupt("acknowledgement", error))?,
        document_number: row.document_number.clone(),
        ledger_posting_date: row.ledger_posting_date.clone(),
        reason: row.reason.clone(),
        acknowledged_at: Timestamp::from_microseconds(row.acknowledged_at).map(|time| time.to_string()),
    })
}

/// The control totals of a batch.
///
/// # Errors
/// When its currency cannot be read.
pub fn totals(row: &BatchRow) -> Result<TotalsDocument, RecordError> {
    let currency = currency(row)?;
    let count = |number| usize::try_from(number).unwrap_or_default();
    Ok(TotalsDocument {
        entries: count(row.entries),
        lines: count(row.lines),
        debit: money(Amount::from_minor(row.debit), currency),
        credit: money(Amount::from_minor(row.credit), currency),
    })
}

fn currency(row: &BatchRow) -> Result<Currency, RecordError> {
    Currency::from_code(&row.currency).ok_or_else(|| RecordError::corrupt("batch", "an unknown currency"))
}

fn entry_document(
    entry: &EntryRow,
    lines: &[&LineRow],
    issue: Option<&BondIssueDocument>,
    currency: Currency,
) -> Result<EntryDocument, RecordError> {
    Ok(EntryDocument {
        sequence: usize::try_from(entry.entry).unwrap_or_default(),
        kind: entry.kind.clone(),
        bond_issue: Some(entry.bond_issue.clone()),
        reference: issue.map(|issue| issue.reference.clone()).unwrap_or_default(),
        isin: issue.and_then(|issue| issue.isin.clone()),
        event: Some(entry.event.clone()).filter(|event| !event.is_empty()),
        effective_date: entry.effective_date.clone(),
        description: entry.description.clone(),
        lines: lines.iter().map(|line| line_document(line, currency)).collect::<Result<_, _>>()?,
    })
}

fn line_document(line: &LineRow, currency: Currency) -> Result<LineDocument, RecordError> {
    let amount = line.amount.checked_abs().map(Amount::from_minor).ok_or(Refusal::Overflow)?;
    Ok(LineDocument {
        line: usize::try_from(line.line).unwrap_or_default(),
        account_role: line.account_role.clone(),
        account: None,
        account_name: None,
        side: if line.amount > 0 { "debit" } else { "credit" }.to_owned(),
        amount: money(amount, currency),
        memo: line.memo.clone(),
        monetary: AccountRole::from_name(&line.account_role).is_some_and(AccountRole::is_monetary),
        dimensions: BTreeMap::new(),
        derivation: serde_json::from_str(&line.derivation)
            .map_err(|error| RecordError::corrupt("derivation", error))?,
    })
}
