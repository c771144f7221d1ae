//! SQLite's log is folded into its file while postings go on, and is written from its beginning again.

use std::path::PathBuf;
use std::time::Duration;

use super::Books;
use super::rows::*;

/// A page of the log, with what says which it is.
const PAGE: u64 = 4096 + 24;

#[tokio::test]
async fn the_log_is_folded_beside_the_writer_and_does_not_grow_without_end() {
    let books = Books::sqlite().await;
    let file = PathBuf::from(books.url.trim_start_matches("sqlite:"));
    let log = PathBuf::from(format!("{}-wal", file.display()));
    let size = |path: &PathBuf| std::fs::metadata(path).map_or(0, |metadata| metadata.len());
    post(&books.store, &opened()).await.expect("posts");
    let (empty, mut sequence) = (size(&file), 1);
    let mut go_on = async |through: i64| {
        while sequence < through {
            sequence += 1;
            let rows = journal(&format!("b{sequence:06}"), sequence, "2024-02-01", 5);
            post(&books.store, &rows).await.expect("posts");
        }
        size(&log) / PAGE
    };
    let pages = go_on(400).await;
    assert!(pages < 8_000, "the writer had folded it itself: {pages}");
    let mut waits = 0;
    while size(&file) == empty {
        waits += 1;
        assert!(waits < 500, "nothing was folded, although the log has {pages} pages");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(5 * pages > 9_000, "five times as much does not fill the log: {pages}");
    let pages = go_on(2_000).await;
    assert!(pages < 9_000, "the log has grown to {pages} pages");
}
