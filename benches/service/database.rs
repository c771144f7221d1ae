//! A PostgreSQL server of the bench's own, its databases, and the client programs beside it.

use std::path::PathBuf;

use sqlx::{AssertSqlSafe, Connection, PgConnection, Row};

use crate::postgres::Server;

pub async fn connect(url: &str) -> PgConnection {
    PgConnection::connect(url).await.expect("the bench's own database takes connections")
}

pub async fn run(connection: &mut PgConnection, statement: &str) {
    let ran = sqlx::raw_sql(AssertSqlSafe(statement.to_owned())).execute(connection).await;
    ran.unwrap_or_else(|error| panic!("{statement}: {error}"));
}

/// Fails unless a commit waits for the disk: figures without that would compare with nothing.
pub async fn check_durable(server: &Server) {
    let mut connection = connect(server.admin_url()).await;
    for setting in ["fsync", "synchronous_commit"] {
        let value: String = sqlx::query_scalar(AssertSqlSafe(format!("show {setting}")))
            .fetch_one(&mut connection)
            .await
            .expect("every server has this setting");
        assert_eq!(value, "on", "{setting}");
    }
}

/// A copy of a database to which nobody is connected.
pub async fn copy(server: &Server, url: &str) -> String {
    // Created empty first, so that the keeper of the server knows its name.
    let copy = server.create_database().await;
    let mut connection = connect(server.admin_url()).await;
    run(&mut connection, &format!("drop database {}", name(&copy))).await;
    run(&mut connection, &format!("create database {} template {}", name(&copy), name(url))).await;
    copy
}

pub async fn drop(server: &Server, url: &str) {
    let mut connection = connect(server.admin_url()).await;
    run(&mut connection, &format!("drop database if exists {} with (force)", name(url))).await;
}

/// Writes out what the server still holds back, so that one run does not pay for the one before it.
pub async fn checkpoint(server: &Server) {
    let mut connection = connect(server.admin_url()).await;
    run(&mut connection, "checkpoint").await;
}

/// The tables of the books and the columns of each, in the order of the table.
pub async fn columns(connection: &mut PgConnection, table: &str) -> Vec<String> {
    let rows = sqlx::query(
        "select column_name::text from information_schema.columns where table_schema = 'public' and table_name = $1 \
         order by ordinal_position",
    )
    .bind(table)
    .fetch_all(connection)
    .await
    .expect("the catalogue can be read");
    rows.iter().map(|row| row.get(0)).collect()
}

fn name(url: &str) -> &str {
    let path = url.rsplit_once('/').map_or(url, |(_, path)| path);
    path.split_once('?').map_or(path, |(name, _)| name)
}

/// `pgbench`, from `PATH` or from the newest package.
pub fn pgbench() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    let packages = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    folders.extend(packages.map(|package| package.path().join("bin")));
    folders.into_iter().map(|folder| folder.join("pgbench")).find(|program| program.is_file())
}
