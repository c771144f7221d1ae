//! Balances that are moved between accounts of the ledger: by a new mapping, and after what is posted before one that is there.
//!
//! The ledger is taken to have every released batch, a rejected one too: it is released again sooner or later, and what was moved on
//! behind it then fits. A rejected batch that moves balances is not released again by a mapping, but replaced by what that moves.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;

use super::convert::date;
use super::draft::Draft;
use super::error::RecordError;
use super::grouping::Drafts;
use super::release::{LineAccount, ReleaseAccounts, account};
use super::workspace::Workspace;
use crate::accounting::account_change::{self, Movements, Moves};
use crate::accounting::account_mapping::{Account, AccountMapping};
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::journal::{AccountRole, Posting};
use crate::accounting::money::Amount;
use crate::store::{LineRow, Reader, WholeBatch};

/// How many issues' terms are read at once.
const PAGE: usize = 500;

/// Adds to drafts that are about to be put into batches what their postings have moved on behind them, as far as they are released.
///
/// # Errors
/// When a balance leaves the range of exact arithmetic.
pub(super) fn follow(drafts: &mut [Draft], workspace: &Workspace) -> Result<(), RecordError> {
    let calendar = workspace.calendar()?;
    let is_before_a_change = |draft: &Draft| {
        let last = workspace.mapping.changes(draft.bond_issue.as_deref().unwrap_or_default()).last().copied();
        draft.postings.iter().any(|posting| last.is_some_and(|last| posting.posting_date < last))
    };
    if !drafts.iter().any(is_before_a_change) {
        return Ok(());
    }
    let mut moved = Vec::with_capacity(drafts.len());
    for (draft, released) in drafts.iter().zip(Drafts { drafts, events: &[] }.released(workspace)) {
        let issue = draft.bond_issue.as_deref().unwrap_or_default();
        moved.push(account_change::after(released.into_iter(), issue, &workspace.mapping, calendar)?);
    }
    for (draft, moves) in drafts.iter_mut().zip(moved) {
        draft.postings.extend(moves.postings()?);
    }
    Ok(())
}

/// What a mapping moves, by issue.
pub(super) struct Mapped {
    entity: String,
    calendar: FiscalCalendar,
    old: Arc<AccountMapping>,
    new: Arc<AccountMapping>,
    moves: BTreeMap<String, Moves>,
}

impl Mapped {
    /// `workspace` has the new mapping, `old` is what it had before.
    ///
    /// # Errors
    /// When the calendar cannot be read.
    pub fn new(workspace: &Workspace, old: Arc<AccountMapping>) -> Result<Mapped, RecordError> {
        Ok(Mapped {
            entity: workspace.head.entity.clone(),
            calendar: workspace.calendar()?,
            old,
            new: Arc::clone(&workspace.mapping),
            moves: BTreeMap::new(),
        })
    }

    fn of(&mut self, issue: &str) -> &mut Moves {
        let calendar = self.calendar;
        self.moves.entry(issue.to_owned()).or_insert_with(|| Moves::new(calendar))
    }

