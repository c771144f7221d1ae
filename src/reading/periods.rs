//! Fiscal periods: which are closed, when they were, and what stands in the way of closing them.

use jiff::civil::Date;

use super::{Known, Library, ReadError};
use crate::accounting::fiscal_calendar::{FiscalCalendar, Period};
use crate::document::wire::Timestamp;
use crate::document::{
    PeriodCloseDocument, PeriodDocument, PeriodReopenDocument, PeriodStatus, PeriodsDocument, WaiverDocument,
};
use crate::posting::{self, RecordError};
use crate::store::{PeriodCloseRow, Reader};

/// An entity's calendar with its closes and reopens.
pub(super) struct Periods {
    pub calendar: FiscalCalendar,
    rows: Vec<PeriodCloseRow>,
}

impl Periods {
    /// Reads them.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn read(entity: &str, reader: &mut Reader<'_>) -> Result<Periods, ReadError> {
        let row = super::entity_row(reader, entity).await?;
        let closed = reader.entity_head(entity).await?.and_then(|head| head.closed_through);
        let closed_through = closed.as_deref().map(posting::date).transpose()?;
        let rows = reader.period_closes(entity).await?;
        Ok(Periods { calendar: posting::calendar(&row, closed_through)?, rows })
    }

    pub fn is_closed(&self, period: Period) -> bool {
        self.calendar.closed_through().is_some_and(|closed| self.calendar.last_day(period) <= closed)
    }

    /// The last close of a period, alone or together with a later one.
    pub fn close_of(&self, period: Period) -> Option<&PeriodCloseRow> {
        let (first, last) = (self.calendar.first_day(period).to_string(), self.calendar.last_day(period).to_string());
        let locks = |row: &&PeriodCloseRow| {
            row.kind == posting::CLOSE
                && row.last_day >= last
                && row.locked_from.as_ref().is_none_or(|from| *from <= first)
        };
        self.rows.iter().rev().find(locks)
    }

    /// The last reopening of a period that is open.
    fn reopening_of(&self, period: Period) -> Option<&PeriodCloseRow> {
        let name = period.to_string();
        self.rows.iter().rev().find(|row| row.kind == posting::REOPEN && row.period == name)
    }

    fn document(&self, period: Period) -> Result<PeriodDocument, ReadError> {
        let is_closed = self.is_closed(period);
        Ok(PeriodDocument {
            period: period.to_string(),
            first_day: self.calendar.first_day(period).to_string(),
            last_day: self.calendar.last_day(period).to_string(),
            status: if is_closed { PeriodStatus::Closed } else { PeriodStatus::Open },
            close: self.close_of(period).map(closed).transpose()?,
            reopened: self.reopening_of(period).filter(|_| !is_closed).map(reopened),
            in_the_way: None,
        })
    }
}

/// The record of a close, as a point of time.
pub(super) fn known_at(row: &PeriodCloseRow) -> Known {
    Known { sequence: row.sequence, recorded_at: row.recorded_at }
}

/// What was waived at a close.
pub(super) fn waivers(row: &PeriodCloseRow) -> Result<Vec<WaiverDocument>, ReadError> {
    serde_json::from_str(&row.waivers).map_err(|error| RecordError::corrupt("waivers", error))
}

pub(super) fn time(row: &PeriodCloseRow) -> String {
    Timestamp::from_microseconds(row.recorded_at).map(|time| time.to_string()).unwrap_or_default()
}

fn closed(row: &PeriodCloseRow) -> Result<PeriodCloseDocument, ReadError> {
    Ok(PeriodCloseDocument {
        period: row.period.clone(),
        sequence: row.sequence,
        recorded_at: time(row),
        waivers: waivers(row)?,
        closing_entries: posting::has_closing_entries(row)?,
    })
}

fn reopened(row: &PeriodCloseRow) -> PeriodReopenDocument {
    PeriodReopenDocument {
        sequence: row.sequence,
        recorded_at: time(row),
        reason: row.reason.clone().unwrap_or_default(),
        name: row.name.clone().unwrap_or_default(),
    }
}

impl Library {
    /// The fiscal periods of an entity from the first in which anything is posted to the one after the last.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn periods(&self, entity: &str) -> Result<PeriodsDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let periods = Periods::read(entity, &mut reader).await?;
        let dates = reader.posting_dates(entity).await?;
        let date = |text: Option<String>| text.as_deref().map(posting::date).transpose();
        let (first, last) =
            dates.map_or(Ok((None, None)), |dates| Ok::<_, ReadError>((date(dates.first)?, date(dates.last)?)))?;
        let mut items = Vec::new();
        if let (Some(first), Some(last)) = (first, last) {
            let of = |date: Date| periods.calendar.period_of(date);
            // A close may reach beyond what is posted: the period after it is the one to close next.
            let last = periods.calendar.closed_through().map_or(last, |closed| closed.max(last));
            let mut listed = std::iter::successors(Some(of(first)), |period| Some(period.next()));
            let end = of(last).next();
            items = listed
                .by_ref()
                .take_while(|period| *period <= end)
                .map(|period| periods.document(period))
                .collect::<Result<_, _>>()?;
        }
        if let Some(open) = items.iter_mut().find(|item| item.status == PeriodStatus::Open) {
            let through = posting::date(&open.last_day)?;
            open.in_the_way = Some(posting::in_the_way(entity, through, &mut reader).await?);
        }
        let closed_through = periods.calendar.closed_through().map(|date| date.to_string());
        Ok(PeriodsDocument { entity: entity.to_owned(), closed_through, items })
    }

    /// A fiscal period of an entity.
    ///
    /// # Errors
    /// [`RecordError::NotFound`], or a name that is none.
    pub async fn period(&self, entity: &str, name: &str) -> Result<PeriodDocument, ReadError> {
        let period = Period::named(name)?;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let periods = Periods::read(entity, &mut reader).await?;
        let mut document = periods.document(period)?;
        if document.status == PeriodStatus::Open {
            let through = periods.calendar.last_day(period);
            document.in_the_way = Some(posting::in_the_way(entity, through, &mut reader).await?);
        }
        Ok(document)
    }
}
