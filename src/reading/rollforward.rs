//! The rollforward of a period.

mod document;
mod rolled;
mod schedule;
mod size;

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{Known, Library, ReadError, known};
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::{Comparative, FiscalCalendar};
use crate::accounting::refusal::Refusal;
use crate::document::wire::Timestamp;
use crate::posting;
use crate::store::Reader;

pub use document::{
    ComparativeRollforward, InterestExpectation, InterestReasonableness, IssueInterest, IssueRollforward,
    RollforwardDocument, RollforwardLine, TieOut,
};
pub(super) use rolled::by_issue;
pub(crate) use rolled::{Rolled, Scope};

/// Which days stand beside those of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Beside {
    /// The same fiscal periods, or days, a year before.
    #[default]
    PriorYear,
    /// As many fiscal periods, or days, just before.
    PriorPeriod,
    None,
}

impl Beside {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Beside::PriorYear => "prior_year",
            Beside::PriorPeriod => "prior_period",
            Beside::None => "none",
        }
    }
}

/// What a rollforward shows beside the days that it is of.
#[derive(Clone, Copy, Debug, Default)]
pub struct RollforwardAsked {
    /// The functional currency if `None`.
    pub currency: Option<Currency>,
    pub beside: Beside,
    /// The rows that a sheet of the workbook may have for which the report is read; one that would have more is refused before that.
    pub most_rows: Option<u32>,
}

impl Library {
    /// The rollforward by posting date, from the close of the day before `from` to the close of `to`.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound), or a period that ends before it begins.
    pub async fn rollforward(
        &self,
        entity: &str,
        (from, to): (Date, Date),
        at: Option<Timestamp>,
        asked: RollforwardAsked,
    ) -> Result<RollforwardDocument, ReadError> {
        if to < from {
            return Err(Refusal::contradiction("to", format!("to {to} is before from {from}")).into());
        }
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (row, currency) = super::entity_in(&mut reader, entity, asked.currency).await?;
        let known = known(&mut reader, entity, at).await?;
        let calendar = posting::calendar(&row, None)?;
        report(entity, (from, to), known, (currency, asked), &calendar, &mut reader).await
    }
}

/// The report, of what is read.
pub(super) async fn report(
    entity: &str,
    (from, to): (Date, Date),
    known: Known,
    (currency, asked): (Currency, RollforwardAsked),
    calendar: &FiscalCalendar,
    reader: &mut Reader<'_>,
) -> Result<RollforwardDocument, ReadError> {
    let scope = Scope { entity, days: (from, to), known: known.sequence, currency };
    if let Some(most) = asked.most_rows {
        size::check(&scope, most, reader).await?;
    }
    let rolled = Rolled::read(&scope, reader).await?;
    let shown = Shown::of(&scope, &rolled, reader).await?;
    let scheduled = schedule::scheduled(&scope, &rolled, reader).await?;
    drop(rolled);
    let compared = match asked.beside {
        Beside::PriorYear => Some(Comparative::PriorYear),
        Beside::PriorPeriod => Some(Comparative::PriorPeriod),
        Beside::None => None,
    };
    let comparative = match compared.and_then(|beside| calendar.compared((from, to), beside)) {
        Some((from, to)) => {
            let scope = Scope { days: (from, to), ..scope };
            let rolled = Rolled::read(&scope, reader).await?;
            let Shown { issues, total, tie_out } = Shown::of(&scope, &rolled, reader).await?;
            Some(ComparativeRollforward { from: from.to_string(), to: to.to_string(), issues, total, tie_out })
        }
        None => None,
    };
    Ok(RollforwardDocument {
        entity: entity.to_owned(),
        period: None,
        view: None,
        closed_at: None,
        from: from.to_string(),
        to: to.to_string(),
        currency: currency.code().to_owned(),
        other_currencies: super::other_currencies(reader, entity, known, currency).await?,
        known_at: known.text(),
        beside: asked.beside,
        comparative_asked: Some(asked.beside),
        issues: shown.issues,
        total: shown.total,
        tie_out: shown.tie_out.into_iter().chain(scheduled.tie_out).collect(),
        interest_reasonableness: scheduled.interest,
        comparative,
        waivers: None,
        changed_since_close: None,
        caution: super::CAUTION.to_owned(),
    })
}

/// The figures of a period as they are answered.
struct Shown {
    issues: Vec<IssueRollforward>,
    total: Vec<RollforwardLine>,
    tie_out: Vec<TieOut>,
}

impl Shown {
    async fn of(scope: &Scope<'_>, rolled: &Rolled, reader: &mut Reader<'_>) -> Result<Shown, ReadError> {
        let (batches, currency) = (batches(scope, reader).await?, scope.currency);
        let mut issues = Vec::with_capacity(rolled.issues.len());
        for (id, issue) in &rolled.issues {
            let of = |stored: &str| batches.get(&(id.clone(), stored.to_owned())).cloned().unwrap_or_default();
            let moved = rolled.lines_of(id)?;
            // A vector that grows keeps room for as much again.
            let mut lines = Vec::with_capacity(moved.len());
            for line in &moved {
                lines.push(RollforwardLine::of(line, currency, of)?);
            }
            issues.push(IssueRollforward { bond_issue: id.clone(), reference: issue.reference.clone(), lines });
        }
        let of = |stored: &str| {
            let of_movement = batches.iter().filter(|((_, movement), _)| movement == stored);
            let numbers: BTreeSet<&String> = of_movement.flat_map(|(_, numbers)| numbers.iter()).collect();
            numbers.into_iter().cloned().collect()
        };
        let total = rolled.total.iter().map(|line| RollforwardLine::of(line, currency, of));
        let tie_out = rolled.checks.iter().map(|check| TieOut::of(check, currency));
        Ok(Shown { issues, total: total.collect::<Result<_, _>>()?, tie_out: tie_out.collect::<Result<_, _>>()? })
    }
}

/// The numbers of the batches of each movement of each issue. Most issues share a list.
type Batches = HashMap<(String, String), Arc<[String]>>;

async fn batches(scope: &Scope<'_>, reader: &mut Reader<'_>) -> Result<Batches, ReadError> {
    let Scope { entity, days: (from, to), known, currency } = *scope;
    let (first, last) = (from.to_string(), to.to_string());
    let found = reader.batches_of_movements(entity, (&first, &last), known, currency.code()).await?;
    let mut shared: HashMap<String, Arc<[String]>> = HashMap::new();
    let mut sorted = |numbers: String| {
        let list = shared.entry(numbers).or_insert_with_key(|numbers| {
            let mut numbers: Vec<String> = numbers.split(',').map(str::to_owned).collect();
            numbers.sort_unstable();
            numbers.into()
        });
        Arc::clone(list)
    };
    Ok(found.into_iter().map(|row| ((row.bond_issue, row.movement), sorted(row.numbers))).collect())
}