    /// The roles whose account is another one from a date on, for the entity or an issue of it.
    fn changed_roles(&self, from: Date, bond_issue: Option<&str>) -> Vec<&'static str> {
        let new = &self.new;
        let own = new.issues();
        let issues: Vec<&str> = match bond_issue {
            Some(issue) => vec![issue],
            None => own.into_iter().chain([""]).collect(),
        };
        let is_changed = |role: &AccountRole| {
            issues.iter().any(|issue| {
                let dates = new.changes(issue).into_iter().filter(|date| *date >= from);
                let code = |account: Option<&Account>| account.map(|account| account.account.clone());
                let differs = |on| code(self.old.holds(*role, issue, on)) != code(new.holds(*role, issue, on));
                dates.into_iter().any(differs)
            })
        };
        let roles = AccountRole::ALL.iter().filter(|role| role.ends_with_the_debt() && is_changed(role));
        roles.map(|role| role.name()).collect()
    }

    /// Moves what was released before from the accounts of the old mapping to those of the new one.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn balances(
        &mut self,
        from: Date,
        bond_issue: Option<&str>,
        reader: &mut Reader<'_>,
    ) -> Result<(), RecordError> {
        let roles = self.changed_roles(from, bond_issue);
        if roles.is_empty() {
            return Ok(());
        }
        let released = reader.released_by_role(&self.entity, &roles, &from.to_string(), bond_issue).await?;
        let of_one = released.chunk_by(|a, b| (&a.bond_issue, &a.account_role) == (&b.bond_issue, &b.account_role));
        for rows in of_one {
            let issue = rows[0].bond_issue.as_str();
            let role = role(&rows[0].account_role)?;
            let mut movements = Movements::new();
            for row in rows {
                let on = if row.posting_date.is_empty() {
                    from.yesterday().unwrap_or(from)
                } else {
                    date(&row.posting_date)?
                };
                movements.insert(on, Amount::from_minor(row.amount));
            }
            let (old, new) = (Arc::clone(&self.old), Arc::clone(&self.new));
            let mut changes = old.changes(issue);
            changes.extend(new.changes(issue));
            changes.retain(|change| *change >= from);
            let stands = |on| old.holds(role, issue, on);
            let should = |on| new.holds(role, issue, on);
            self.of(issue).add(role, &movements, &changes, (&stands, &should))?;
        }
        Ok(())
    }

    /// Moves again what rejected batches should have moved: the ledger posted nothing of them, and will not.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn rejected(&mut self, reader: &mut Reader<'_>) -> Result<(), RecordError> {
        let rejected = reader.rejected_since(&self.entity, self.old.newest()).await?;
        let ids: Vec<&str> = rejected.iter().map(|rejected| rejected.batch.as_str()).collect();
        for whole in reader.whole_batches(&self.entity, &ids).await? {
            let accounts = ReleaseAccounts::of(whole.release.as_ref())?;
            for own in &accounts.lines {
                let (issue, row) = line_of(&whole, own)?;
                let (on, role) = (date(&whole.batch.posting_date)?, role(&row.account_role)?);
                self.of(issue).line(on, role, &account(&own.account), Amount::from_minor(row.amount))?;
            }
        }
        Ok(())
    }

    /// Accounts for a batch that is released by the mapping, with other accounts than before if it was rejected.
    ///
    /// # Errors
    /// When a balance leaves the range of exact arithmetic.
    pub fn released(&mut self, whole: &WholeBatch) -> Result<(), RecordError> {
        let on = date(&whole.batch.posting_date)?;
        let before = whole.release.as_ref().map(|release| ReleaseAccounts::of(Some(release))).transpose()?;
        for row in &whole.lines {
            let role = role(&row.account_role)?;
            let entry = whole.entries.iter().find(|entry| entry.entry == row.entry);
            let issue = entry.map(|entry| entry.bond_issue.as_str()).unwrap_or_default();
            let mapping = Arc::clone(&self.new);
            let Some(there) = mapping.resolve(role, issue, on).filter(|_| role.ends_with_the_debt()) else { continue };
            let amount = Amount::from_minor(row.amount);
            match &before {
                Some(before) => {
                    // It was moved on from where it stood, and comes to stand elsewhere.
                    let Some(stood) = before.account(&row.account_role, issue) else { continue };
                    self.of(issue).line(on, role, &stood, amount)?;
                    self.of(issue).line(on, role, there, amount.negated()?)?;
                }
                None => {
                    let later: BTreeSet<Date> =
                        mapping.changes(issue).into_iter().filter(|change| *change > on).collect();
                    let should = |on| mapping.holds(role, issue, on);
                    self.of(issue).add(role, &Movements::from([(on, amount)]), &later, (&|_| Some(there), &should))?;
                }
            }
        }
        Ok(())
    }

    /// The issues that have something to move, with what it is.
    ///
    /// # Errors
    /// When a balance leaves the range of exact arithmetic.
    pub fn postings(self) -> Result<Vec<(String, Vec<Posting>)>, RecordError> {
        let mut found = Vec::new();
        for (issue, moves) in self.moves {
            let postings = moves.postings()?;
            if !postings.is_empty() {
                found.push((issue, postings));
            }
        }
        Ok(found)
    }
}

/// Drafts of what is moved. They are of no event: they have postings alone.
///
/// # Errors
/// When an issue cannot be read.
pub(super) async fn drafts(
    postings: Vec<(String, Vec<Posting>)>,
    workspace: &mut Workspace,
    reader: &mut Reader<'_>,
) -> Result<Vec<Draft>, RecordError> {
    let mut drafts = Vec::with_capacity(postings.len());
    for page in postings.chunks(PAGE) {
        let ids: Vec<&str> = page.iter().map(|(id, _)| id.as_str()).collect();
        workspace.fetch(&ids, reader).await?;
        for (id, postings) in page {
            let state = workspace.issue(id)?;
            let (document, currency) = (Arc::clone(&state.document), state.books.instrument.terms().currency);
            drafts.push(Draft::of_no_event("account_mapping", id.clone(), document, currency, postings.clone()));
        }
    }
    Ok(drafts)
}

fn role(name: &str) -> Result<AccountRole, RecordError> {
    AccountRole::from_name(name)
        .ok_or_else(|| RecordError::corrupt("account role", "a name that this version does not know"))
}

fn line_of<'a>(whole: &'a WholeBatch, own: &LineAccount) -> Result<(&'a str, &'a LineRow), RecordError> {
    let is = |entry: i64, number: usize| usize::try_from(entry) == Ok(number);
    let row = whole.lines.iter().find(|row| is(row.entry, own.entry) && is(row.line, own.line));
    let of = whole.entries.iter().find(|row| is(row.entry, own.entry));
    let found = of.zip(row).map(|(of, row)| (of.bond_issue.as_str(), row));
    found.ok_or_else(|| RecordError::corrupt("release", "an account of a line that is not there"))
}
