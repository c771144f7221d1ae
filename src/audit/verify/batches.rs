//! Batches with their entries and lines, and releases.

use std::collections::{BTreeMap, HashMap};

use rust_decimal::Decimal;

use super::{PAGE, Report};
use crate::accounting::journal::REVERSAL_OF;
use crate::posting::{RecordError, ReleaseAccounts, render};
use crate::store::{BatchFilter, EntryRow, Reader, Store, WholeBatch};

/// Every batch hashes as it did, its lines add up, and the numbers of a year have no gaps.
pub(super) async fn check(store: &Store, entity: &str, report: &mut Report) -> Result<(), RecordError> {
    let mut after = (0, 0);
    let mut numbers: BTreeMap<String, i64> = BTreeMap::new();
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let heads = reader.batches(entity, BatchFilter::All, i64::MAX, after, PAGE / 10).await?;
        let Some(last) = heads.last() else { break };
        after = (last.batch.sequence, last.batch.ordinal);
        let ids: Vec<&str> = heads.iter().map(|head| head.batch.id.as_str()).collect();
        for whole in reader.whole_batches(entity, &ids).await? {
            report.batches += 1;
            let number = whole.batch.number.as_str();
            let read = batch(&whole, &mut reader, report).await;
            report.unless_unreadable(entity, format!("batch {number}"), read)?;
            let (year, nth) = number.rsplit_once('-').unwrap_or_default();
            let before = numbers.entry(year.to_owned()).or_default();
            if nth.parse() != Ok(*before + 1) {
                report.add(entity, format!("batch {number} follows number {before} of its year"));
            }
            *before += 1;
        }
    }
    let heads = store.reading().await?.reader().year_heads(entity).await?;
    let kept = heads.into_iter().map(|head| (format!("{entity}-{}", head.fiscal_year), head.number)).collect();
    for (year, number) in &numbers {
        if BTreeMap::get(&kept, year) != Some(number) {
            report.add(
                entity,
                format!("the last batch of {year} is {number}, and not the one that is kept for the next"),
            );
        }
    }
    for year in kept.keys().filter(|year| !numbers.contains_key(*year)) {
        report.add(entity, format!("a last batch of {year} is kept, and there is none"));
    }
    Ok(())
}

async fn batch(whole: &WholeBatch, reader: &mut Reader<'_>, report: &mut Report) -> Result<(), RecordError> {
    let (entity, number) = (whole.batch.entity.as_str(), whole.batch.number.as_str());
    let debit: i128 = whole.lines.iter().map(|line| i128::from(line.amount.max(0))).sum();
    let sum: i128 = whole.lines.iter().map(|line| i128::from(line.amount)).sum();
    if sum != 0 || debit != i128::from(whole.batch.debit) {
        report.add(entity, format!("the lines of batch {number} do not add up"));
    }
    let mut events: Vec<&str> = whole.entries.iter().map(|entry| entry.event.as_str()).collect();
    events.dedup();
    let events: HashMap<String, i64> =
        reader.events_by_id(entity, &events).await?.into_iter().map(|event| (event.id, event.sequence)).collect();
    for entry in &whole.entries {
        let of_event = if entry.event.is_empty() { Some(&whole.batch.sequence) } else { events.get(&entry.event) };
        if of_event != Some(&entry.sequence) || entry.posting_date != whole.batch.posting_date {
            report.add(entity, format!("entry {} of batch {number} is not of its event and its batch", entry.entry));
        }
        // What moves balances between accounts, or closes a year, moves no component.
        if entry.event.is_empty() && !moves_nothing(entry) {
            report.add(entity, format!("entry {} of batch {number} moves what it cannot", entry.entry));
        }
    }
    let issues = render::issues_of(whole, reader).await?;
    let document = render::batch(whole, &issues)?;
    let hash = document.content_hash().map_err(|error| RecordError::corrupt("batch", error))?;
    if hash != whole.batch.content_sha256 {
        report.add(entity, format!("the hash of batch {number} does not fit"));
    }
    Ok(())
}

fn moves_nothing(entry: &EntryRow) -> bool {
    let movement = entry.movement.strip_prefix(REVERSAL_OF).unwrap_or(&entry.movement);
    let amounts = [
        entry.principal,
        entry.premium_discount,
        entry.issue_costs,
        entry.interest_payable,
        entry.interest_receivable,
        entry.coupon_interest,
        entry.gain_loss,
        entry.expense,
        entry.cash,
        entry.paid_in_capital,
        entry.equity_component,
        entry.common_stock,
        entry.treasury_stock,
        entry.debt_conversion_expense,
        entry.loss_on_amendment,
    ];
    ["reclassification", "year_end_closing"].contains(&movement)
        && entry.shares.parse().is_ok_and(|shares: Decimal| shares.is_zero())
        && amounts.iter().all(|amount| *amount == 0)
}

/// Every release follows the one before it and hashes as it did.
pub(super) async fn releases(store: &Store, entity: &str, newest: i64, report: &mut Report) -> Result<(), RecordError> {
    let mut after = 0;
    loop {
        let mut reading = store.reading().await?;
        let mut reader = reading.reader();
        let page = reader.releases(entity, after, PAGE / 10).await?;
        if page.is_empty() {
            break;
        }
        for (release, mut whole) in page {
            report.releases += 1;
            whole.release = Some(release.clone());
            let hash = match render::issues_of(&whole, &mut reader).await {
                Ok(issues) => render::batch(&whole, &issues).and_then(|batch| ReleaseAccounts::hash(&batch, &release)),
                Err(error) => Err(error),
            };
            let hash = report.unless_unreadable(entity, format!("release {}", release.release), hash)?;
            if hash.is_some_and(|hash| hash != release.release_sha256) {
                report.add(entity, format!("the hash of release {} does not fit", release.release));
            }
            for missing in after + 1..release.release {
                report.add(entity, format!("release {missing} is not there, or its batch is not"));
            }
            after = release.release;
        }
    }
    if after != newest {
        report.add(entity, format!("the head is at release {newest} and the last release is {after}"));
    }
    Ok(())
}
