//! What stands behind a rollforward: the terms of its issues, what was booked of them when it begins, and every entry of its days with
//! its lines. They are read a page of issues at a time, so that memory does not grow with the entity.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::civil::Date;

use super::issued::Issued;
use super::{Library, ReadError, RollforwardDocument, currency};
use crate::accounting::Currency;
use crate::accounting::account_mapping::Account;
use crate::accounting::instrument::Instrument;
use crate::accounting::journal::LinePart;
use crate::accounting::money::Amount;
use crate::accounting::transaction::BookedRow;
use crate::document::wire::Timestamp;
use crate::document::{BondIssueDocument, DerivationDocument};
use crate::posting::{self, RecordError, ReleaseAccounts};
use crate::store::{Carrying, EntryRow, LineRow, PostedIn, Reader, RecordedRevision};

/// How many issues are read at once.
const PAGE: i64 = 200;
/// How many batches have their accounts kept; when there are more, all are forgotten and read again as they are needed.
const BATCHES: usize = 2_000;

/// An issue with its books over the days of a rollforward.
#[derive(Clone, Debug)]
pub struct IssueBooks {
    pub id: String,
    pub reference: String,
    pub document: BondIssueDocument,
    /// As it was known, on the last day.
    pub instrument: Arc<Instrument>,
    /// What was booked at the close of the day before; none of an issue that was not there yet.
    pub opening: Option<OpeningBooks>,
    /// In the order in which they were posted.
    pub entries: Vec<EntryBooks>,
}

/// What was booked of an issue when a rollforward begins.
#[derive(Clone, Copy, Debug)]
pub struct OpeningBooks {
    pub booked: BookedRow,
    /// Of the interest payable: coupons that are due, and what was left payable.
    pub interest_due: Amount,
}

/// An entry with its lines.
#[derive(Clone, Debug)]
pub struct EntryBooks {
    /// Of its batch.
    pub number: String,
    pub row: EntryRow,
    pub lines: Vec<LineBooks>,
}

/// A journal line.
#[derive(Clone, Debug)]
pub struct LineBooks {
    pub line: i64,
    pub role: String,
    /// Debit positive.
    pub amount: Amount,
    pub memo: String,
    /// What the line is of its entry, where the role alone does not tell.
    pub part: Option<LinePart>,
    pub derivation: DerivationDocument,
    /// Of the newest release that was known.
    pub account: Option<Account>,
}

/// How far the books of a rollforward's issues have been read.
#[derive(Debug)]
pub struct BooksRead {
    entity: String,
    from: Date,
    to: Date,
    currency: Currency,
    known: i64,
    revisions: Vec<RecordedRevision>,
    /// Of batches, by their ids.
    accounts: HashMap<String, Arc<ReleaseAccounts>>,
    after: String,
}

impl Library {
    /// Begins to read what stands behind a rollforward, as it was known.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn begin_books(&self, report: &RollforwardDocument) -> Result<BooksRead, ReadError> {
        let known_at: Timestamp =
            report.known_at.parse().map_err(|error| RecordError::corrupt("rollforward", error))?;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let known = super::known(&mut reader, &report.entity, Some(known_at)).await?;
        Ok(BooksRead {
            entity: report.entity.clone(),
            from: posting::date(&report.from)?,
            to: posting::date(&report.to)?,
            currency: currency(&report.currency)?,
            known: known.sequence,
            revisions: reader.revisions_of_entity(&report.entity).await?,
            accounts: HashMap::new(),
            after: String::new(),
        })
    }

    /// The books of the next issues, in order of id; none after the last.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn next_books(&self, read: &mut BooksRead) -> Result<Vec<IssueBooks>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        loop {
            let page = read.page(read.to, &mut reader).await?;
            let Some(last) = page.last() else { return Ok(Vec::new()) };
            let through = last.issue.id.clone();
            let books = read.books(page, &through, &mut reader).await?;
            read.after = through;
            if !books.is_empty() {
                return Ok(books);
            }
        }
    }
}

impl BooksRead {
    async fn page(&self, as_of: Date, reader: &mut Reader<'_>) -> Result<Vec<Carrying>, ReadError> {
        Ok(reader.carrying_page(&self.entity, &as_of.to_string(), self.known, &self.after, PAGE).await?)
    }

