//! The books of an entity as they are under its head's lock: what commands are decided on, kept from one group of commands to
//! the next as long as nobody else posted in between.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use jiff::civil::Date;

use super::convert;
use super::draft::Draft;
use super::error::RecordError;
use crate::accounting::account_mapping::AccountMapping;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::framework::Framework;
use crate::accounting::position::History;
use crate::accounting::transaction::Books;
use crate::document::BondIssueDocument;
use crate::store::{self, Reader};

/// The books of one entity under the lock.
#[derive(Clone, Debug)]
pub(super) struct Workspace {
    pub head: store::EntityHeadRow,
    pub framework: Framework,
    pub functional_currency: String,
    calendar: FiscalCalendar,
    /// The most lines of a batch.
    pub most_lines: usize,
    pub mapping: Arc<AccountMapping>,
    /// The last batch number given in each fiscal year.
    pub numbers: BTreeMap<i64, i64>,
    issues: HashMap<String, IssueState>,
}

/// An entity's gap-free counters, and its mapping.
pub(super) struct Counters {
    head: store::EntityHeadRow,
    numbers: BTreeMap<i64, i64>,
    mapping: Arc<AccountMapping>,
}

/// One issue: what it is, and the books as far as they are in memory.
#[derive(Clone, Debug)]
pub(super) struct IssueState {
    pub document: Arc<BondIssueDocument>,
    pub books: Books,
    pub event_sequence: i64,
    pub newest: Newest,
}

/// Date and sequence of an issue's newest position and booked rows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Newest {
    pub position: (Date, i64),
    pub booked: (Date, i64),
}

impl Workspace {
    /// The books of an entity without mappings and batches.
    ///
    /// # Errors
    /// When its framework cannot be read.
    pub fn new(head: store::EntityHeadRow, entity: store::EntityRow) -> Result<Workspace, RecordError> {
        let calendar = convert::calendar(&entity, None)?;
        Ok(Workspace {
            head,
            calendar,
            framework: convert::framework(&entity)?,
            functional_currency: entity.functional_currency,
            most_lines: usize::try_from(entity.max_lines_per_batch).ok().filter(|most| *most > 0).unwrap_or(usize::MAX),
            mapping: Arc::default(),
            numbers: BTreeMap::new(),
            issues: HashMap::new(),
        })
    }

    /// Adds an account mapping.
    pub fn map(&mut self, row: &store::AccountMappingRow) -> Result<(), RecordError> {
        Arc::make_mut(&mut self.mapping).add(convert::mapping(row)?);
        Ok(())
    }

    /// Reads the books of the entity of a code, under no lock.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when there is no such entity.
    pub async fn of(entity: &str, reader: &mut Reader<'_>) -> Result<Workspace, RecordError> {
        let loaded = match reader.entity_head(entity).await? {
            Some(head) => Workspace::load(head, reader).await?,
            None => None,
        };
        loaded.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))
    }

    /// Reads an entity's books; `None` if there is no such entity.
    pub async fn load(head: store::EntityHeadRow, reader: &mut Reader<'_>) -> Result<Option<Workspace>, RecordError> {
        let Some(entity) = reader.entity(&head.entity).await? else { return Ok(None) };
        let mappings = reader.mappings(&head.entity, head.sequence).await?;
        let mappings = mappings.iter().map(convert::mapping).collect::<Result<Vec<_>, _>>()?;
        let numbers =
            reader.year_heads(&head.entity).await?.into_iter().map(|year| (year.fiscal_year, year.number)).collect();
        let mapping = Arc::new(AccountMapping::new(mappings));
        Ok(Some(Workspace { mapping, numbers, ..Workspace::new(head, entity)? }))
    }

    /// What is counted without gaps, and the mapping, so that a command that fails halfway can give back what it took.
    pub fn counters(&self) -> Counters {
        Counters { head: self.head.clone(), numbers: self.numbers.clone(), mapping: Arc::clone(&self.mapping) }
    }

    /// Takes them back to what they were.
    pub fn restore(&mut self, counters: Counters) {
        self.head = counters.head;
        self.numbers = counters.numbers;
        self.mapping = counters.mapping;
    }

    /// The calendar, closed as far as the head says.
    pub fn calendar(&self) -> Result<FiscalCalendar, RecordError> {
        let closed_through = self.head.closed_through.as_deref().map(convert::date).transpose()?;
        Ok(self.calendar.closed(closed_through))
    }

    /// Reads issues that are not in memory yet, in one statement.
    pub async fn fetch(&mut self, ids: &[&str], reader: &mut Reader<'_>) -> Result<(), RecordError> {
        let missing: Vec<&str> = ids.iter().copied().filter(|id| !self.issues.contains_key(*id)).collect();
        if missing.is_empty() {
            return Ok(());
        }
        let calendar = self.calendar()?;
        let revisions = reader.revisions(&self.head.entity, &missing).await?;
        for state in reader.issue_states(&self.head.entity, &missing).await? {
            self.issues.insert(state.issue.id.clone(), issue_state(&state, &revisions, calendar)?);
        }
        for row in reader.conversion_rates(&self.head.entity, &missing).await? {
            if let Some(state) = self.issues.get_mut(&row.bond_issue) {
                state.books.rates.push(convert::conversion_rate(&row)?);
            }
        }
        Ok(())
    }

    /// How many issues are in memory.
    pub fn issues_in_memory(&self) -> usize {
        self.issues.len() + 1
    }

    /// An issue that was fetched.
    pub fn issue(&self, id: &str) -> Result<&IssueState, RecordError> {
        self.issues.get(id).ok_or_else(|| RecordError::NotFound(format!("the bond issue {id}")))
    }

    /// Keeps an issue's new state.
    pub fn keep(&mut self, id: String, state: IssueState) {
        self.issues.insert(id, state);
    }

    /// Closes the books through a day, or opens them after it. The books of issues in memory have the old calendar, and are forgotten.
    pub fn close_through(&mut self, last_day: Option<Date>) {
        self.head.closed_through = last_day.map(|date| date.to_string());
        self.issues.clear();
    }

    /// Forgets an issue, so that the next command reads it again.
    pub fn forget(&mut self, id: &str) {
        self.issues.remove(id);
    }
}

