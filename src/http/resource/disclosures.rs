//! Disclosures as of a date.

use std::str::FromStr;
use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use rust_decimal::Decimal;
use serde::Deserialize;
use utoipa::IntoParams;

use super::earnings_per_share::positive;
use super::formats::{ReportFormat, media};
use super::{App, currency, malformed, not_future, pages};
use crate::export::csv;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::list::{List, parts};
use crate::http::openapi::EntityPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, DecimalString, Timestamp};
use crate::reading::{DisclosuresAsked, DisclosuresDocument, FairValue};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct DisclosuresQuery {
    /// Balances at close of business on this date.
    as_of: DateString,
    /// The first day of the period that ends on it.
    period_from: DateString,
    /// Of one share on the date: then what the shares of a conversion would be worth is told.
    share_price: Option<DecimalString>,
    /// Fair values as you measured them, each as bond issue:level:amount, separated by commas. They are shown and not kept.
    #[param(value_type = Option<String>, example = "")]
    #[serde(default)]
    fair_values: List<FairValue>,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<ReportFormat>,
}

impl DisclosuresQuery {
    fn address(&self, report: &DisclosuresDocument) -> String {
        let asked = [
            ("as_of", Some(report.as_of.clone())),
            ("period_from", Some(report.period_from.clone())),
            ("share_price", report.share_price.clone()),
            ("fair_values", self.fair_values.asked()),
            ("known_at", Some(report.known_at.clone())),
            ("currency", Some(report.currency.clone())),
        ];
        pages::address(&format!("/v1/entities/{}/disclosures", report.entity), asked)
    }
}

impl FromStr for FairValue {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let [bond_issue, level, amount] = parts(text, "bond issue:level:amount")?;
        let level = level.parse().ok().filter(|level| (1..=3).contains(level));
        let amount: DecimalString = amount.parse().map_err(|error| format!("{text:?}: {error}"))?;
        if amount.0 < Decimal::ZERO {
            return Err(format!("{text:?}: a fair value is not negative"));
        }
        Ok(FairValue {
            bond_issue: bond_issue.to_owned(),
            level: level.ok_or_else(|| format!("{text:?}: the level is 1, 2 or 3"))?,
            amount: amount.0,
        })
    }
}

/// Figures for the notes on debt, by issue and in total
///
/// Unamortised amounts and rates, what a conversion would give, interest in its parts, maturities of five years, undiscounted payments by
/// band, conversions, inducements and extinguishments of the period, events after its end, notices that are not settled, entries effective
/// before the period, lines of the statement of cash flows, and current and non-current debt. As CSV a row a figure; as a page with the journal
/// batches of each event.
#[utoipa::path(get, operation_id = "get_disclosures", path = "/v1/entities/{entity}/disclosures", tag = "reports", params(EntityPath, DisclosuresQuery),
    responses((status = 200, description = "The disclosures", content((DisclosuresDocument = "application/json"), (String = "text/csv"), (String = "text/html")))))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<DisclosuresQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let media = media(query.format, &accept)?;
    if query.as_of.0 < query.period_from.0 {
        return Err(malformed("as_of", format!("{} is before period_from {}", query.as_of, query.period_from)));
    }
    let known = app.library.known(entity.as_str(), not_future(query.known_at)?).await?;
    let asked = DisclosuresAsked {
        period_from: query.period_from.0,
        as_of: query.as_of.0,
        known,
        currency: currency(query.currency.as_ref())?,
        share_price: positive("share_price", query.share_price)?,
        fair_values: &query.fair_values.items,
    };
    let report = app.library.disclosures(entity.as_str(), asked).await?;
    match media {
        Media::Csv => Ok(Media::Csv.answer(csv::disclosures(&report).map_err(Problem::internal)?)),
        Media::Html => {
            let address = query.address(&report);
            pages::disclosures(&app, report, address).await
        }
        _ => Ok(by_accept(Answer::ok(report).into_response())),
    }
}
