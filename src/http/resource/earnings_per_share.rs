//! What convertible issues bring to diluted earnings per share.

use std::sync::Arc;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use rust_decimal::Decimal;
use serde::Deserialize;
use utoipa::IntoParams;

use super::formats::{PageFormat, media};
use super::{App, currency, malformed, not_future, pages};
use crate::http::accept::{Accept, Media, by_accept};
use crate::http::etag::Answer;
use crate::http::extract::Path;
use crate::http::ids::EntityCode;
use crate::http::openapi::EntityPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::{DateString, DecimalString, Timestamp};
use crate::reading::{IfConvertedAsked, IfConvertedDocument};

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct IfConvertedQuery {
    /// The first day of the period.
    from: DateString,
    /// Its last day.
    to: DateString,
    /// As a fraction, from 0 to 1.
    #[param(example = "0.25")]
    tax_rate: DecimalString,
    /// The average market price of a share in the period: needed where a conversion pays the principal in cash.
    average_share_price: Option<DecimalString>,
    /// Income available to holders of common stock, with `weighted_average_shares`: then earnings per share are computed. Take the control
    /// number, income from continuing operations.
    income: Option<DecimalString>,
    /// Shares outstanding, weighted; shares of conversions count from the conversion date on.
    weighted_average_shares: Option<DecimalString>,
    /// What was recorded at or before this time; now if absent, never in the future.
    #[param(inline)]
    known_at: Option<Timestamp>,
    /// Of issues in this currency; the functional one if absent.
    currency: Option<String>,
    /// Instead of `Accept`.
    #[param(inline)]
    format: Option<PageFormat>,
}

impl IfConvertedQuery {
    fn address(&self, report: &IfConvertedDocument) -> String {
        let text = |figure: &Option<DecimalString>| figure.as_ref().map(DecimalString::to_string);
        let asked = [
            ("from", Some(report.from.clone())),
            ("to", Some(report.to.clone())),
            ("tax_rate", Some(self.tax_rate.to_string())),
            ("average_share_price", text(&self.average_share_price)),
            ("income", text(&self.income)),
            ("weighted_average_shares", text(&self.weighted_average_shares)),
            ("known_at", Some(report.known_at.clone())),
            ("currency", Some(report.currency.clone())),
        ];
        pages::address(&format!("/v1/entities/{}/if-converted", report.entity), asked)
    }
}

/// What is added to income and to shares for diluted earnings per share, in order of dilution
///
/// By the if-converted method: interest after tax, and shares weighted by days. With income and shares given, basic and diluted earnings per
/// share too. What else dilutes, such as options and preferred stock, is not known here.
#[utoipa::path(get, operation_id = "get_if_converted", path = "/v1/entities/{entity}/if-converted", tag = "reports", params(EntityPath, IfConvertedQuery),
    responses((status = 200, description = "The inputs", content((IfConvertedDocument = "application/json"), (String = "text/html")))))]
pub async fn if_converted(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<IfConvertedQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    let media = media(query.format, &accept)?;
    super::outlook::check_range(query.from, query.to)?;
    let tax_rate = query.tax_rate.0;
    if !(Decimal::ZERO..=Decimal::ONE).contains(&tax_rate) {
        return Err(malformed("tax_rate", format!("{tax_rate} is no fraction from 0 to 1, such as 0.25")));
    }
    let known = app.library.known(entity.as_str(), not_future(query.known_at)?).await?;
    let asked = IfConvertedAsked {
        from: query.from.0,
        to: query.to.0,
        known,
        currency: currency(query.currency.as_ref())?,
        tax_rate,
        average_share_price: positive("average_share_price", query.average_share_price)?,
        basic: basic(query.income, positive("weighted_average_shares", query.weighted_average_shares)?)?,
    };
    let report = app.library.if_converted(entity.as_str(), asked).await?;
    match media {
        Media::Html => {
            let address = query.address(&report);
            pages::if_converted(&app, report, address).await
        }
        _ => Ok(by_accept(Answer::ok(report).into_response())),
    }
}

fn basic(income: Option<DecimalString>, shares: Option<Decimal>) -> Result<Option<(Decimal, Decimal)>, Problem> {
    match (income, shares) {
        (Some(income), Some(shares)) => Ok(Some((income.0, shares))),
        (None, None) => Ok(None),
        (Some(_), None) => Err(malformed("weighted_average_shares", "earnings per share need it beside income")),
        (None, Some(_)) => Err(malformed("income", "earnings per share need it beside weighted_average_shares")),
    }
}

/// A figure above zero that takes part in divisions.
pub(super) fn positive(parameter: &str, figure: Option<DecimalString>) -> Result<Option<Decimal>, Problem> {
    match figure {
        Some(figure) if figure.0 <= Decimal::ZERO || figure.0.normalize().scale() > 10 => {
            Err(malformed(parameter, format!("{figure} is not above 0, or has more than 10 decimals")))
        }
        figure => Ok(figure.map(|figure| figure.0)),
    }
}
