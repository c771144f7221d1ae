//! Carrying values, of one issue and of all.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::issued::{Issued, Kept, Shelved};
use super::{Basis, Known, Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::instrument::Instrument;
use crate::accounting::position::Components;
use crate::document::wire::Timestamp;
use crate::document::{CarryingValueDocument, ComponentsDocument, PositionDocument, ReconcilingItem};
use crate::posting::{self, RecordError};
use crate::reports::carrying_value::{CarryingValue, InForce, carrying_value};
use crate::store::{Asked, Carrying, OutOfPeriod, Reader, RecordedRevision, WrittenBy};

/// How many issues are read at once.
const PAGE: i64 = 500;

/// The carrying values of an entity's issues in one currency.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CarryingValues {
    pub entity: String,
    pub as_of: String,
    pub known_at: String,
    pub basis: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub items: Vec<CarryingValueDocument>,
    /// Of all items, not of the page.
    pub total: ComponentsDocument,
    pub next_cursor: Option<String>,
}

/// One issue's rows made into its carrying value.
pub(crate) struct Valued {
    pub(super) issued: Arc<Issued>,
    /// The issue as it was known.
    pub instrument: Arc<Instrument>,
    pub value: CarryingValue,
    items: Vec<ReconcilingItem>,
}

/// A walk over an entity's issues, a page at a time, with what makes their rows into carrying values.
pub(crate) struct Walk<'a> {
    entity: &'a str,
    as_of: Date,
    known: i64,
    revisions: Vec<RecordedRevision>,
    late: HashMap<String, Vec<OutOfPeriod>>,
    after: String,
}

impl<'a> Walk<'a> {
    /// Begins it at the close of `as_of`, as known at the sequence `known`.
    pub async fn begin(
        entity: &'a str,
        as_of: Date,
        known: i64,
        reader: &mut Reader<'_>,
    ) -> Result<Walk<'a>, ReadError> {
        let mut late: HashMap<String, Vec<OutOfPeriod>> = HashMap::new();
        for item in reader.out_of_period(entity, None, &as_of.to_string(), known).await? {
            late.entry(item.bond_issue.clone()).or_default().push(item);
        }
        let revisions = reader.revisions_of_entity(entity).await?;
        Ok(Walk { entity, as_of, known, revisions, late, after: String::new() })
    }

    /// The rows of the next issues in order of id; none after the last.
    pub async fn page(&mut self, reader: &mut Reader<'_>) -> Result<Vec<Carrying>, ReadError> {
        let page = reader.carrying_page(self.entity, &self.as_of.to_string(), self.known, &self.after, PAGE).await?;
        if let Some(last) = page.last() {
            self.after.clone_from(&last.issue.id);
        }
        Ok(page)
    }

    /// The carrying value of an issue by its rows.
    pub fn value(&self, rows: &Carrying) -> Result<Valued, ReadError> {
        let id = &rows.issue.id;
        let issued = Arc::new(Issued::among(&rows.issue, &self.revisions)?);
        let position = |row: &Option<_>| row.as_ref().map(posting::position_row).transpose();
        let in_force = InForce {
            position: position(&rows.position)?,
            booked: rows.booked.as_ref().map(posting::booked_row).transpose()?,
            accrued_position: position(&rows.accrued_position)?,
        };
        let late = self.late.get(id).map_or(&[] as &[_], Vec::as_slice);
        value(issued, self.known, (&in_force, rows.taken_back_by.as_ref()), self.as_of, late)
    }
}

impl Library {
    /// The carrying value of an issue at close of business on `as_of`.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the issue was not known.
    pub async fn carrying_value(
        &self,
        entity: &str,
        id: &str,
        as_of: Date,
        at: Option<Timestamp>,
        basis: Basis,
    ) -> Result<CarryingValueDocument, ReadError> {
        let (valued, known) = self.valued(entity, id, as_of, at).await?;
        valued.document(id, as_of, known, basis)
    }

    /// The carrying value of an issue as figures, with what was known.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the issue was not known.
    pub(super) async fn valued(
        &self,
        entity: &str,
        id: &str,
        as_of: Date,
        at: Option<Timestamp>,
    ) -> Result<(Valued, Known), ReadError> {
        let (Shelved { issued, kept }, known) = self.kept(entity, id, at).await?;
        let (in_force, written) = match &kept {
            Kept::Rows(rows) => rows.in_force(as_of, known.sequence),
            Kept::Dates(dates) => {
                self.rows_of_dates.in_force((entity, id), dates, (as_of, known.sequence), &self.store).await?
            }
        };
        // Most issues have no booked row of which something is taken back later, so the event behind it is not joined to each.
        let taken_back_by = match written.filter(|_| in_force.booked.is_some_and(|row| row.later.is_some())) {
            Some(sequence) => self.events_behind.event((entity, id), sequence, &self.store).await?,
            None => None,
        };
        let late = match kept.has_late_entries() {
            true => {
                let mut reading = self.reading().await?;
                reading.reader().out_of_period(entity, Some(id), &as_of.to_string(), known.sequence).await?
            }
            false => Vec::new(),
        };
        Ok((value(issued, known.sequence, (&in_force, taken_back_by.as_deref()), as_of, &late)?, known))
    }

