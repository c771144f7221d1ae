//! Databases with the schema of this version, which is laid out once a test process and copied: laying it out takes longer than most tests
//! do. That it can be laid out is what `store` and every test of a process begin with.

use std::path::Path;

use parwright::config::DatabaseUrl;
use parwright::service;
use tokio::sync::OnceCell;

use super::postgres::Server;

/// A database on the server, with no books in it. Returns its URL.
pub async fn on_postgres(server: &Server) -> String {
    static TEMPLATE: OnceCell<String> = OnceCell::const_new();
    let template = TEMPLATE.get_or_init(|| async {
        let url = server.create_database().await;
        lay_out(&url).await;
        url
    });
    server.copy_database(template.await).await
}

/// A SQLite file, with no books in it. Returns its URL.
pub async fn on_sqlite(file: &Path) -> String {
    static CONTENT: OnceCell<Vec<u8>> = OnceCell::const_new();
    let content = CONTENT.get_or_init(|| async {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let file = directory.path().join("laid-out.sqlite");
        lay_out(&format!("sqlite:{}", file.display())).await;
        std::fs::read(file).expect("a closed database is one file")
    });
    std::fs::write(file, content.await).expect("a file can be written");
    format!("sqlite:{}", file.display())
}

async fn lay_out(url: &str) {
    let database: DatabaseUrl = url.parse().expect("the URL of a database");
    service::open(&database).await.expect("the schema is laid out").close().await;
}
