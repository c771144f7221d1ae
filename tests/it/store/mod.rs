//! The store's promises, each kept by both engines.

mod carrying;
mod folding;
mod journal_lines;
mod leases;
mod posting;
mod reads;
mod rows;
mod schema;

use parwright::store::{Options, Store};

/// Empty, migrated books in a database of their own.
pub struct Books {
    pub store: Store,
    pub url: String,
    _directory: Option<tempfile::TempDir>,
}

impl Books {
    pub async fn sqlite() -> Self {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let url = format!("sqlite:{}", directory.path().join("books.sqlite").display());
        Self::open(url, Some(directory)).await
    }

    /// None if there is no PostgreSQL to test with.
    pub async fn postgres() -> Option<Self> {
        let server = crate::support::postgres::server()?;
        Some(Self::open(server.create_database().await, None).await)
    }

    async fn open(url: String, directory: Option<tempfile::TempDir>) -> Self {
        let store = Store::connect(&url, Options { max_connections: 4 }).await.expect("the database opens");
        assert!(!store.is_ready().await, "a database without its schema is not ready");
        store.migrate().await.expect("the schema is laid out");
        store.migrate().await.expect("migrating again changes nothing");
        assert!(store.is_ready().await);
        Self { store, url, _directory: directory }
    }
}

/// Declares a test of the store and runs it on each engine.
macro_rules! on_both {
    ($( $(#[$meta:meta])* async fn $name:ident($books:ident: Books) $body:block )+) => { $(
        mod $name {
            use super::*;
            use $crate::store::Books;

            $(#[$meta])*
            async fn check($books: Books) $body

            #[tokio::test]
            async fn on_sqlite() {
                check(Books::sqlite().await).await;
            }

            #[tokio::test]
            async fn on_postgres() {
                if let Some(books) = Books::postgres().await {
                    check(books).await;
                }
            }
        }
    )+ };
}
pub(crate) use on_both;
