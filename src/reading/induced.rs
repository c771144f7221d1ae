//! The bonds that were induced to convert in a period, by the events that say so.

use jiff::civil::Date;
use serde::Deserialize;

use super::ReadError;
use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::document::wire::{DateString, DecimalString};
use crate::posting::RecordError;
use crate::reports::if_converted::Induced;
use crate::store::EventRow;

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
