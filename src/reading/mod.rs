//! Reading: rows of the store, given to the reports, as documents. Nothing here writes.

mod batches;
mod calendar;
mod carrying;
mod classification;
mod closed_rollforward;
mod days;
mod destinations;
mod disclosures;
mod events_behind;
mod forecast;
mod if_converted;
mod induced;
mod issue_books;
mod issued;
mod issues;
mod journal_lines;
mod kept_dates;
mod kept_rows;
mod layouts;
mod life;
mod mapping;
mod outstanding;
mod packed;
mod periods;
mod rollforward;
mod rows_of_dates;
mod sale_price;
mod together;
mod trial_balance;

use jiff::civil::Date;
use serde::Deserialize;
use utoipa::ToSchema;

use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::document::wire::Timestamp;
use crate::posting::RecordError;
use crate::store::{EntityRow, Reader, Reading, Store, Sums};

pub use batches::{EventBatches, RecentBatch, ReleaseDocument};
pub use calendar::{CalendarDocument, CalendarEntry};
pub use carrying::CarryingValues;
pub(crate) use carrying::{Valued, Walk};
pub use closed_rollforward::{ChangedSinceClose, View};
pub use disclosures::{
    ConvertedDocument, DisclosureFigures, DisclosuresAsked, DisclosuresDocument, FairValue, IssueDisclosure,
    NotedEvent, PriorPeriodEntry,
};
pub use forecast::{Assumed, ForecastAsked, ForecastDocument, ForecastMonth, IssueForecast};
pub use if_converted::{EarningsPerShareDocument, IfConvertedAsked, IfConvertedDocument, IfConvertedItem};
pub use issue_books::{BooksRead, EntryBooks, IssueBooks, LineBooks, OpeningBooks};
pub use issues::{EventRecord, ScheduleDocument, ScheduleRowDocument};
pub use journal_lines::{JournalLines, LinePlace, LinesAsked};
pub use life::{Life, LifePoint};
pub use rollforward::{
    Beside, ComparativeRollforward, InterestExpectation, InterestReasonableness, IssueInterest, IssueRollforward,
    RollforwardAsked, RollforwardDocument, RollforwardLine, TieOut,
};
pub(crate) use rollforward::{Rolled, Scope};
pub use trial_balance::{TrialBalanceDocument, TrialBalanceRow};

/// Why something could not be read.
pub type ReadError = RecordError;

/// On which basis a position is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, serde::Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Events by effective date.
    #[default]
    Effective,
    /// Events by posting date.
    Posted,
}

/// What was known: all records of an entity up to one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Known {
    pub sequence: i64,
    /// Microseconds since 1970.
    pub recorded_at: i64,
}

impl Known {
    /// The time as it is answered.
    pub fn timestamp(&self) -> Option<Timestamp> {
        Timestamp::from_microseconds(self.recorded_at)
    }

    fn text(&self) -> String {
        self.timestamp().map(|time| time.to_string()).unwrap_or_default()
    }

    fn date(&self) -> Option<Date> {
        jiff::Timestamp::from_microsecond(self.recorded_at)
            .ok()
            .map(|time| jiff::tz::Offset::UTC.to_datetime(time).date())
    }
}

/// The reads of the service.
#[derive(Clone, Debug)]
pub struct Library {
    store: Store,
    shelf: issued::Shelf,
    rows_of_dates: rows_of_dates::RowsOfDates,
    events_behind: events_behind::EventsBehind,
    together: together::Together,
}

impl Library {
    /// The reads of a store, with a task on the current runtime that ends when the last clone is gone.
    pub fn start(store: Store) -> Library {
        Library {
            together: together::Together::start(store.clone()),
            shelf: issued::Shelf::default(),
            rows_of_dates: rows_of_dates::RowsOfDates::default(),
            events_behind: events_behind::EventsBehind::default(),
            store,
        }
    }

    async fn reading(&self) -> Result<Reading, ReadError> {
        Ok(self.store.reading().await?)
    }

    /// What was known of an entity at a time, by default now.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when nothing was.
    pub async fn known(&self, entity: &str, at: Option<Timestamp>) -> Result<Known, ReadError> {
        let mut reading = self.reading().await?;
        known(&mut reading.reader(), entity, at).await
    }
}

async fn known(reader: &mut Reader<'_>, entity: &str, at: Option<Timestamp>) -> Result<Known, ReadError> {
    let found = reader.known(entity, at.map(Timestamp::microseconds)).await?;
    let found = found.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
    Ok(Known { sequence: found.sequence, recorded_at: found.recorded_at })
}

/// The entity of a code.
async fn entity_row(reader: &mut Reader<'_>, entity: &str) -> Result<EntityRow, ReadError> {
    let row = reader.entity(entity).await?;
    row.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))
}

/// The entity of a code, with the currency of a report on it: the one that is asked for, or the functional one.
async fn entity_in(
    reader: &mut Reader<'_>,
    entity: &str,
    asked: Option<Currency>,
) -> Result<(EntityRow, Currency), ReadError> {
    let row = entity_row(reader, entity).await?;
    let currency = asked.map_or_else(|| currency(&row.functional_currency), Ok)?;
    Ok((row, currency))
}

/// The currencies of an entity's issues that a report in one currency leaves out.
async fn other_currencies(
    reader: &mut Reader<'_>,
    entity: &str,
    known: Known,
    currency: Currency,
) -> Result<Vec<String>, ReadError> {
    let mut currencies = reader.currencies(entity, known.sequence).await?;
    currencies.retain(|other| other != currency.code());
    Ok(currencies)
}

/// Sums by component as the core has them.
fn components(sums: &Sums) -> Components {
    Components {
        principal: Amount::from_minor(sums.principal),
        premium_discount: Amount::from_minor(sums.premium_discount),
        issue_costs: Amount::from_minor(sums.issue_costs),
        interest_payable: Amount::from_minor(sums.interest_payable),
        interest_receivable: Amount::from_minor(sums.interest_receivable),
        equity_component: Amount::from_minor(sums.equity_component),
    }
}

fn currency(code: &str) -> Result<Currency, ReadError> {
    Currency::from_code(code).ok_or_else(|| RecordError::corrupt("currency", "a code that is not in ISO 4217"))
}

/// What every report says.
pub const CAUTION: &str = "Computed for review by qualified accountants under the standards, policies and laws that apply; no accounting, \
                           legal or tax advice.";
