//! Pages for people: the start page, and what reports and batches take together to be shown as one.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use super::{App, currency, malformed, now};
use crate::auth::Principal;
use crate::document::BatchDocument;
use crate::export::page::{self, Behind, Books, IssuesOf, Surroundings};
use crate::http::accept::{Accept, Media};
use crate::http::extract::require_visible;
use crate::http::html;
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::reading::{
    Basis, CAUTION, CalendarDocument, CarryingValues, DisclosuresDocument, ForecastDocument, IfConvertedDocument,
    RollforwardDocument, ScheduleDocument, TrialBalanceDocument,
};

/// How many entities are on a page.
const ENTITIES: usize = 100;
/// How many issues of a currency are on the page of an entity.
const ISSUES: usize = 50;
/// How many of the newest batches are.
const BATCHES: i64 = 20;
/// How many layouts are.
const LAYOUTS: usize = 20;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct StartQuery {
    /// Whose books are shown; a list of entities if absent and there are several.
    #[param(value_type = Option<String>)]
    entity: Option<EntityCode>,
    /// With `entity`: of issues in this currency alone; all if absent.
    currency: Option<String>,
    /// After this code of an entity, or this id of an issue, as the page before it links to.
    after: Option<String>,
}

/// The start page, for people
///
/// The entities that the token may read; of one of them what its issues are carried at today, its periods and what blocks their close, its
/// newest batches, and links to every report and format. It is for looking and downloading; nothing is posted from it. A browser that is asked
/// for credentials (RFC 7617) takes any user name with the token as password.
#[utoipa::path(get, operation_id = "get_start_page", path = "/", tag = "pages", params(StartQuery),
    responses((status = 200, description = "The page", body = String, content_type = "text/html")))]
pub async fn start(
    State(app): State<Arc<App>>,
    principal: Principal,
    Query(query): Query<StartQuery>,
    accept: Accept,
) -> Result<Response, Problem> {
    accept.choose(&[Media::Html])?;
    if query.entity.is_none() && query.currency.is_some() {
        return Err(malformed("currency", "it is of an entity; name one with entity"));
    }
    let bound = principal.entity.as_deref();
    if let Some(entity) = query.entity.as_ref().map(EntityCode::as_str).or(bound) {
        require_visible(&principal, entity)?;
        return of_entity(&app, entity, &query, bound.is_some()).await;
    }
    let after = query.after.as_deref().unwrap_or_default();
    let mut list = app.library.entities(after, ENTITIES).await?;
    if let ([only], None) = (list.as_slice(), &query.after) {
        return of_entity(&app, &only.code.clone(), &query, true).await;
    }
    let more_after = (list.len() > ENTITIES).then(|| {
        list.truncate(ENTITIES);
        list.last().map(|last| last.code.clone())
    });
    let known_at = now()?.to_string();
    html::page(move |out| page::entities(&list, more_after.flatten().as_deref(), &known_at, out)).await
}

async fn of_entity(app: &App, code: &str, query: &StartQuery, is_only_one: bool) -> Result<Response, Problem> {
    let library = &app.library;
    let (entity, known, today) = (library.entity(code).await?, library.known(code, None).await?, today()?);
    let asked = currency(query.currency.as_ref())?;
    let after = query.after.as_deref().unwrap_or_default();
    let (values, more_after) =
        library.carrying_values(code, today, known, Basis::Effective, asked, (after, ISSUES)).await?;
    let others = if asked.is_none() { values.other_currencies.clone() } else { Vec::new() };
    let mut issues = vec![IssuesOf { values, more_after }];
    for other in &others {
        let other = currency(Some(other))?;
        let (values, more_after) =
            library.carrying_values(code, today, known, Basis::Effective, other, ("", ISSUES)).await?;
        issues.push(IssuesOf { values, more_after });
    }
    let periods = library.periods(code).await?;
    let batches = library.recent_batches(code, known, BATCHES).await?;
    let layouts = library.layouts(code, known, "", LAYOUTS).await?;
    let known_at = known.timestamp().map(|time| time.to_string()).unwrap_or_default();
    html::page(move |out| {
        let books = Books {
            entity: &entity,
            today: today.to_string(),
            known_at,
            issues,
            periods,
            batches,
            layouts: layouts.into_iter().map(|layout| layout.name).collect(),
            is_only_one,
        };
        page::entity(&books, out)
    })
    .await
}

/// The day by the machine's clock, in UTC.
fn today() -> Result<Date, Problem> {
    let text = now()?.to_string();
    text.get(..10).and_then(|date| date.parse().ok()).ok_or_else(|| Problem::internal("no day"))
}