    async fn books(
        &mut self,
        page: Vec<Carrying>,
        through: &str,
        reader: &mut Reader<'_>,
    ) -> Result<Vec<IssueBooks>, ReadError> {
        let eve = self.from.yesterday().unwrap_or(self.from);
        // Those that were settled by then are among the page, and no more than it has.
        let before = self.page(eve, reader).await?;
        let mut before: HashMap<String, Carrying> = before.into_iter().map(|row| (row.issue.id.clone(), row)).collect();
        let mut entries = self.entries(through, reader).await?;
        let mut books = Vec::with_capacity(page.len());
        for Carrying { issue, .. } in page.into_iter().filter(|row| row.issue.currency == self.currency.code()) {
            let issued = Issued::among(&issue, &self.revisions)?;
            let instrument = issued.known_at(self.known).cloned();
            let instrument = instrument.ok_or_else(|| RecordError::corrupt("issue", "no terms"))?;
            let instrument = as_of(instrument, self.to);
            let opening = before.remove(&issue.id).map(|row| opening(&row, &instrument)).transpose()?.flatten();
            let document = serde_json::from_str(&issue.terms).map_err(|error| RecordError::corrupt("terms", error))?;
            let entries = entries.remove(&issue.id).unwrap_or_default();
            books.push(IssueBooks { id: issue.id, reference: issue.reference, document, instrument, opening, entries });
        }
        Ok(books)
    }

    /// The entries of the issues up to one, by issue.
    async fn entries(
        &mut self,
        through: &str,
        reader: &mut Reader<'_>,
    ) -> Result<BTreeMap<String, Vec<EntryBooks>>, ReadError> {
        let (from, to) = (self.from.to_string(), self.to.to_string());
        let asked =
            PostedIn { entity: &self.entity, period: (&from, &to), known: self.known, issues: (&self.after, through) };
        let rows = reader.posted_entries(asked).await?;
        let mut lines: HashMap<(String, i64), Vec<LineRow>> = HashMap::new();
        for line in reader.posted_lines(asked).await? {
            lines.entry((line.batch.clone(), line.entry)).or_default().push(line);
        }
        self.read_accounts(rows.iter().map(|posted| posted.entry.batch.as_str()), reader).await?;
        let mut found: BTreeMap<String, Vec<EntryBooks>> = BTreeMap::new();
        for posted in rows {
            let (number, row) = (posted.number, posted.entry);
            let accounts = self.accounts.get(&row.batch);
            let lines = lines.remove(&(row.batch.clone(), row.entry)).unwrap_or_default();
            let lines =
                lines.into_iter().map(|line| line_books(line, &row.bond_issue, accounts)).collect::<Result<_, _>>()?;
            found.entry(row.bond_issue.clone()).or_default().push(EntryBooks { number, row, lines });
        }
        Ok(found)
    }

    async fn read_accounts(
        &mut self,
        batches: impl Iterator<Item = &str>,
        reader: &mut Reader<'_>,
    ) -> Result<(), ReadError> {
        if self.accounts.len() > BATCHES {
            self.accounts.clear();
        }
        let unknown: BTreeSet<&str> = batches.filter(|batch| !self.accounts.contains_key(*batch)).collect();
        let unknown: Vec<&str> = unknown.into_iter().collect();
        for release in reader.known_releases(&self.entity, &unknown, self.known).await? {
            let accounts = Arc::new(ReleaseAccounts::of(Some(&release))?);
            // The newest comes last.
            self.accounts.insert(release.batch, accounts);
        }
        Ok(())
    }
}

/// The issue without revisions that come after a date.
fn as_of(mut instrument: Arc<Instrument>, date: Date) -> Arc<Instrument> {
    while let Some(before) = instrument.before().filter(|_| instrument.revised_on() > Some(date)) {
        instrument = Arc::clone(before);
    }
    instrument
}

fn opening(row: &Carrying, instrument: &Instrument) -> Result<Option<OpeningBooks>, ReadError> {
    let Some(booked) = row.booked.as_ref().map(posting::booked_row).transpose()? else { return Ok(None) };
    let interest_due = match &row.accrued_position {
        Some(position) => posting::position_row(position)?.rolled_to(booked.accrued.date, instrument)?.interest_due,
        None => instrument.opening_coupon().map_or(Amount::ZERO, |(_, due)| due),
    };
    Ok(Some(OpeningBooks { booked, interest_due }))
}

fn line_books(line: LineRow, issue: &str, accounts: Option<&Arc<ReleaseAccounts>>) -> Result<LineBooks, ReadError> {
    let account =
        accounts.and_then(|accounts| accounts.account_of_line((line.entry, line.line), &line.account_role, issue));
    Ok(LineBooks {
        line: line.line,
        amount: Amount::from_minor(line.amount),
        derivation: serde_json::from_str(&line.derivation)
            .map_err(|error| RecordError::corrupt("derivation", error))?,
        role: line.account_role,
        part: LinePart::of_memo(&line.memo),
        memo: line.memo,
        account,
    })
}
