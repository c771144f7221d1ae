//! A client of the service that calls its router in the process, and the database that it stands on.
//!
//! Whatever records is looked at closely on its way to the test: every batch balances and recomputes its hash, and every event foots.

use std::sync::atomic::{AtomicU64, Ordering};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use parwright::config::{Auth, DatabaseUrl};
use parwright::delivery::{Courier, Push};
use parwright::http::resource::Workbooks;
use parwright::service;
use parwright::store::Store;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection, PgConnection, SqliteConnection};
use tower::ServiceExt;

use super::{laid_out, ledger};

/// The service over a database of its own.
pub struct Service {
    router: Router,
    pub store: Store,
    keys: AtomicU64,
    token: Option<String>,
    url: String,
    _directory: Option<tempfile::TempDir>,
}

/// An answer as it came.
pub struct Answer {
    pub status: u16,
    pub headers: HeaderMap,
    pub bytes: Vec<u8>,
}

/// Runs checks of the service on each engine. A check that is not named here is dead code, which clippy refuses.
macro_rules! on_both_engines {
    ($($check:ident)+) => {$(
        mod $check {
            #[tokio::test]
            async fn sqlite() {
                super::$check($crate::support::client::Service::sqlite().await).await;
            }

            #[tokio::test]
            async fn postgres() {
                if let Some(service) = $crate::support::client::Service::postgres().await {
                    super::$check(service).await;
                }
            }
        }
    )+};
}
pub(crate) use on_both_engines;

impl Service {
    /// On an embedded database.
    pub async fn sqlite() -> Service {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let url = laid_out::on_sqlite(&directory.path().join("books.sqlite")).await;
        Service::open(&url, Some(directory)).await
    }

    /// On a PostgreSQL database; `None` where there is no server to test with.
    pub async fn postgres() -> Option<Service> {
        let server = super::postgres::server()?;
        Some(Service::open(&laid_out::on_postgres(server).await, None).await)
    }

    async fn open(url: &str, directory: Option<tempfile::TempDir>) -> Service {
        let database: DatabaseUrl = url.parse().expect("the URL of a database");
        let store = service::open(&database).await.expect("the database opens");
        let router = service::router(&store, Auth::Off);
        Service { router, store, keys: AtomicU64::new(0), token: None, url: url.to_owned(), _directory: directory }
    }

    /// The same books behind tokens.
    pub fn guarded(mut self) -> Service {
        self.router = service::router(&self.store, Auth::On);
        self
    }

    /// The same books, whose workbooks are bounded otherwise.
    pub fn bounded(mut self, workbooks: Workbooks) -> Service {
        self.router = service::router_with(&self.store, Auth::Off, workbooks);
        self
    }

    /// The same books, from now on served by a process that delivers too.
    pub fn delivering(&mut self, push: &Push) -> Courier {
        let started = service::start(&self.store, Auth::Off, push).expect("the service starts");
        self.router = started.router;
        started.courier.expect("there is a key to sign with")
    }

    /// Sends this token, or none, from now on.
    pub fn with_token(&mut self, token: Option<&str>) {
        self.token = token.map(str::to_owned);
    }

    /// A key that no request of this client has had.
    pub fn fresh_key(&self) -> String {
        format!("key-{}", self.keys.fetch_add(1, Ordering::Relaxed))
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.send(Method::GET, path, &[], Body::empty()).await
    }

    /// What is there, as JSON.
    pub async fn read(&self, path: &str) -> Value {
        self.get(path).await.done()
    }

    pub async fn put(&self, path: &str, body: &Value) -> Answer {
        self.send(Method::PUT, path, JSON, Body::from(body.to_string())).await
    }

    /// What is there, as JSON of another media type.
    pub async fn read_as(&self, path: &str, media_type: &str) -> Value {
        let answer = self.get(path).await;
        assert_eq!((answer.status, answer.header("content-type")), (200, media_type), "{path}");
        answer.json()
    }

