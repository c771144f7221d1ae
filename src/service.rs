//! The service put together: a store, the one writer, the reads, and the edge before them.

use std::sync::Arc;

use axum::Router;

use crate::auth::{Authenticator, StoredTokens};
use crate::config::{Auth, DatabaseUrl};
use crate::delivery::{Courier, KeySet, Push, SenderError};
use crate::http::edge::{self, Edge};
use crate::http::guard::Guard;
use crate::http::refusals::KINDS;
use crate::http::resource::{self, App, Workbooks};
use crate::http::system::{self, Readiness};
use crate::posting::Recorder;
use crate::reading::Library;
use crate::stop::Stop;
use crate::store::{Options, Store, StoreError};

/// Connects to a database and brings it to the schema of this version.
///
/// # Errors
/// When it cannot be reached or migrated.
pub async fn open(database: &DatabaseUrl) -> Result<Store, StoreError> {
    let store = Store::connect(database.reveal(), Options::default()).await?;
    store.migrate().await?;
    Ok(store)
}

/// The handlers' state over a store; starts the writer and what reads together.
pub fn app(store: &Store) -> App {
    let (recorder, library) = (Recorder::start(store.clone()), Library::start(store.clone()));
    let admission = Push::default().admission();
    App { recorder, library, admission, stop: Stop::default(), workbooks: Workbooks::default() }
}

/// The whole service: what answers, what delivers if there is a key to sign with, and what is told of its end.
#[derive(Debug)]
pub struct Started {
    pub router: Router,
    pub courier: Option<Courier>,
    pub stop: Stop,
}

/// Starts the whole service over a store.
///
/// # Errors
/// When nothing could be delivered.
pub fn start(store: &Store, auth: Auth, push: &Push) -> Result<Started, SenderError> {
    let app = App { admission: push.admission(), ..app(store) };
    // Installed before anything is counted.
    let _ = system::recorder();
    let courier = Courier::start(push, &app.recorder, &app.library)?;
    let stop = app.stop.clone();
    Ok(Started { router: with(store, auth, app, push.keys()), courier, stop })
}

/// The service over a store, without deliveries.
pub fn router(store: &Store, auth: Auth) -> Router {
    with(store, auth, app(store), KeySet::default())
}

/// The service over a store whose workbooks are bounded otherwise, without deliveries.
pub fn router_with(store: &Store, auth: Auth, workbooks: Workbooks) -> Router {
    with(store, auth, App { workbooks, ..app(store) }, KeySet::default())
}

fn with(store: &Store, auth: Auth, app: App, keys: KeySet) -> Router {
    let guard = match auth {
        Auth::Off => Guard::Open,
        Auth::On => Guard::Tokens(Arc::new(Authenticator::new(Arc::new(StoredTokens(store.clone()))))),
    };
    let asked = store.clone();
    let readiness: Readiness = Arc::new(move || {
        let store = asked.clone();
        Box::pin(async move {
            if store.is_ready().await {
                Ok(())
            } else {
                Err("the database does not answer, or has another schema".into())
            }
        })
    });
    let edge = Edge { keys, ..Edge::new(guard, readiness, KINDS) };
    edge::router(resource::router(), Arc::new(app), edge)
}

/// The document of the interface, as text.
///
/// # Errors
/// When it cannot be written as JSON, which its types do not allow.
pub fn openapi() -> Result<String, serde_json::Error> {
    crate::http::openapi::render(&edge::document(&resource::router(), KINDS))
}