/// A rollforward as a page.
pub async fn rollforward(app: &App, report: RollforwardDocument) -> Result<Response, Problem> {
    let library = &app.library;
    let entity = library.entity(&report.entity).await?;
    let lines = report.issues.iter().flat_map(|issue| &issue.lines).chain(&report.total);
    let changed = report.changed_since_close.iter().flatten().map(|change| &change.batch);
    let mut numbers: Vec<&str> =
        lines.flat_map(|line| line.batches.iter()).chain(changed).map(String::as_str).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let batches = library.batch_ids(&report.entity, &numbers).await?;
    let at = report.known_at.parse().map_err(Problem::internal)?;
    let known = library.known(&report.entity, Some(at)).await?;
    let shown = page::most_shown(&report);
    let shown: Vec<&str> = shown.iter().map(String::as_str).collect();
    let lives = library.lives(&report.entity, &shown, known).await?;
    html::page(move |out| {
        page::rollforward(&report, &Surroundings { entity: &entity, batches: &batches, lives: &lives }, out)
    })
    .await
}

/// The address of a report as it was asked for, with what it knew: its other forms are of the same, and so is its next page.
pub fn address<'a>(path: &str, asked: impl IntoIterator<Item = (&'a str, Option<String>)>) -> String {
    let pairs = asked.into_iter().filter_map(|(name, value)| Some(format!("{name}={}", value?)));
    format!("{path}?{}", pairs.collect::<Vec<_>>().join("&"))
}

/// Disclosures as a page.
pub async fn disclosures(app: &App, report: DisclosuresDocument, address: String) -> Result<Response, Problem> {
    let library = &app.library;
    let entity = library.entity(&report.entity).await?;
    let noted = report.events_of_period.iter().chain(&report.subsequent_events).map(|event| event.event.as_str());
    let events: Vec<&str> =
        noted.chain(report.notices_not_settled.iter().map(|notice| notice.event.as_str())).collect();
    let batches = library.batches_of_events(&report.entity, &events).await?;
    let mut numbers: Vec<&str> = report.prior_period_entries.iter().map(|entry| entry.batch.as_str()).collect();
    numbers.dedup();
    let ids = library.batch_ids(&report.entity, &numbers).await?;
    html::page(move |out| {
        page::disclosures(&report, &Behind { entity: &entity, address: &address, batches: &batches, ids: &ids }, out)
    })
    .await
}

/// If-converted inputs as a page.
pub async fn if_converted(app: &App, report: IfConvertedDocument, address: String) -> Result<Response, Problem> {
    let entity = app.library.entity(&report.entity).await?;
    html::page(move |out| page::if_converted(&report, &entity, &address, out)).await
}

/// A forecast as a page.
pub async fn forecast(app: &App, report: ForecastDocument, address: String) -> Result<Response, Problem> {
    let entity = app.library.entity(&report.entity).await?;
    html::page(move |out| page::forecast(&report, &entity, &address, out)).await
}

/// A calendar as a page.
pub async fn calendar(app: &App, report: CalendarDocument, address: String) -> Result<Response, Problem> {
    let entity = app.library.entity(&report.entity).await?;
    html::page(move |out| page::calendar(&report, &entity, &address, out)).await
}

/// A batch as a page.
pub async fn batch(app: &App, batch: BatchDocument) -> Result<Response, Problem> {
    let entity = app.library.entity(&batch.entity).await?;
    html::page(move |out| page::batch(batch, &entity, CAUTION, out)).await
}

/// A schedule as a page.
pub async fn schedule(app: &App, id: &RecordId, schedule: ScheduleDocument) -> Result<Response, Problem> {
    let entity = app.library.entity(id.entity()).await?;
    let known = app.library.known(id.entity(), None).await?;
    let life = app.library.lives(id.entity(), &[&id.to_string()], known).await?;
    let known_at = known.timestamp().map(|time| time.to_string()).unwrap_or_default();
    html::page(move |out| page::schedule(&schedule, &entity, life.first(), &known_at, out)).await
}

/// A trial balance as a page.
pub async fn trial_balance(app: &App, report: TrialBalanceDocument) -> Result<Response, Problem> {
    let entity = app.library.entity(&report.entity).await?;
    html::page(move |out| page::trial_balance(&report, &entity, out)).await
}

/// Carrying values as a page. The next one is asked for with what this one was: a cursor is of its filters.
pub async fn carrying_values(
    app: &App,
    values: CarryingValues,
    currency: Option<&str>,
    limit: usize,
) -> Result<Response, Problem> {
    let entity = app.library.entity(&values.entity).await?;
    let currency = currency.map(|code| format!("&currency={code}")).unwrap_or_default();
    let more = values.next_cursor.as_ref().map(|cursor| {
        let CarryingValues { entity, as_of, basis, .. } = &values;
        let asked = format!("as_of={as_of}&basis={basis}{currency}&limit={limit}");
        format!("/v1/entities/{entity}/carrying-values?{asked}&cursor={cursor}&format=html")
    });
    html::page(move |out| page::carrying_values(&values, more.as_deref(), &entity, out)).await
}