    /// Posts with a key of its own.
    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        let key = self.fresh_key();
        self.post_with(path, body, &[("idempotency-key", &key)]).await
    }

    /// Posts with these headers beside the content type; no key unless one is among them.
    pub async fn post_with(&self, path: &str, body: &Value, headers: &[(&str, &str)]) -> Answer {
        let answer = self.post_bytes(path, body.to_string(), headers).await;
        if answer.status < 300 {
            ledger::check_answer(&answer.json());
        }
        answer
    }

    /// Posts a body that need not be JSON.
    pub async fn post_bytes(&self, path: &str, body: impl Into<Body>, headers: &[(&str, &str)]) -> Answer {
        let headers: Vec<(&str, &str)> = JSON.iter().chain(headers).copied().collect();
        self.send(Method::POST, path, &headers, body.into()).await
    }

    /// Asks what a post would do, and records nothing.
    pub async fn preview(&self, path: &str, body: &Value) -> Answer {
        self.post_with(&format!("{path}?validate_only=true"), body, &[]).await
    }

    /// Sends anything.
    pub async fn send(&self, method: Method, path: &str, headers: &[(&str, &str)], body: Body) -> Answer {
        let mut request = Request::builder().method(method).uri(path);
        if let Some(token) = &self.token {
            request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(body).expect("a request");
        let response = self.router.clone().oneshot(request).await.expect("a router cannot fail");
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, usize::MAX).await.expect("a whole body").to_vec();
        Answer { status: parts.status.as_u16(), headers: parts.headers, bytes }
    }

    /// Creates an entity with US dollars and calendar years.
    pub async fn entity(&self, code: &str) {
        let body = json!({"code": code, "name": format!("{code} Ferries, Inc."), "functional_currency": "USD",
            "framework": "us_gaap", "fiscal_year_end": "12-31"});
        self.post(ENTITIES, &body).await.created();
    }

    /// Creates an entity with an account for every role.
    pub async fn mapped_entity(&self, code: &str) {
        self.entity(code).await;
        self.put(&mapping_path(code, "2000-01-01"), &all_accounts()).await.done();
    }

    /// Creates an entity that reports under IFRS, with an account for every role.
    pub async fn ifrs_entity(&self, code: &str) {
        let body = json!({"code": code, "name": format!("{code} Ferries plc"), "functional_currency": "USD",
            "framework": "ifrs", "fiscal_year_end": "12-31"});
        self.post(ENTITIES, &body).await.created();
        self.put(&mapping_path(code, "2000-01-01"), &all_accounts()).await.done();
    }

    /// Records an issue in `ACME` and gives its id. `changes` replace or add terms; null takes one away.
    pub async fn issue(&self, changes: Value) -> String {
        text(&self.post(ISSUES, &terms(changes)).await.created()["id"]).to_owned()
    }

    /// Posts on an issue what is expected to be recorded.
    pub async fn record(&self, issue: &str, kind: &str, body: Value) -> Value {
        self.post(&on(issue, kind), &body).await.created()
    }

    /// The carrying value of an issue.
    pub async fn carrying_value(&self, issue: &str, as_of: &str) -> Value {
        self.read(&format!("{ISSUES}/{issue}/carrying-value?as_of={as_of}")).await
    }

    /// All lines of released batches of `ACME` in US dollars, in order of release.
    pub async fn journal_lines(&self) -> Vec<Value> {
        self.all("/v1/entities/ACME/journal-lines?from=2000-01-01&to=2099-12-31&limit=500").await
    }

    /// All items of a list, page after page.
    pub async fn all(&self, path: &str) -> Vec<Value> {
        let (mut all, mut cursor) = (Vec::new(), String::new());
        loop {
            let page = self.read(&format!("{path}{cursor}")).await;
            all.extend(items(&page));
            match page["next_cursor"].as_str() {
                Some(next) => cursor = format!("&cursor={next}"),
                None => return all,
            }
        }
    }

    /// Every hash and every tie of the books.
    pub async fn verify(&self) {
        let breaks = self.breaks().await;
        assert!(breaks.is_empty(), "{breaks:#?}");
    }

    /// What verification finds broken.
    pub async fn breaks(&self) -> Vec<String> {
        parwright::audit::verify::verify(&self.store).await.expect("the books can be read").breaks
    }

    /// Where its database is.
    pub fn database(&self) -> &str {
        &self.url
    }

    /// Changes one posted row of a table behind the back of the service, which the table refuses otherwise.
    pub async fn tamper(&self, table: &str, change: &str) {
        self.unguarded(table).await;
        assert_eq!(self.alter(&[format!("update {table} {change}")]).await, 1, "one row of {table}");
    }

    /// Lets posted rows of a table be changed.
    async fn unguarded(&self, table: &str) {
        if self.url.starts_with("sqlite") {
            let mut connection = SqliteConnection::connect(&self.url).await.expect("connects");
            let triggers = format!("select name from sqlite_schema where type = 'trigger' and tbl_name = '{table}'");
            let triggers: Vec<String> =
                sqlx::query_scalar(AssertSqlSafe(triggers)).fetch_all(&mut connection).await.expect("reads");
            let drops: Vec<String> = triggers.iter().map(|trigger| format!("drop trigger {trigger}")).collect();
            self.alter(&drops).await;
        } else {
            self.alter(&[format!("alter table {table} disable trigger user")]).await;
        }
    }

    /// Runs statements behind the back of the service. How many rows the last one changed.
    pub async fn alter(&self, statements: &[String]) -> u64 {
        let mut changed = 0;
        for statement in statements {
            let statement = AssertSqlSafe(statement.clone());
            changed = if self.url.starts_with("sqlite") {
                let mut connection = SqliteConnection::connect(&self.url).await.expect("connects");
                sqlx::query(statement).execute(&mut connection).await.expect("it is done").rows_affected()
            } else {
                let mut connection = PgConnection::connect(&self.url).await.expect("connects");
                sqlx::query(statement).execute(&mut connection).await.expect("it is done").rows_affected()
            };
        }
        changed
    }

    /// All batches of `ACME` in order.
    pub async fn batches(&self) -> Vec<Value> {
        self.all("/v1/journal-batches?entity=ACME&limit=500").await
    }

    /// All releases of `ACME` in order.
    pub async fn releases(&self) -> Vec<Value> {
        let (mut releases, mut after) = (Vec::new(), 0);
        loop {
            let page = self.read(&format!("/v1/entities/ACME/releases?limit=500&after={after}")).await;
            let next = page["next_after"].as_i64().expect("a number");
            if next == after {
                return releases;
            }
            (after, releases) = (next, [releases, items(&page)].concat());
        }
    }
}

