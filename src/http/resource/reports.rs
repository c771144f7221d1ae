//! Reports of an entity: rollforward and trial balance.

use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use super::formats::{PageFormat, RollforwardFormat, media};
use super::{App, currency, malformed, not_future, pages};
use crate::export::csv;
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::openapi::{EntityPath, File};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::streamed;
use crate::http::wire::{DateString, Timestamp};
use crate::reading::{Beside, RollforwardAsked, RollforwardDocument, TrialBalanceDocument, View};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct RollforwardQuery {
    /// The first day; the opening balance is that of the close of the day before. With `to`, or `period` instead of both.
    from: Option<DateString>,
    /// The last day.
    to: Option<DateString>,
    /// A fiscal period, such as `2026-01`.
    #[param(pattern = "^[0-9]{4}-(0[1-9]|1[0-2])$")]
    period: Option<String>,
    /// Of a period: as it was closed last, for as long as it is closed, or as it is now.
    #[param(inline)]
    view: Option<View>,
    /// What was recorded at or before this time; now if absent, never in the future. Not with `period`.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Which days stand beside these; none in CSV.
    #[param(inline)]
    comparative: Option<Beside>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<RollforwardFormat>,
}

/// What a rollforward is asked of.
enum Asked<'q> {
    Days(Date, Date),
    Period(&'q str, View),
}

impl RollforwardQuery {
    fn asked(&self) -> Result<Asked<'_>, Problem> {
        match (self.from, self.to, &self.period) {
            (None, None, Some(_)) if self.known_at.is_some() => {
                Err(malformed("known_at", "the view of a period says what is known; ask for its days with from and to"))
            }
            (None, None, Some(period)) => Ok(Asked::Period(period, self.view.unwrap_or_default())),
            (_, _, Some(_)) => Err(malformed("period", "it stands for both from and to; leave them out")),
            (_, _, None) if self.view.is_some() => Err(malformed("view", "a view is of a period")),
            (Some(from), Some(to), None) if to.0 < from.0 => {
                Err(malformed("to", format!("{to} is before from {from}")))
            }
            (Some(from), Some(to), None) => Ok(Asked::Days(from.0, to.0)),
            (from, _, None) => {
                let missing = if from.is_some() { "to" } else { "from" };
                Err(malformed(missing, "it is missing; ask for from and to, or for a period"))
            }
        }
    }
}

/// The rollforward of the debt over a period, by issue and in total, with what ties
///
/// Of any days, or of a fiscal period: `view=as_closed` is the report as known when the period was closed last, the same bytes whatever is
/// recorded later; `view=current` is as known now, with what was recorded since the close.
///
/// The workbook (XLSX) has live formulas, with the service's figures as what they come to: sheets Rollforward, Checks, Inputs, Schedule,
/// Events and Journals. One of more rows than a worksheet holds is refused. Two are made at a time; who waits for longer than twenty seconds is
/// told to ask again.
#[utoipa::path(get, operation_id = "get_rollforward", path = "/v1/entities/{entity}/rollforward", tag = "reports", params(EntityPath, RollforwardQuery),
    responses((status = 200, description = "The rollforward", content((RollforwardDocument = "application/json"), (String = "text/csv"), (String = "text/html"),
        (File = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
pub async fn rollforward(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<RollforwardQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let (at, media) = (not_future(query.known_at)?, media(query.format, &accept)?);
    // A table of rows has nothing beside them: other days are asked for on their own.
    let beside = if media == Media::Csv { Beside::None } else { query.comparative.unwrap_or_default() };
    let is_workbook = media == Media::Xlsx;
    let most_rows = is_workbook.then_some(app.workbooks.most_rows);
    let asked = RollforwardAsked { currency: currency(query.currency.as_ref())?, beside, most_rows };
    let days = query.asked()?;
    // Until the workbook is a file: its report is in memory too.
    let _turn = if is_workbook { Some(app.workbooks.turn().await?) } else { None };
    let report = match days {
        Asked::Days(from, to) => app.library.rollforward(entity.as_str(), (from, to), at, asked).await?,
        Asked::Period(period, view) => app.library.rollforward_of_period(entity.as_str(), period, view, asked).await?,
    };
    match media {
        Media::Xlsx => super::workbook::rollforward(&app.library, report, app.workbooks.most_rows).await,
        Media::Csv => Ok(Media::Csv.answer(csv::rollforward(&report).map_err(Problem::internal)?)),
        Media::Html => pages::rollforward(&app, report).await,
        _ => Ok(by_accept(streamed::ok(report)?)),
    }
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct TrialBalanceQuery {
    /// Everything posted up to this date.
    as_of: DateString,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<PageFormat>,
}

/// The trial balance of what was posted, by account role
#[utoipa::path(get, operation_id = "get_trial_balance", path = "/v1/entities/{entity}/trial-balance", tag = "reports", params(EntityPath, TrialBalanceQuery),
    responses((status = 200, description = "The trial balance", content((TrialBalanceDocument = "application/json"), (String = "text/html")))))]
pub async fn trial_balance(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<TrialBalanceQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let (at, currency) = (not_future(query.known_at)?, currency(query.currency.as_ref())?);
    let report = app.library.trial_balance(entity.as_str(), query.as_of.0, at, currency).await?;
    match media(query.format, &accept)? {
        Media::Html => pages::trial_balance(&app, report).await,
        _ => Ok(by_accept(Answer::ok(report).into_response())),
    }
}
