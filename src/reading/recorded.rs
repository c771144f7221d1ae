//! What was posted in a period and recorded for it, as reports on it need it.

use std::collections::HashMap;

use jiff::civil::Date;
use serde::Deserialize;

use super::ReadError;
use super::forecast::Outstanding;
use crate::accounting::Currency;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::money::Amount;
use crate::accounting::transaction::Books;
use crate::accounting::transaction::rate_adjustment::Reason;
use crate::document::wire::{DateString, DecimalString};
use crate::posting::{self, RecordError};
use crate::reports::if_converted::Induced;
use crate::store::{ConversionRateRow, EventRow};

/// The books of an issue that a report looks at, with the dates of adjustments that restate all shares before them.
pub(super) fn books(
    issue: &Outstanding,
    calendar: FiscalCalendar,
    rates: &[ConversionRateRow],
    restated_through: Date,
) -> Result<(Books, Vec<Date>), ReadError> {
    let mut books = Books::empty(std::sync::Arc::clone(&issue.instrument), calendar);
    books.history = issue.history.clone();
    let mut restated_on = Vec::new();
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

/// What reports look at of an inducement's event.
#[derive(Debug, Deserialize)]
struct InducedDetail {
    request: InducedRequest,
    inducement: InducedBlock,
    conversion: Option<ConvertedBlock>,
}

#[derive(Debug, Deserialize)]
struct InducedRequest {
    acceptance: Option<String>,
    principal: Option<DecimalString>,
    acceptance_date: Option<DateString>,
    amendment_date: Option<DateString>,
}

#[derive(Debug, Deserialize)]
struct InducedBlock {
    accounting: String,
}

#[derive(Debug, Deserialize)]
struct ConvertedBlock {
    principal: DecimalString,
}

/// The bonds that were induced to convert in a period: by a conversion in it, or by an offer accepted in it whose bonds did not convert yet.
/// Offers that are accounted for as extinguishments are none.
pub(super) fn induced(
    events: &[EventRow],
    (from, to): (Date, Date),
    currency: Currency,
) -> Result<Vec<Induced>, ReadError> {
    let mut read = Vec::new();
    for event in events {
        let detail: InducedDetail =
            serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
        let date: Date = event.effective_date.parse().map_err(|error| RecordError::corrupt("event", error))?;
        read.push((event, date, detail));
    }
    let settled: Vec<&String> = read.iter().filter_map(|(_, _, detail)| detail.request.acceptance.as_ref()).collect();
    let mut induced = Vec::new();
    for (event, date, detail) in &read {
        if detail.inducement.accounting == "extinguishment" {
            continue;
        }
        let amount = |figure: DecimalString| Amount::from_major(figure.0, currency);
        let accepted = detail.request.acceptance_date.or(detail.request.amendment_date).map_or(*date, |date| date.0);
        let (principal, until) = match &detail.conversion {
            Some(conversion) if from <= *date && *date <= to => (Some(conversion.principal), Some(*date)),
            None if !settled.contains(&&event.id) && from <= accepted && accepted <= to => {
                (detail.request.principal, None)
            }
            _ => (None, None),
        };
        if let Some(principal) = principal {
            induced.push(Induced { principal: amount(principal)?, until });
        }
    }
    Ok(induced)
}
