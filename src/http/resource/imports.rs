//! Imports: bond issues and opening balances in bulk.

use std::convert::Infallible;
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use serde_json::json;
use tokio::sync::mpsc;
use utoipa::IntoParams;

use super::App;
use crate::http::etag;
use crate::http::extract::{Caller, IdempotencyKey, Path};
use crate::http::ids::EntityCode;
use crate::http::openapi::{EntityPath, File, ImportKey};
use crate::http::problem::{self, Problem};
use crate::http::query::Query;
use crate::http::upload::receive;
use crate::import::{self, Importer, Mode, RowReport, Upload};
use crate::posting::{self, ImportAnswer};

/// What is asked of an import.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ImportQuery {
    /// `atomic`: all rows in one commit, or none. `per_row`: each by itself, with a report.
    #[serde(default)]
    #[param(inline)]
    mode: Mode,
    /// Of `atomic`: check every row, and record nothing.
    #[serde(default)]
    validate_only: bool,
}

/// Import bond issues
///
/// Issues, and issues taken over in mid-life (`opening_balance`), from JSON Lines or CSV: at most 100,000 rows and 256 MiB. A JSON line is
/// the body of one bond issue. CSV (RFC 4180, UTF-8) has a header that names the fields, nested ones with a dot
/// (`conversion.share_par_value`, `opening_balance.principal`, `dimensions.plant`); an empty cell is an absent field, `put_dates` has spaces
/// between the dates, `conversion.make_whole` and `conversion.sale_price_condition` hold JSON, and `entity` may be left out.
///
/// `atomic` needs an `Idempotency-Key`. Every row is checked first; if any is wrong, `errors` points to all of them, each with its `line`.
/// While the rows are written nothing else is recorded by this process.
///
/// `per_row` answers with a JSON line a row, in order, as it is done: its `line` in the file, its `reference`, and the `status`: `recorded` or
/// `present` (the same was recorded before) with the id of the `bond_issue`, or `refused` with its `problem`; then a line with the `summary`, and with the `problem` that ended it before its end, if one did. The same file can be sent
/// again: nothing is recorded twice.
#[utoipa::path(post, operation_id = "import_bond_issues", path = "/v1/entities/{entity}/bond-issue-imports", tag = "bond issues",
    params(EntityPath, ImportQuery, ImportKey),
    request_body(content((File = "application/jsonl"), (File = "application/x-ndjson"), (File = "text/csv"))),
    responses((status = 201, description = "All rows are recorded", body = ImportAnswer),
        (status = 200, description = "What became of each row; or, of a check, how many there are", body = File, content_type = "application/jsonl")))]
pub async fn create(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<ImportQuery>,
    caller: Caller,
    request: Request,
) -> Result<Response, Problem> {
    let key = key(&query, IdempotencyKey::find(request.headers())?)?;
    // There is such an entity, before anything is sent for it.
    app.recorder.issue_checker(entity.as_str()).await?;
    let importer = Importer {
        recorder: app.recorder.clone(),
        request_id: caller.request_id.to_string(),
        actor: caller.principal.name,
    };
    let (upload, fingerprint) = receive(request, entity.as_str()).await?;
    let fingerprint = fingerprint.to_string();
    match (query.mode, key) {
        (Mode::PerRow, _) => each(importer, upload),
        (Mode::Atomic, Some(key)) => {
            let key = posting::IdempotencyKey { key: key.as_str().to_owned(), fingerprint };
            let recorded = import::record(&importer, Arc::new(upload), key).await?;
            let status = StatusCode::from_u16(recorded.status).unwrap_or(StatusCode::CREATED);
            Ok(etag::recorded(status, recorded.answer, recorded.replayed))
        }
        (Mode::Atomic, None) => {
            let rows = import::check(&importer, &upload).await?;
            Ok(jsonl(Body::from(line(&json!({"summary": {"rows": rows}})))))
        }
    }
}

/// The key of an import that is recorded as a whole; none where nothing is, or each row is found by its reference.
fn key(query: &ImportQuery, key: Option<IdempotencyKey>) -> Result<Option<IdempotencyKey>, Problem> {
    match (query.mode, query.validate_only, key) {
        (Mode::Atomic, false, None) => Err(Problem::new(
            problem::MISSING_IDEMPOTENCY_KEY,
            "send the header Idempotency-Key with a value of your choice, and the same one again when you repeat the import; \
             mode=per_row needs none",
        )),
        (Mode::PerRow, true, _) => Err(Problem::new(
            problem::MALFORMED_QUERY,
            "validate_only checks a whole file: leave mode=per_row out with it",
        )),
        (Mode::Atomic, false, key) => Ok(key),
        _ => Ok(None),
    }
}

/// Answers with a line a row as the rows are recorded. A client that reads slowly is waited for between them, with nothing locked; one
/// that goes away ends the import.
fn each(importer: Importer, upload: Upload) -> Result<Response, Problem> {
    // A header that is wrong is told before anything is recorded.
    upload.rows()?;
    let (sender, receiver) = mpsc::channel::<Bytes>(1);
    tokio::spawn(async move {
        let told = |reports: Vec<RowReport>| {
            let (sender, lines) = (sender.clone(), reports.iter().flat_map(line).collect::<Vec<u8>>());
            async move { sender.send(lines.into()).await.is_ok() }
        };
        let last = match import::record_each(&importer, &upload, told).await {
            Ok(summary) => json!({"summary": summary}),
            Err((summary, problem)) => {
                let (code, cause) = (problem.code(), problem.chain());
                tracing::warn!(request_id = importer.request_id, code, cause, "an import ended before its end");
                let document: serde_json::Value =
                    serde_json::from_slice(&problem.document(Some(&importer.request_id))).unwrap_or_default();
                json!({"summary": summary, "problem": document})
            }
        };
        // Nobody may be there to hear it.
        let _ = sender.send(line(&last).into()).await;
    });
    let lines = stream::unfold(receiver, |mut receiver| async move {
        receiver.recv().await.map(|lines| (Ok::<_, Infallible>(lines), receiver))
    });
    Ok(jsonl(Body::from_stream(lines)))
}

fn line(value: &impl Serialize) -> Vec<u8> {
    // These always serialize; an empty line is the honest remainder if they did not.
    let mut line = serde_json::to_vec(value).unwrap_or_default();
    line.push(b'\n');
    line
}

fn jsonl(body: Body) -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/jsonl"))], body).into_response()
}
