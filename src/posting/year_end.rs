//! Closing entries, as a close posts them and an opening again takes them back.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;

use super::close::CLOSE;
use super::convert::{self, posted_entry};
use super::draft::Draft;
use super::error::RecordError;
use super::workspace::Workspace;
use crate::accounting::fiscal_calendar::FiscalYear;
use crate::accounting::journal::{AccountRole, Posting};
use crate::accounting::money::Amount;
use crate::accounting::year_end::{self, Balances};
use crate::accounting::{Currency, Refusal};
use crate::document::{BondIssueDocument, CloseRequest};
use crate::store::{PeriodCloseRow, Reader};

/// How many issues are read at once.
const PAGE: usize = 500;

/// The fiscal years that a close of `period` through `last_day` closes to retained earnings: those that end in what it locks, if that is asked
/// for. Where nothing is said, a period that was opened again is closed as it was.
///
/// # Errors
/// When closing entries are asked for and no fiscal year ends in what is locked.
pub(super) async fn years(
    workspace: &Workspace,
    (period, locked_from, last_day): (&str, Option<Date>, Date),
    request: &CloseRequest,
    reader: &mut Reader<'_>,
) -> Result<Vec<FiscalYear>, RecordError> {
    let entity = &workspace.head.entity;
    let is_wanted = match request.closing_entries {
        Some(asked) => asked,
        None => {
            let closes = reader.period_closes(entity).await?;
            let last = closes.iter().rev().find(|row| row.kind == CLOSE && row.period == period);
            last.map(has_closing_entries).transpose()?.unwrap_or(false)
        }
    };
    if !is_wanted {
        return Ok(Vec::new());
    }
    let first = match locked_from {
        Some(from) => Some(from),
        None => {
            let dates = reader.posting_dates(entity).await?.and_then(|dates| dates.first);
            dates.as_deref().map(convert::date).transpose()?
        }
    };
    let years = first.map(|first| workspace.calendar().map(|calendar| calendar.years_ending(first, last_day)));
    let years: Vec<FiscalYear> = years.transpose()?.into_iter().flatten().collect();
    if years.is_empty() {
        let rule = format!("no fiscal year with postings ends in what closing {period} locks; leave it out");
        return Err(Refusal::invalid("closing_entries", true, rule).into());
    }
    Ok(years)
}

/// Whether a close posted closing entries.
///
/// # Errors
/// When its answer cannot be read.
pub fn has_closing_entries(row: &PeriodCloseRow) -> Result<bool, RecordError> {
    #[derive(serde::Deserialize)]
    struct Answer {
        #[serde(default)]
        closing_entries: bool,
    }
    let answer: Answer =
        serde_json::from_str(&row.answer).map_err(|error| RecordError::corrupt("period close", error))?;
    Ok(answer.closing_entries)
}

/// The closing entries of years, of all issues: of what is posted in them, and of what `accrued` is about to post.
///
/// # Errors
/// When a balance leaves the range of exact arithmetic.
pub(super) async fn closings(
    workspace: &Workspace,
    years: &[FiscalYear],
    accrued: &[Draft],
    reader: &mut Reader<'_>,
) -> Result<Vec<Draft>, RecordError> {
    let entity = &workspace.head.entity;
    let mut postings: BTreeMap<String, Vec<Posting>> = BTreeMap::new();
    for year in years {
        let days = (year.first_day.to_string(), year.last_day.to_string());
        let mut issues: BTreeMap<String, Balances> = BTreeMap::new();
        for row in reader.posted_by_role(entity, (&days.0, &days.1), workspace.head.sequence).await? {
            let unknown = || RecordError::corrupt("account role", "a name that this version does not know");
            let role = AccountRole::from_name(&row.account_role).ok_or_else(unknown)?;
            year_end::add_to(issues.entry(row.bond_issue).or_default(), role, Amount::from_minor(row.amount))?;
        }
        add(&mut issues, accrued, year)?;
        for (issue, balances) in issues {
            if let Some(posting) = year_end::closing(year, &balances)? {
                postings.entry(issue).or_default().push(posting);
            }
        }
    }
    drafts(entity, postings, &BTreeSet::new(), reader).await
}

/// Adds what drafts post in a year to the balances of their issues.
///
/// # Errors
/// [`Refusal::Overflow`].
pub(super) fn add(
    issues: &mut BTreeMap<String, Balances>,
    drafts: &[Draft],
    year: &FiscalYear,
) -> Result<(), RecordError> {
    for draft in drafts {
        let balances = issues.entry(draft.bond_issue.clone().unwrap_or_default()).or_default();
        for posting in &draft.postings {
            year_end::add(balances, posting, year)?;
        }
    }
    Ok(())
}

/// What takes the closing entries back that stand between two days, as it must when these are open again: a year is closed once nothing more
/// is posted in it.
///
/// # Errors
/// When they cannot be read.
pub(super) async fn taken_back(
    entity: &str,
    (first_day, last_day): (Date, Date),
    reader: &mut Reader<'_>,
) -> Result<Vec<Draft>, RecordError> {
    let standing = reader.standing_closings(entity, (&first_day.to_string(), &last_day.to_string())).await?;
    let mut postings: BTreeMap<String, Vec<Posting>> = BTreeMap::new();
    let mut unreleased = BTreeSet::new();
    let ids: Vec<&str> = standing.iter().map(String::as_str).collect();
    for whole in reader.whole_batches(entity, &ids).await? {
        let batch: Arc<str> = Arc::from(whole.batch.id.as_str());
        if !whole.is_under_way() {
            unreleased.insert(Arc::clone(&batch));
        }
        for entry in &whole.entries {
            // Lines are in order of their entries.
            let first = whole.lines.partition_point(|line| line.entry < entry.entry);
            let lines = whole.lines[first..].iter().take_while(|line| line.entry == entry.entry);
            let posted = posted_entry(entry, lines, &batch, &whole.batch.number)?;
            postings.entry(entry.bond_issue.clone()).or_default().extend(posted.taken_back()?);
        }
    }
    drafts(entity, postings, &unreleased, reader).await
}

async fn drafts(
    entity: &str,
    mut postings: BTreeMap<String, Vec<Posting>>,
    unreleased: &BTreeSet<Arc<str>>,
    reader: &mut Reader<'_>,
) -> Result<Vec<Draft>, RecordError> {
    let ids: Vec<String> = postings.keys().cloned().collect();
    let mut drafts = Vec::with_capacity(ids.len());
    for page in ids.chunks(PAGE) {
        let page: Vec<&str> = page.iter().map(String::as_str).collect();
        for state in reader.issue_states(entity, &page).await? {
            let row = state.issue;
            let document: BondIssueDocument =
                serde_json::from_str(&row.terms).map_err(|error| RecordError::corrupt("terms", error))?;
            let unknown = || RecordError::corrupt("currency", "a code that is not in ISO 4217");
            let currency = Currency::from_code(&row.currency).ok_or_else(unknown)?;
            let own = postings.remove(&row.id).unwrap_or_default();
            let draft = Draft::of_no_event("year_end_closing", row.id, Arc::new(document), currency, own);
            drafts.push(Draft { unreleased: unreleased.clone(), ..draft });
        }
    }
    Ok(drafts)
}