const JSON: &[(&str, &str)] = &[("content-type", "application/json")];
pub const ENTITIES: &str = "/v1/entities";
pub const ISSUES: &str = "/v1/bond-issues";

/// The address of what is recorded or read on an issue.
pub fn on(issue: &str, kind: &str) -> String {
    format!("{ISSUES}/{issue}/{kind}")
}

pub fn mapping_path(entity: &str, effective_from: &str) -> String {
    format!("{ENTITIES}/{entity}/account-mapping?effective_from={effective_from}")
}

/// Every role with an account of its own.
pub fn all_accounts() -> Value {
    let accounts = ROLES.iter().zip(1000..).map(|(role, account)| {
        ((*role).to_owned(), json!({"account": account.to_string(), "name": role.replace('_', " ")}))
    });
    json!({"accounts": accounts.collect::<serde_json::Map<_, _>>()})
}

/// The roles that this version posts to.
pub const ROLES: [&str; 20] = [
    "cash",
    "interest_receivable",
    "bonds_payable",
    "premium_on_bonds_payable",
    "discount_on_bonds_payable",
    "debt_issue_costs",
    "current_portion_of_bonds_payable",
    "interest_payable",
    "accrued_inducement",
    "common_stock",
    "additional_paid_in_capital",
    "treasury_stock",
    "interest_expense",
    "debt_conversion_expense",
    "gain_on_extinguishment",
    "loss_on_extinguishment",
    "opening_balance_clearing",
    "equity_component_of_convertible_bonds",
    "loss_on_amendment_of_conversion_terms",
    "retained_earnings",
];

/// Terms of `ACME` at par: 6% of 1,000,000 semi-annually over five years, convertible into 20 shares of par 0.01 a bond of 1,000.
pub fn terms(changes: Value) -> Value {
    let mut terms = json!({"entity": "ACME", "reference": "CB-1", "currency": "USD", "principal": "1000000.00",
        "denomination": "1000.00", "coupon_rate": "0.06", "coupon_frequency": 2, "day_count": "30/360",
        "dated_date": "2025-01-15", "settlement_date": "2025-01-15", "maturity_date": "2030-01-15",
        "proceeds": "1000000.00",
        "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01"}});
    change(&mut terms, changes);
    terms
}

