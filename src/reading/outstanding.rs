//! The issues of an entity in one currency, page by page, with what is outstanding of them: what reports walk through that look at more
//! than one day.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;

use super::issued::Issued;
use super::{Known, ReadError};
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::instrument::Instrument;
use crate::accounting::position::History;
use crate::accounting::transaction::Books;
use crate::accounting::transaction::rate_adjustment::Reason;
use crate::posting::{self, RecordError};
use crate::store::{ConversionRateRow, Reader, RecordedRevision};

/// How many issues are read at once.
const PAGE: i64 = 500;

/// An issue with what is outstanding of it.
pub(super) struct Outstanding {
    pub id: String,
    pub reference: String,
    pub instrument: Arc<Instrument>,
    pub history: History,
    /// Through when it is accrued by what is posted by the last day that is asked for.
    pub accrued_through: Option<Date>,
}

impl Outstanding {
    /// Its books as far as a report looks at them: nothing of what is booked, and no rates.
    pub fn books(&self, calendar: FiscalCalendar) -> Books {
        Books { history: self.history.clone(), ..Books::empty(Arc::clone(&self.instrument), calendar) }
    }

    /// The same with its rates, and the dates of adjustments that restate all shares before them.
    pub fn books_with_rates(
        &self,
        calendar: FiscalCalendar,
        rates: &[ConversionRateRow],
        restated_through: Date,
    ) -> Result<(Books, Vec<Date>), ReadError> {
        let (mut books, mut restated_on) = (self.books(calendar), Vec::new());
        for row in rates {
            let rate = posting::conversion_rate(row)?;
            let reason = row.reason.as_deref().and_then(Reason::from_name);
            if reason.is_some_and(Reason::restates_shares) && rate.date <= restated_through {
                restated_on.push(rate.date);
            }
            books.rates.push(rate);
        }
        Ok((books, restated_on))
    }
}

/// A walk through the issues in order of id.
pub(super) struct OutstandingPages<'a> {
    entity: &'a str,
    from: Date,
    to: Date,
    known: Known,
    currency: Currency,
    revisions: Vec<RecordedRevision>,
    /// The id before the page that was read last, and the last one on it.
    ids: (String, String),
}

impl<'a> OutstandingPages<'a> {
    /// Begins it, with the issues that are settled by `to` and their rows from `from` on, led by the last before.
    pub async fn begin(
        entity: &'a str,
        (from, to): (Date, Date),
        known: Known,
        currency: Currency,
        reader: &mut Reader<'_>,
    ) -> Result<OutstandingPages<'a>, ReadError> {
        let revisions = reader.revisions_of_entity(entity).await?;
        Ok(OutstandingPages { entity, from, to, known, currency, revisions, ids: Default::default() })
    }

    /// The next page, which may have no issue of the currency; none after the last.
    pub async fn next(&mut self, reader: &mut Reader<'_>) -> Result<Option<Vec<Outstanding>>, ReadError> {
        let (to, from, known) = (self.to.to_string(), self.from.to_string(), self.known.sequence);
        let after = std::mem::take(&mut self.ids.1);
        let page = reader.carrying_page(self.entity, &to, known, &after, PAGE).await?;
        let Some(last) = page.last().map(|row| row.issue.id.clone()) else { return Ok(None) };
        self.ids = (after, last);
        let rows = reader.position_rows_known(self.entity, self.ids(), &from, known).await?;
        let rows = by_issue(rows, |row| &row.bond_issue);
        let mut issues = Vec::new();
        for carrying in page.iter().filter(|row| row.issue.currency == self.currency.code()) {
            let issued = Issued::among(&carrying.issue, &self.revisions)?;
            let instrument = issued.known_at(known).map(Arc::clone);
            let rows =
                of(&rows, &carrying.issue.id).iter().map(posting::position_row).collect::<Result<Vec<_>, _>>()?;
            issues.push(Outstanding {
                id: carrying.issue.id.clone(),
                reference: issued.reference.clone(),
                instrument: instrument.ok_or_else(|| RecordError::corrupt("bond issue", "it has no terms"))?,
                history: History::new(rows, Vec::new()),
                accrued_through: carrying.booked.as_ref().and_then(|row| row.accrued_through.parse().ok()),
            });
        }
        Ok(Some(issues))
    }

    /// The ids that the page which was read last lies between, the second one included.
    pub fn ids(&self) -> (&str, &str) {
        (&self.ids.0, &self.ids.1)
    }

    /// The adjusted rates of the issues of the page that was read last.
    pub async fn rates(&self, reader: &mut Reader<'_>) -> Result<HashMap<String, Vec<ConversionRateRow>>, ReadError> {
        let rates = reader.conversion_rates_known(self.entity, self.ids(), self.known.sequence).await?;
        Ok(by_issue(rates, |row| &row.bond_issue))
    }
}

/// Rows by issue.
pub(super) fn by_issue<R>(rows: Vec<R>, issue_of: impl Fn(&R) -> &str) -> HashMap<String, Vec<R>> {
    let mut issues: HashMap<String, Vec<R>> = HashMap::new();
    for row in rows {
        match issues.get_mut(issue_of(&row)) {
            Some(rows) => rows.push(row),
            None => {
                issues.insert(issue_of(&row).to_owned(), vec![row]);
            }
        }
    }
    issues
}

/// Those of one issue, if it has any.
pub(super) fn of<'r, R>(rows: &'r HashMap<String, Vec<R>>, issue: &str) -> &'r [R] {
    rows.get(issue).map_or(&[], Vec::as_slice)
}