impl IssueState {
    /// The books of an issue from a date on, read from the store where memory holds too little. `with_row_before` asks for the
    /// position row before that date too.
    pub async fn books_from(
        &self,
        entity: &str,
        id: &str,
        date: Date,
        with_row_before: bool,
        reader: &mut Reader<'_>,
    ) -> Result<Books, RecordError> {
        let mut books = self.books.clone();
        if !self.has_positions_from(date, with_row_before) {
            let rows = reader.position_rows_from(entity, id, &date.to_string()).await?;
            let paid = reader.paid_coupons(entity, id, i64::MAX).await?;
            books.history = History::new(
                rows.iter().map(convert::position_row).collect::<Result<_, _>>()?,
                paid.iter().filter_map(|coupon| convert::paid_coupon(coupon).transpose()).collect::<Result<_, _>>()?,
            );
        }
        if !self.has_booked_from(date) {
            let earliest = self.earliest_posting(date);
            let rows = reader.booked_rows_from(entity, id, &earliest.to_string()).await?;
            books.booked = rows.iter().map(convert::booked_row).collect::<Result<_, _>>()?;
        }
        Ok(books)
    }

    /// The same if memory holds enough.
    pub fn books_in_memory(&self, date: Date, with_row_before: bool) -> Option<&Books> {
        (self.has_positions_from(date, with_row_before) && self.has_booked_from(date)).then_some(&self.books)
    }

    fn has_positions_from(&self, date: Date, with_row_before: bool) -> bool {
        let begin = self.books.instrument.start().moment.date;
        let first = self.books.history.rows().first().map_or(begin, |row| row.date);
        let from = if with_row_before { date.yesterday().unwrap_or(date) } else { date };
        first <= from.max(begin)
    }

    fn has_booked_from(&self, date: Date) -> bool {
        self.books.booked.first().is_none_or(|row| row.posting_date <= self.earliest_posting(date))
    }

    /// Postings may go back to the close of the period in which the issue was last accrued, and nothing was posted before its start.
    fn earliest_posting(&self, date: Date) -> Date {
        date.min(self.books.accrued().date).max(self.books.instrument.start().moment.date)
    }

    /// The state of an issue after a draft on it, which left these books, was recorded under `sequence`. Of their rows the newest are kept.
    pub fn after(draft: &Draft, mut books: Books, sequence: i64) -> Result<IssueState, RecordError> {
        // A coupon that falls due after the last row is not paid yet, or its payment would have a row.
        books.history = History::new(books.history.last().copied().into_iter().collect(), Vec::new());
        books.booked = books.booked.last().copied().into_iter().collect();
        Ok(IssueState {
            document: Arc::clone(&draft.document),
            books,
            event_sequence: sequence,
            newest: draft.newest_after(sequence)?,
        })
    }
}

/// An issue's state from its newest rows, without adjusted conversion rates.
pub(super) fn issue_state(
    state: &store::IssueState,
    revisions: &[store::RecordedRevision],
    calendar: FiscalCalendar,
) -> Result<IssueState, RecordError> {
    let (document, instrument) = convert::instrument(&state.issue, revisions)?;
    let position = convert::position_row(&state.position)?;
    let booked = convert::booked_row(&state.booked)?;
    Ok(IssueState {
        document: Arc::new(document),
        event_sequence: state.head.event_sequence,
        newest: Newest {
            position: (position.date, state.position.sequence),
            booked: (booked.posting_date, state.booked.sequence),
        },
        books: Books {
            instrument,
            calendar,
            history: History::new(vec![position], Vec::new()),
            booked: vec![booked],
            rates: Vec::new(),
        },
    })
}