    /// An issue with what is kept of it, and what was known at a time. What is kept and turns out to be old is added to.
    async fn kept(&self, entity: &str, id: &str, at: Option<Timestamp>) -> Result<(Shelved, Known), ReadError> {
        let not_found = || RecordError::NotFound(format!("the bond issue {id}"));
        let shelved = self.shelf.issue(entity, id, &self.store).await?.ok_or_else(not_found)?;
        let known_at = at.map_or(i64::MAX, Timestamp::microseconds);
        let asked = Asked { entity: entity.to_owned(), bond_issue: id.to_owned(), known_at };
        let head = self.together.head(asked).await?.filter(|head| shelved.issued.sequence <= head.known);
        let head = head.ok_or_else(not_found)?;
        let known = Known { sequence: head.known, recorded_at: head.recorded_at };
        if head.event_sequence == shelved.kept.event_sequence() {
            return Ok((shelved, known));
        }
        // All that was known is among it then, whatever came since.
        Ok((self.shelf.refreshed(entity, id, shelved, &self.store).await?, known))
    }

    /// The carrying values of an entity's issues in a currency (the functional one if none is named), after an id.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the entity was not known.
    pub async fn carrying_values(
        &self,
        entity: &str,
        as_of: Date,
        known: Known,
        basis: Basis,
        currency: Option<Currency>,
        (after, limit): (&str, usize),
    ) -> Result<(CarryingValues, Option<String>), ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (_, currency) = super::entity_in(&mut reader, entity, currency).await?;
        let date = as_of.to_string();
        let mut walk = Walk::begin(entity, as_of, known.sequence, &mut reader).await?;
        let (mut items, mut total, mut others) = (Vec::new(), Components::default(), Vec::new());
        let (mut last_kept, mut more) = (None, false);
        loop {
            let page = walk.page(&mut reader).await?;
            if page.is_empty() {
                break;
            }
            for rows in &page {
                let id = &rows.issue.id;
                if rows.issue.currency != currency.code() {
                    if !others.contains(&rows.issue.currency) {
                        others.push(rows.issue.currency.clone());
                    }
                    continue;
                }
                let valued = walk.value(rows)?;
                let components = match basis {
                    Basis::Effective => valued.value.position.components()?,
                    Basis::Posted => valued.value.booked,
                };
                total = total.plus(&components)?;
                if id.as_str() > after && items.len() < limit {
                    items.push(valued.document(id, as_of, known, basis)?);
                    last_kept = Some(id.clone());
                } else if id.as_str() > after {
                    more = true;
                }
            }
        }
        others.sort_unstable();
        let answer = CarryingValues {
            entity: entity.to_owned(),
            as_of: date,
            known_at: known.text(),
            basis: basis_name(basis).to_owned(),
            currency: currency.code().to_owned(),
            other_currencies: others,
            items,
            total: ComponentsDocument::of(&total, currency)?,
            next_cursor: None,
        };
        Ok((answer, last_kept.filter(|_| more)))
    }
}

/// The carrying value of an issue by its rows in force, with the event that takes something of what is booked back later.
fn value(
    issued: Arc<Issued>,
    known: i64,
    (in_force, taken_back_by): (&InForce, Option<&WrittenBy>),
    as_of: Date,
    late: &[OutOfPeriod],
) -> Result<Valued, ReadError> {
    let instrument = issued.known_at(known).ok_or_else(|| RecordError::corrupt("bond issue", "it has no terms"))?;
    let instrument = Arc::clone(instrument);
    let currency = instrument.terms().currency;
    let mut sum = Components::default();
    let mut items = Vec::with_capacity(late.len());
    let mut add = |event: &str, effective_date: &str, posting_date: &str, amounts: &Components| {
        sum = sum.plus(amounts)?;
        items.push(ReconcilingItem {
            event: event.to_owned(),
            effective_date: effective_date.to_owned(),
            posting_date: posting_date.to_owned(),
            amounts: ComponentsDocument::of(amounts, currency)?,
        });
        Ok::<_, ReadError>(())
    };
    for item in late {
        let amounts = super::components(&item.sums);
        add(&item.event, &item.effective_date, &item.posting_date, &amounts)?;
    }
    if let (Some(later), Some(by)) = (in_force.booked.and_then(|row| row.later), taken_back_by) {
        add(&by.event, &by.effective_date, &later.posting_date.to_string(), &later.amounts)?;
    }
    Ok(Valued { value: carrying_value(&instrument, as_of, in_force, &sum)?, issued, instrument, items })
}

impl Valued {
    fn document(self, id: &str, as_of: Date, known: Known, basis: Basis) -> Result<CarryingValueDocument, ReadError> {
        let Valued { issued, instrument, value, items } = self;
        let currency = instrument.terms().currency;
        let position = match basis {
            Basis::Effective => &value.position,
            Basis::Posted => &value.posted,
        };
        Ok(CarryingValueDocument {
            bond_issue: id.to_owned(),
            reference: issued.reference.clone(),
            currency: currency.code().to_owned(),
            position: PositionDocument::of(position, currency)?,
            known_at: known.text(),
            basis: basis_name(basis).to_owned(),
            accrued_through: value.accrued_through.map(|date| date.to_string()),
            booked: ComponentsDocument::of(&value.booked, currency)?,
            unaccrued: ComponentsDocument::of(&value.unaccrued, currency)?,
            reconciling_items: items,
            unexplained: ComponentsDocument::of(&value.unexplained, currency)?,
            status: if value.is_tied() { "tied" } else { "break" }.to_owned(),
            projected: known.date().is_some_and(|known| as_of > known),
            overdue: value.overdue,
        })
    }
}

fn basis_name(basis: Basis) -> &'static str {
    match basis {
        Basis::Effective => "effective",
        Basis::Posted => "posted",
    }
}
