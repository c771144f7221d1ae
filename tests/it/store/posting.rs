//! A posting is kept whole or not at all, and what is posted stays.

use std::collections::BTreeMap;

use parwright::store::*;

use super::on_both;
use super::rows::*;

on_both! {
    async fn a_posting_is_seen_by_itself_and_after_its_commit_by_others(books: Books) {
        let mut posting = books.store.begin().await.expect("begins");
        posting.append(opened()).await.expect("appends");
        assert_eq!(posting.reader().expect("open").entity(ENTITY).await.expect("reads").as_ref(), opened().entities.first());
        let mut reading = books.store.reading().await.expect("reads");
        assert_eq!(reading.reader().entity(ENTITY).await.expect("reads"), None);
        posting.commit().await.expect("commits");
        assert_eq!(reading.reader().entity(ENTITY).await.expect("reads").as_ref(), opened().entities.first());
        assert_eq!(reading.reader().known(ENTITY, None).await.expect("reads"), Some(Known { sequence: 1, recorded_at: 1_000_000 }));
        assert_eq!(reading.reader().known(ENTITY, Some(999_999)).await.expect("reads"), None);
    }

    async fn a_posting_that_is_rolled_back_leaves_nothing(books: Books) {
        let mut posting = books.store.begin().await.expect("begins");
        posting.append(opened()).await.expect("appends");
        posting.rollback().await.expect("rolls back");
        let mut posting = books.store.begin().await.expect("begins");
        posting.append(opened()).await.expect("appends");
        drop(posting);
        let mut posting = books.store.begin().await.expect("begins after a posting was dropped");
        assert_eq!(posting.reader().expect("open").entity(ENTITY).await.expect("reads"), None);
        posting.append(opened()).await.expect("appends");
        posting.commit().await.expect("commits");
    }

    async fn heads_are_locked_in_order_of_code_and_then_replaced(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let mut posting = books.store.begin().await.expect("begins");
        let heads = posting.lock_heads(&["NONE", ENTITY]).await.expect("locks");
        assert_eq!(heads, [head(1)]);
        let next = Rows { entity_heads: vec![head(2)], records: vec![record(2)], ..Rows::default() };
        posting.append(next).await.expect("appends");
        posting.commit().await.expect("commits");
        let mut posting = books.store.begin().await.expect("begins");
        assert_eq!(posting.lock_heads(&[ENTITY]).await.expect("locks"), [head(2)]);
    }

    async fn a_lot_is_written_if_its_heads_are_as_they_were(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let before = |sequence| BTreeMap::from([(ENTITY.to_owned(), head(sequence))]);
        let lot = |sequences: &[i64]| {
            let mut lot = books.store.lot();
            for sequence in sequences {
                lot.add(Rows { entity_heads: vec![head(*sequence)], records: vec![record(*sequence)], ..Rows::default() });
            }
            lot
        };
        assert_eq!(books.store.write(&before(1), lot(&[2, 3]), || true).await.ok(), Some(true));
        // Somebody else was first: SQLite has that record already, PostgreSQL has seen the head.
        let late = books.store.write(&before(1), lot(&[2, 3, 4]), || true).await;
        assert!(matches!(&late, Ok(false)) || late.is_err_and(|error| error.conflict().is_some()));
        assert_eq!(books.store.write(&before(3), lot(&[4]), || false).await.ok(), Some(false), "its time is over");
        let mut posting = books.store.begin().await.expect("nothing is left open");
        assert_eq!(posting.lock_heads(&[ENTITY]).await.expect("locks"), [head(3)]);
        posting.rollback().await.expect("rolls back");
        assert_eq!(books.store.write(&before(3), lot(&[4]), || true).await.ok(), Some(true));
        let mut reading = books.store.reading().await.expect("reads");
        let records = reading.reader().records(ENTITY, 0, 100).await.expect("reads");
        assert_eq!(records.iter().map(|record| record.sequence).collect::<Vec<_>>(), [1, 2, 3, 4]);
    }

    async fn two_writers_cannot_follow_one_event(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let following = |sequence| Rows {
            records: vec![record(sequence)],
            events: vec![event(ISSUE, sequence, 1, "2024-02-01")],
            ..Rows::default()
        };
        post(&books.store, &following(2)).await.expect("the first follows");
        let error = post(&books.store, &following(3)).await.expect_err("the second does not");
        assert_eq!(error.conflict(), Some(Constraint::EventFollows));
        let mut reading = books.store.reading().await.expect("reads");
        let known = reading.reader().known(ENTITY, None).await.expect("reads").map(|known| known.sequence);
        assert_eq!(known, Some(2), "nothing of the second is kept");
    }

    async fn a_conflict_names_the_key_that_was_taken(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let key = NaturalKeyRow { entity: ENTITY.into(), kind: "conversion".into(), reference: "C-1".into(), id: "a".into() };
        let answer = IdempotencyRow {
            entity: ENTITY.into(), key: "k".into(), fingerprint: "f".into(), status: 201, answer: "{}".into(), recorded_at: 2,
        };
        let coupon = CouponRow {
            entity: ENTITY.into(), bond_issue: ISSUE.into(), coupon_date: "2024-07-01".into(), revision: 0, sequence: 1,
            paid_on: Some("2024-07-01".into()), amount: 100,
        };
        let cases = [
            (Rows { entities: opened().entities, ..Rows::default() }, Constraint::EntityCode),
            (Rows { records: vec![RecordRow { recorded_at: 7, ..record(1) }], ..Rows::default() }, Constraint::RecordSequence),
            (Rows { records: vec![RecordRow { recorded_at: 1_000_000, ..record(7) }], ..Rows::default() }, Constraint::RecordedAt),
            (Rows { bond_issues: opened().bond_issues, ..Rows::default() }, Constraint::BondIssueId),
            (Rows { natural_keys: vec![key.clone(), key], ..Rows::default() }, Constraint::NaturalKey),
            (Rows { idempotency: vec![answer.clone(), answer], ..Rows::default() }, Constraint::IdempotencyKey),
            (Rows { coupons: vec![coupon.clone(), coupon], ..Rows::default() }, Constraint::CouponPaid),
        ];
        for (rows, constraint) in cases {
            let error = post(&books.store, &rows).await.expect_err("the key is taken");
            assert_eq!(error.conflict(), Some(constraint), "{error:?}");
            assert!(!error.is_retryable());
        }
    }

    async fn an_entry_that_does_not_balance_is_refused(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let mut rows = journal("b2", 2, "2024-02-01", 500);
        rows.lines[1].amount = -499;
        let error = post(&books.store, &rows).await.expect_err("it is refused");
        assert!(matches!(error, StoreError::Refused(_)), "{error:?}");
        // The lines of the batch sum to zero, those of its entries do not.
        let mut rows = journal("b2", 2, "2024-02-01", 500);
        rows.entries.push(entry(&rows.batches[0], 2, 0));
        rows.lines[1].entry = 2;
        let error = post(&books.store, &rows).await.expect_err("it is refused");
        assert!(matches!(error, StoreError::Refused(_)), "{error:?}");
        post(&books.store, &journal("b2", 2, "2024-02-01", 500)).await.expect("a balanced one is not");
        let late = Rows { lines: vec![line("b2", 1, 3, "cash", 5)], ..Rows::default() };
        let error = post(&books.store, &late).await.expect_err("a line that comes later is refused");
        assert!(matches!(error, StoreError::Refused(_)), "{error:?}");
    }

    async fn rows_that_refer_to_nothing_are_refused(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let cases = [
            Rows { events: vec![event("ACME.none", 1, 0, "2024-01-01")], ..Rows::default() },
            Rows { entries: journal("b2", 2, "2024-02-01", 5).entries, ..Rows::default() },
            Rows { releases: vec![release("none", 1, 1, 1)], ..Rows::default() },
            Rows { batches: vec![BatchRow { credit: 4, ..batch("b2", 1, "2024-02-01", 5) }], ..Rows::default() },
            Rows { batches: vec![BatchRow { assets: 1, ..batch("b2", 1, "2024-02-01", 5) }], ..Rows::default() },
        ];
        for rows in cases {
            let error = post(&books.store, &rows).await.expect_err("it is refused");
            assert!(matches!(error, StoreError::Refused(_)), "{rows:?}: {error:?}");
        }
        post(&books.store, &journal("b2", 2, "2024-02-01", 5)).await.expect("the store works on after refusals");
    }

    async fn a_freed_reference_can_be_used_again(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let key = |id: &str| Rows {
            natural_keys: vec![NaturalKeyRow { entity: ENTITY.into(), kind: "conversion".into(), reference: "C-1".into(), id: id.into() }],
            ..Rows::default()
        };
        post(&books.store, &key("a")).await.expect("posts");
        let mut posting = books.store.begin().await.expect("begins");
        posting.free_natural_key(ENTITY, "conversion", "C-1").await.expect("frees");
        posting.append(key("b")).await.expect("appends");
        posting.commit().await.expect("commits");
        let mut reading = books.store.reading().await.expect("reads");
        assert_eq!(reading.reader().natural_key(ENTITY, "conversion", "C-1").await.expect("reads"), Some("b".to_owned()));
    }

    async fn postings_of_many_tasks_are_all_kept(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let tasks = (0..32).map(|at| {
            let store = books.store.clone();
            tokio::spawn(async move {
                let mut posting = store.begin().await.expect("begins");
                let sequence = posting.lock_heads(&[ENTITY]).await.expect("locks")[0].sequence + 1;
                let mut rows = journal(&format!("b{at}"), sequence, "2024-02-01", 5);
                rows.entity_heads.push(head(sequence));
                posting.append(rows).await.expect("appends");
                posting.commit().await.expect("commits");
            })
        });
        for task in tasks.collect::<Vec<_>>() {
            task.await.expect("the task ends");
        }
        let mut reading = books.store.reading().await.expect("reads");
        let records = reading.reader().records(ENTITY, 0, 100).await.expect("reads");
        let sequences: Vec<i64> = records.iter().map(|record| record.sequence).collect();
        assert_eq!(sequences, (1..=33).collect::<Vec<_>>());
    }
}

#[tokio::test]
async fn addresses_that_cannot_hold_the_books_are_refused() {
    for url in ["sqlite::memory:", "mysql://localhost/books", "sqlite:", ""] {
        let refused = Store::connect(url, Options::default()).await;
        assert!(matches!(refused, Err(StoreError::Address(_))), "{url}: {refused:?}");
    }
}
