//! The rollforward of a fiscal period: as it was closed, or as it is now with what changed since.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::periods::{self, Periods};
use super::rollforward::{self, RollforwardAsked, RollforwardDocument};
use super::{Known, Library, ReadError, known};
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::Period;
use crate::document::ComponentsDocument;
use crate::posting::NotClosed;
use crate::store::{PeriodCloseRow, Reader};

/// How a closed period is looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum View {
    /// As known at its close.
    #[default]
    AsClosed,
    /// As known now.
    Current,
}

impl View {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            View::AsClosed => "as_closed",
            View::Current => "current",
        }
    }
}

/// What a batch recorded since the close moved of an issue, by an event.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ChangedSinceClose {
    /// The number of the batch.
    pub batch: String,
    pub bond_issue: String,
    pub reference: String,
    /// The event's id.
    pub event: String,
    /// The kind of the entries.
    #[schema(example = "conversion")]
    pub kind: String,
    pub effective_date: String,
    pub posting_date: String,
    pub amounts: ComponentsDocument,
}

impl Library {
    /// The rollforward of a fiscal period.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound), a name that is none, or [`NotClosed::Open`] where it is to be shown as it was closed.
    pub async fn rollforward_of_period(
        &self,
        entity: &str,
        name: &str,
        view: View,
        asked: RollforwardAsked,
    ) -> Result<RollforwardDocument, ReadError> {
        let period = Period::named(name)?;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (_, currency) = super::entity_in(&mut reader, entity, asked.currency).await?;
        let periods = Periods::read(entity, &mut reader).await?;
        let close = periods.close_of(period);
        let at = match (view, close) {
            (View::AsClosed, Some(close)) if periods.is_closed(period) => periods::known_at(close),
            (View::AsClosed, _) => return Err(NotClosed::Open { period: period.to_string() }.into()),
            (View::Current, _) => known(&mut reader, entity, None).await?,
        };
        let days = (periods.calendar.first_day(period), periods.calendar.last_day(period));
        let report = rollforward::report(entity, days, at, (currency, asked), &periods.calendar, &mut reader).await?;
        let changed = match (view, close) {
            (View::Current, Some(close)) => Some(changed(&report, close, at, currency, &mut reader).await?),
            _ => None,
        };
        Ok(RollforwardDocument {
            period: Some(period.to_string()),
            view: Some(view),
            closed_at: close.map(periods::time),
            waivers: Some(close.map_or(Ok(Vec::new()), periods::waivers)?),
            changed_since_close: changed,
            comparative_asked: report.comparative_asked.filter(|_| view == View::Current),
            ..report
        })
    }
}

/// What was recorded after a close that belongs to the days of a report.
async fn changed(
    report: &RollforwardDocument,
    close: &PeriodCloseRow,
    at: Known,
    currency: Currency,
    reader: &mut Reader<'_>,
) -> Result<Vec<ChangedSinceClose>, ReadError> {
    let references: HashMap<&str, &str> =
        report.issues.iter().map(|issue| (issue.bond_issue.as_str(), issue.reference.as_str())).collect();
    let days = (report.from.as_str(), report.to.as_str());
    let since = (close.sequence, at.sequence);
    let moved = reader.moved_since(&report.entity, days, since, currency.code()).await?;
    let shown = moved.into_iter().map(|row| {
        let amounts = super::components(&row.sums);
        Ok(ChangedSinceClose {
            batch: row.number,
            reference: references.get(row.bond_issue.as_str()).copied().unwrap_or_default().to_owned(),
            bond_issue: row.bond_issue,
            event: row.event,
            kind: row.kind,
            effective_date: row.effective_date,
            posting_date: row.posting_date,
            amounts: ComponentsDocument::of(&amounts, currency)?,
        })
    });
    shown.collect()
}
