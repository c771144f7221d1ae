//! Conversion rates after adjustments, each by its formula.

use parwright::accounting::transaction::rate_adjustment::NewRate;
use parwright::document::RateAdjustmentRequest;
use parwright::document::wire::DecimalString;
use serde::Deserialize;

use super::case::Status;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Run {
    about: String,
    rate_before: DecimalString,
    /// As the interface takes it.
    adjustment: RateAdjustmentRequest,
    rate_after: DecimalString,
    status: Status,
}

/// What of an adjustment does not hold.
pub fn failures(run: &Run) -> Vec<String> {
    let ours = run.adjustment.command().and_then(|command| match command.new_rate {
        NewRate::Formula(formula) => formula.adjusted(run.rate_before.0),
        NewRate::Stated(rate) => Ok(rate),
    });
    match ours {
        Ok(ours) if ours == run.rate_after.0 => Vec::new(),
        ours => vec![format!("{} ({:?}): shown {}, ours {ours:?}", run.about, run.status, run.rate_after)],
    }
}
