//! The resources of the interface: one file each. A handler turns a request into a command or a read, calls, and turns the answer
//! into a response.

mod account_mapping;
mod bond_issues;
mod carrying_values;
mod classification;
mod destinations;
mod disclosures;
mod earnings_per_share;
mod entities;
mod formats;
mod imports;
mod journal_batches;
mod journal_lines;
mod layouts;
mod outlook;
mod pages;
mod periods;
mod releases;
mod reports;
mod sale_price;
mod sample_batches;
mod series;
mod transactions;
mod workbook;

pub use workbook::Workbooks;

use std::sync::Arc;

use axum::Extension;
use axum::http::StatusCode;
use axum::response::Response;
use utoipa_axum::router::{OpenApiRouter, UtoipaMethodRouterExt};
use utoipa_axum::routes;

use super::body::{BodyLimit, Fingerprint};
use super::etag;
use super::extract::{Caller, IfMatch, Recording};
use super::problem::{self, Problem};
use super::wire::Timestamp;
use crate::accounting::Currency;
use crate::delivery::Admission;
use crate::posting::{Command, Context, IdempotencyKey, Recorder};
use crate::reading::Library;
use crate::stop::Stop;

/// What handlers work with.
#[derive(Clone, Debug)]
pub struct App {
    pub recorder: Recorder,
    pub library: Library,
    /// What a new destination must be like.
    pub admission: Admission,
    /// Ends the waiting of requests.
    pub stop: Stop,
    pub workbooks: Workbooks,
}

/// All routes of the resources.
pub fn router() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(pages::start))
        .routes(routes!(entities::list, entities::create))
        .routes(routes!(entities::get))
        .routes(routes!(account_mapping::get, account_mapping::put))
        .routes(routes!(transactions::accrue_entity))
        .routes(routes!(carrying_values::all))
        .routes(routes!(reports::rollforward))
        .routes(routes!(reports::trial_balance))
        .routes(routes!(outlook::forecast))
        .routes(routes!(outlook::calendar))
        .routes(routes!(periods::list))
        .routes(routes!(periods::get))
        .routes(routes!(periods::close))
        .routes(routes!(periods::reopen))
        .routes(routes!(disclosures::get))
        .routes(routes!(earnings_per_share::if_converted))
        .routes(routes!(releases::releases))
        .routes(routes!(journal_lines::list))
        .routes(routes!(sample_batches::list))
        .routes(routes!(layouts::list))
        .routes(routes!(layouts::get, layouts::put))
        .routes(routes!(destinations::list, destinations::create))
        .routes(routes!(destinations::get))
        .routes(routes!(destinations::pause))
        .routes(routes!(destinations::resume))
        .routes(routes!(destinations::replay))
        .routes(routes!(destinations::close))
        .routes(routes!(destinations::attempts))
        .routes(routes!(bond_issues::list, bond_issues::create))
        .routes(routes!(imports::create))
        .routes(routes!(bond_issues::get))
        .routes(routes!(bond_issues::schedule))
        .routes(routes!(bond_issues::events))
        .routes(routes!(carrying_values::one))
        .routes(routes!(classification::get))
        .routes(routes!(sale_price::test))
        .routes(routes!(transactions::accrue))
        .routes(routes!(transactions::pay_coupon))
        .routes(routes!(transactions::convert))
        .routes(routes!(transactions::convert_many).layer(Extension(BodyLimit(8 << 20))))
        .routes(routes!(transactions::induce))
        .routes(routes!(transactions::repurchase))
        .routes(routes!(transactions::redeem))
        .routes(routes!(transactions::adjust_rate))
        .routes(routes!(series::convert))
        .routes(routes!(series::pay_coupon))
        .routes(routes!(transactions::modify))
        .routes(routes!(transactions::estimate))
        .routes(routes!(transactions::adjust_issue_costs))
        .routes(routes!(transactions::reclassify))
        .routes(routes!(transactions::reverse))
        .routes(routes!(journal_batches::list))
        .routes(routes!(journal_batches::get))
        .routes(routes!(releases::open))
        .routes(routes!(releases::acknowledge))
        .routes(routes!(releases::release_again))
}

impl App {
    /// Records a command, or answers what it would do.
    async fn record(
        &self,
        command: Command,
        recording: Recording,
        fingerprint: Fingerprint,
    ) -> Result<Response, Problem> {
        let validate_only = recording.validate_only;
        let context = context(recording, fingerprint);
        let recorded = if validate_only {
            self.recorder.preview(command, context).await?
        } else {
            self.recorder.record(command, context).await?
        };
        let status = StatusCode::from_u16(recorded.status).unwrap_or(StatusCode::CREATED);
        Ok(etag::recorded(status, recorded.answer, recorded.replayed))
    }
}

impl App {
    /// Records what is sent again without harm, and so needs no key: it names what it makes, or states a whole.
    async fn record_without_key(&self, command: Command, caller: Caller) -> Result<Response, Problem> {
        let Caller { principal, request_id } = caller;
        let context = Context { request_id: request_id.to_string(), actor: principal.name, ..Context::default() };
        let recorded = self.recorder.record(command, context).await?;
        let status = StatusCode::from_u16(recorded.status).unwrap_or(StatusCode::OK);
        Ok(etag::recorded(status, recorded.answer, recorded.replayed))
    }
}

fn context(recording: Recording, fingerprint: Fingerprint) -> Context {
    let if_match = match recording.if_match {
        Some(IfMatch::OneOf(tags)) => {
            Some(tags.iter().filter_map(etag::ETag::strong_text).map(str::to_owned).collect())
        }
        Some(IfMatch::Any) | None => None,
    };
    Context {
        request_id: recording.request_id.to_string(),
        actor: recording.principal.name,
        idempotency: recording
            .idempotency_key
            .map(|key| IdempotencyKey { key: key.as_str().to_owned(), fingerprint: fingerprint.to_string() }),
        preview_sha256: recording.if_preview_match.map(|preview| preview.as_str().to_owned()),
        if_match,
    }
}

/// The time by the machine's clock, as it is answered.
fn now() -> Result<Timestamp, Problem> {
    Timestamp::from_microseconds(jiff::Timestamp::now().as_microsecond()).ok_or_else(|| Problem::internal("no time"))
}

/// Refuses a time that is still to come: what will be known then is not known yet.
fn not_future(known_at: Option<Timestamp>) -> Result<Option<Timestamp>, Problem> {
    let now = now()?;
    match known_at {
        Some(at) if at > now => Err(malformed("known_at", format!("{at} is in the future"))),
        at => Ok(at),
    }
}

/// A currency in a query.
fn currency(code: Option<&String>) -> Result<Option<Currency>, Problem> {
    let read = |code: &String| {
        Currency::from_code(code).ok_or_else(|| malformed("currency", format!("{code} is no currency of ISO 4217")))
    };
    code.map(read).transpose()
}

fn malformed(parameter: &str, why: impl std::fmt::Display) -> Problem {
    Problem::new(problem::MALFORMED_QUERY, format!("the query parameter \"{parameter}\": {why}"))
}