/// Replaces or adds fields of an object; null takes one away.
pub fn change(object: &mut Value, changes: Value) {
    let fields = object.as_object_mut().expect("an object");
    for (name, value) in changes.as_object().expect("an object of changes").clone() {
        if value.is_null() {
            fields.remove(&name)
        } else {
            fields.insert(name, value)
        };
    }
}

impl Answer {
    #[track_caller]
    pub fn json(&self) -> Value {
        let text = String::from_utf8_lossy(&self.bytes);
        serde_json::from_str(&text).unwrap_or_else(|_| panic!("{} is no JSON: {text}", self.status))
    }

    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().expect("ASCII"))
    }

    /// Asserts a status and gives the JSON.
    #[track_caller]
    pub fn expect(&self, status: StatusCode) -> Value {
        assert_eq!(self.status, status.as_u16(), "{}", String::from_utf8_lossy(&self.bytes));
        assert_eq!(self.header("content-type"), "application/json");
        self.json()
    }

    #[track_caller]
    pub fn created(&self) -> Value {
        self.expect(StatusCode::CREATED)
    }

    #[track_caller]
    pub fn done(&self) -> Value {
        self.expect(StatusCode::OK)
    }

    /// Asserts a whole problem document of this status and code, and gives it.
    #[track_caller]
    pub fn problem(&self, status: u16, code: &str) -> Value {
        let document = self.json();
        assert_eq!((self.status, document["code"].as_str()), (status, Some(code)), "{document}");
        assert_eq!(self.header("content-type"), "application/problem+json");
        assert_eq!(document["status"], json!(status));
        assert_eq!(document["type"], json!(format!("/docs/problems#{code}")));
        assert_eq!(document["instance"], json!(self.header("x-request-id")));
        assert!(document["title"].as_str().is_some_and(|title| !title.is_empty()), "{document}");
        let detail = document["detail"].as_str().unwrap_or_default().to_lowercase();
        assert!(detail.contains(' '), "{document}");
        for inside in ["sqlx", "select ", "insert ", "panicked", ".rs:", "constraint"] {
            assert!(!detail.contains(inside), "{document}");
        }
        document
    }

    /// Asserts a 422 that points to a field, and gives the detail.
    #[track_caller]
    pub fn refused_at(&self, code: &str, pointer: &str) -> String {
        let document = self.problem(422, code);
        assert_eq!(document["errors"][0]["pointer"], json!(pointer), "{document}");
        assert!(!text(&document["errors"][0]["detail"]).is_empty());
        text(&document["detail"]).to_owned()
    }

    /// Asserts a conflict, and gives the detail.
    #[track_caller]
    pub fn conflict(&self, code: &str) -> String {
        text(&self.problem(409, code)["detail"]).to_owned()
    }
}

#[track_caller]
pub fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text"))
}

#[track_caller]
pub fn array(value: &Value) -> &Vec<Value> {
    value.as_array().unwrap_or_else(|| panic!("{value} is no array"))
}

/// The items of a list.
#[track_caller]
pub fn items(page: &Value) -> Vec<Value> {
    array(&page["items"]).clone()
}

/// The names of an object's fields, in order of the alphabet.
#[track_caller]
pub fn fields(value: &Value) -> Vec<&str> {
    let mut names: Vec<&str> =
        value.as_object().unwrap_or_else(|| panic!("{value} is no object")).keys().map(String::as_str).collect();
    names.sort_unstable();
    names
}

/// Asserts that an object has exactly these fields, named in any order.
#[track_caller]
pub fn assert_fields(value: &Value, names: &str) {
    let mut names: Vec<&str> = names.split_whitespace().collect();
    names.sort_unstable();
    assert_eq!(fields(value), names, "{value}");
}

/// Asserts some of an object's fields.
#[track_caller]
pub fn assert_figures(value: &Value, figures: Value) {
    for (name, expected) in figures.as_object().expect("an object of figures") {
        assert_eq!(&value[name], expected, "{name} of {value}");
    }
}
