//! Carrying values, of one issue and of all.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::issued::Issued;
use super::{Basis, Known, Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::document::wire::Timestamp;
use crate::document::{CarryingValueDocument, ComponentsDocument, PositionDocument, ReconcilingItem};
use crate::posting::{self, RecordError};
use crate::reports::carrying_value::{CarryingValue, InForce, carrying_value};
use crate::store::{Carrying, OpenTakeBackRow, OutOfPeriod, Reader};

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
struct Valued {
    issued: Arc<Issued>,
    value: CarryingValue,
    items: Vec<ReconcilingItem>,
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
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let date = as_of.to_string();
        let found = reader.carrying_known(entity, id, &date, at.map_or(i64::MAX, Timestamp::microseconds)).await?;
        let found = found.ok_or_else(|| RecordError::NotFound(format!("the bond issue {id}")))?;
        let known = Known { sequence: found.known, recorded_at: found.recorded_at };
        let late = match found.has_out_of_period {
            0 => Late::default(),
            _ => Late::read(&mut reader, entity, Some(id), &date, known).await?,
        };
        let issued = self.shelf.issued(&found.rows.issue)?;
        value(issued, &found.rows, as_of, late.of(&found.rows))?.document(id, as_of, known, basis)
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
        let row = reader.entity(entity).await?.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
        let currency = currency.map_or_else(|| super::currency(&row.functional_currency), Ok)?;
        let date = as_of.to_string();
        let late = Late::read(&mut reader, entity, None, &date, known).await?;
        let (mut items, mut total, mut others) = (Vec::new(), Components::default(), Vec::new());
        let (mut read_after, mut last_kept) = (String::new(), None);
        let mut more = false;
        loop {
            let page = reader.carrying_page(entity, &date, known.sequence, &read_after, PAGE).await?;
            let Some(last) = page.last() else { break };
            read_after.clone_from(&last.issue.id);
            for rows in &page {
                let id = &rows.issue.id;
                if rows.issue.currency != currency.code() {
                    if !others.contains(&rows.issue.currency) {
                        others.push(rows.issue.currency.clone());
                    }
                    continue;
                }
                let issued = Arc::new(Issued::read(&rows.issue)?);
                let valued = value(issued, rows, as_of, late.of(rows))?;
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

/// What events effective by a date still change afterwards: amounts posted later, and those booked by then that are taken back
/// later. By issue.
#[derive(Default)]
struct Late {
    posted: HashMap<String, Vec<OutOfPeriod>>,
    taken_back: HashMap<String, Vec<OpenTakeBackRow>>,
}

/// An item that explains a difference between the effective and the posted basis.
struct Item<'a> {
    event: &'a str,
    effective_date: &'a str,
    posting_date: &'a str,
    amounts: Components,
}

impl Late {
    async fn read(
        reader: &mut Reader<'_>,
        entity: &str,
        bond_issue: Option<&str>,
        as_of: &str,
        known: Known,
    ) -> Result<Late, ReadError> {
        let mut late = Late::default();
        for item in reader.out_of_period(entity, bond_issue, as_of, known.sequence).await? {
            late.posted.entry(item.bond_issue.clone()).or_default().push(item);
        }
        for row in reader.open_take_backs(entity, bond_issue, as_of, known.sequence).await? {
            late.taken_back.entry(row.bond_issue.clone()).or_default().push(row);
        }
        Ok(late)
    }

    /// The items of an issue with these rows in force.
    fn of(&self, rows: &Carrying) -> Vec<Item<'_>> {
        let posted = self.posted.get(&rows.issue.id).into_iter().flatten().map(|item| Item {
            event: &item.event,
            effective_date: &item.effective_date,
            posting_date: &item.posting_date,
            amounts: Components {
                principal: Amount::from_minor(item.sums.principal),
                premium_discount: Amount::from_minor(item.sums.premium_discount),
                issue_costs: Amount::from_minor(item.sums.issue_costs),
                interest_payable: Amount::from_minor(item.sums.interest_payable),
                interest_receivable: Amount::from_minor(item.sums.interest_receivable),
            },
        });
        let accrued = rows.booked.as_ref().map(|row| (&row.accrued_boundary, &row.accrued_through));
        let taken_back = self.taken_back.get(&rows.issue.id).into_iter().flatten();
        let taken_back = taken_back.filter(|row| accrued == Some((&row.accrued_boundary, &row.accrued_through)));
        posted
            .chain(taken_back.map(|row| Item {
                event: &row.event,
                effective_date: &row.effective_date,
                posting_date: &row.posting_date,
                amounts: Components {
                    principal: Amount::from_minor(row.principal),
                    premium_discount: Amount::from_minor(row.premium_discount),
                    issue_costs: Amount::from_minor(row.issue_costs),
                    interest_payable: Amount::from_minor(row.interest_payable),
                    interest_receivable: Amount::from_minor(row.interest_receivable),
                },
            }))
            .collect()
    }
}

fn value(issued: Arc<Issued>, rows: &Carrying, as_of: Date, late: Vec<Item<'_>>) -> Result<Valued, ReadError> {
    let currency = issued.instrument.terms().currency;
    let in_force = InForce {
        position: rows.position.as_ref().map(posting::position_row).transpose()?,
        booked: rows.booked.as_ref().map(posting::booked_row).transpose()?,
        accrued_position: rows.accrued_position.as_ref().map(posting::position_row).transpose()?,
    };
    let mut sum = Components::default();
    let mut items = Vec::with_capacity(late.len());
    for item in late {
        sum = sum.plus(&item.amounts)?;
        items.push(ReconcilingItem {
            event: item.event.to_owned(),
            effective_date: item.effective_date.to_owned(),
            posting_date: item.posting_date.to_owned(),
            amounts: ComponentsDocument::of(&item.amounts, currency)?,
        });
    }
    Ok(Valued { value: carrying_value(&issued.instrument, as_of, &in_force, &sum)?, issued, items })
}

impl Valued {
    fn document(self, id: &str, as_of: Date, known: Known, basis: Basis) -> Result<CarryingValueDocument, ReadError> {
        let Valued { issued, value, items } = self;
        let currency = issued.instrument.terms().currency;
        let position = match basis {
            Basis::Effective => &value.position,
            Basis::Posted => &value.posted,
        };
        Ok(CarryingValueDocument {
            bond_issue: id.to_owned(),
            reference: issued.document.reference.clone(),
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
