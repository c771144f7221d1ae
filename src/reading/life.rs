//! What issues are carried at over their whole lives.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::issued::Issued;
use super::{Known, Library, ReadError};
use crate::accounting::position::History;
use crate::document::money;
use crate::posting::{self, RecordError};
use crate::reports::life::{dates, life};
use crate::store::Reader;

/// Kinds of events that move what is carried at once.
const MOVING: [&str; 8] = [
    "conversion",
    "surrender",
    "inducement",
    "repurchase",
    "redemption",
    "modification",
    "estimate",
    "issue_cost_adjustment",
];

/// How many days with events are shown of an issue: those that moved most.
const MOST: usize = 20;

/// What an issue is carried at from its start to its maturity.
#[derive(Clone, Debug)]
pub struct Life {
    pub bond_issue: String,
    pub reference: String,
    pub currency: String,
    /// The day on which the last record was known; what comes after it is what will be if nothing more happens.
    pub known_on: String,
    pub points: Vec<LifePoint>,
    /// Days with events that are left out.
    pub days_left_out: usize,
}

/// The debt at the close of a day.
#[derive(Clone, Debug)]
pub struct LifePoint {
    pub date: String,
    pub principal: String,
    pub carrying_amount: String,
    /// The kinds of the events of that day that moved what is carried, and how many of each.
    pub events: BTreeMap<String, usize>,
    pub is_future: bool,
}

impl Library {
    /// The lives of some issues of an entity, as known; an unknown one is left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn lives(&self, entity: &str, ids: &[&str], known: Known) -> Result<Vec<Life>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let mut lives = Vec::with_capacity(ids.len());
        for id in ids {
            lives.extend(of_issue(entity, id, known, &mut reader).await?);
        }
        Ok(lives)
    }
}

async fn of_issue(entity: &str, id: &str, known: Known, reader: &mut Reader<'_>) -> Result<Option<Life>, ReadError> {
    let Some(row) = reader.bond_issue(entity, id).await? else { return Ok(None) };
    let issued = Issued::read(&row, &reader.revisions(entity, &[id]).await?)?;
    let instrument = issued.known_at(known.sequence).ok_or_else(|| RecordError::corrupt("bond issue", "no terms"))?;
    // Reads of many issues take those after one id up to another: nearly nothing lies between an id and itself without its end.
    let ids = (id.get(..id.len().saturating_sub(1)).unwrap_or_default(), id);
    let (start, maturity) = (instrument.start().moment.date, instrument.terms().maturity_date);
    let from = start.to_string();
    let rows = reader.position_rows_known(entity, ids, &from, known.sequence).await?;
    let rows = rows.iter().filter(|row| row.bond_issue == id).map(posting::position_row);
    let history = History::new(rows.collect::<Result<_, _>>()?, Vec::new());
    let mut events: BTreeMap<Date, BTreeMap<String, usize>> = BTreeMap::new();
    for event in reader.events_from(entity, ids, &from, known.sequence).await? {
        if event.bond_issue == id && MOVING.contains(&event.kind.as_str()) {
            let of_day = events.entry(posting::date(&event.effective_date)?).or_default();
            *of_day.entry(event.kind).or_default() += 1;
        }
    }
    let mut days: Vec<(i64, Date)> = Vec::with_capacity(events.len());
    for day in events.keys() {
        let around = life(instrument, &history, &[day.yesterday().unwrap_or(*day), *day])?;
        let minor = |at: usize| around.get(at).map_or(0, |point| point.carrying_amount.minor());
        days.push((minor(0).saturating_sub(minor(1)).saturating_abs(), *day));
    }
    days.sort_unstable_by_key(|(moved, day)| (std::cmp::Reverse(*moved), *day));
    let days_left_out = days.split_off(days.len().min(MOST)).len();
    let shown: Vec<Date> = days.into_iter().map(|(_, day)| day).collect();
    let today = known.date().unwrap_or(start);
    let points = life(instrument, &history, &dates((start, maturity), today, &shown))?;
    let currency = instrument.terms().currency;
    let points = points.into_iter().map(|point| LifePoint {
        date: point.date.to_string(),
        principal: money(point.principal, currency),
        carrying_amount: money(point.carrying_amount, currency),
        events: if shown.contains(&point.date) {
            events.remove(&point.date).unwrap_or_default()
        } else {
            BTreeMap::new()
        },
        is_future: point.date > today,
    });
    Ok(Some(Life {
        bond_issue: id.to_owned(),
        reference: row.reference.clone(),
        currency: currency.code().to_owned(),
        known_on: today.to_string(),
        points: points.collect(),
        days_left_out,
    }))
}
