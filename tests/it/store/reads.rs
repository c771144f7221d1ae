//! Reads return what was posted, as it was known.

use parwright::store::*;

use super::on_both;
use super::rows::*;

fn mapping(sequence: i64) -> AccountMappingRow {
    AccountMappingRow {
        entity: ENTITY.into(),
        sequence,
        bond_issue: String::new(),
        effective_from: "2024-01-01".into(),
        accounts: "{}".into(),
    }
}

fn coupon(date: &str, revision: i64, sequence: i64, paid_on: Option<&str>) -> CouponRow {
    CouponRow {
        entity: ENTITY.into(),
        bond_issue: ISSUE.into(),
        coupon_date: date.into(),
        revision,
        sequence,
        paid_on: paid_on.map(String::from),
        amount: 100,
    }
}

on_both! {
    async fn what_is_posted_is_read_back(books: Books) {
        let mut rows = opened();
        rows.year_heads.push(YearHeadRow { entity: ENTITY.into(), fiscal_year: 2024, number: i64::MAX });
        rows.account_mappings.push(mapping(1));
        rows.idempotency.push(IdempotencyRow {
            entity: ENTITY.into(), key: "k".into(), fingerprint: "f".into(), status: 201, answer: "{\"a\":\"\u{1F4B6}\\n\"}".into(), recorded_at: 1,
        });
        rows.tokens.push(TokenRow { token_sha256: "h".into(), name: "n".into(), role: "viewer".into(), entity: None, created_at: 1 });
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let mut reader = reading.reader();
        assert_eq!(reader.entities("", 10).await.expect("reads"), rows.entities);
        assert_eq!(reader.entities(ENTITY, 10).await.expect("reads"), []);
        assert_eq!(reader.entity_heads("", 10).await.expect("reads"), rows.entity_heads);
        assert_eq!(reader.year_heads(ENTITY).await.expect("reads"), rows.year_heads);
        assert_eq!(reader.records(ENTITY, 0, 10).await.expect("reads"), rows.records);
        assert_eq!(reader.mappings(ENTITY, 1).await.expect("reads"), rows.account_mappings);
        assert_eq!(reader.mappings(ENTITY, 0).await.expect("reads"), []);
        assert_eq!(reader.idempotency(ENTITY, "k").await.expect("reads").as_ref(), rows.idempotency.first());
        assert_eq!(reader.idempotency(ENTITY, "l").await.expect("reads"), None);
        assert_eq!(reader.token("h").await.expect("reads").as_ref(), rows.tokens.first());
        assert_eq!(reader.tokens().await.expect("reads"), rows.tokens);
        assert_eq!(reader.event(ENTITY, &rows.events[0].id).await.expect("reads").as_ref(), rows.events.first());
        assert_eq!(reader.event_by_sequence(ENTITY, ISSUE, 1).await.expect("reads").as_ref(), rows.events.first());
        assert_eq!(reader.events(ENTITY, ISSUE, 1, 0, 10).await.expect("reads"), rows.events);
        assert_eq!(reader.events(ENTITY, ISSUE, 1, 1, 10).await.expect("reads"), []);
    }

    async fn a_state_is_the_issue_with_its_newest_rows(books: Books) {
        let mut rows = opened();
        rows.bond_issues.push(issue("ACME.0190-2", 1));
        post(&books.store, &rows).await.expect("posts");
        let later = Rows {
            records: vec![record(2)],
            positions: vec![position(ISSUE, "2024-06-01", 2, true, 900)],
            issue_heads: vec![issue_head(ISSUE, 1, ("2024-06-01", 2), ("2024-01-01", 1))],
            ..Rows::default()
        };
        post(&books.store, &later).await.expect("posts");
        let mut posting = books.store.begin().await.expect("begins");
        let mut reader = posting.reader().expect("open");
        let expected = IssueState {
            issue: rows.bond_issues[0].clone(),
            head: later.issue_heads[0].clone(),
            position: later.positions[0].clone(),
            booked: rows.booked[0].clone(),
        };
        assert_eq!(reader.issue_states(ENTITY, &[ISSUE, "ACME.none"]).await.expect("reads"), std::slice::from_ref(&expected));
        assert_eq!(reader.issue_states_page(ENTITY, "", 5).await.expect("reads"), [expected]);
        assert_eq!(reader.issue_states_page(ENTITY, ISSUE, 5).await.expect("reads"), []);
    }

    async fn issues_are_listed_by_filter_time_and_cursor(books: Books) {
        let mut rows = opened();
        rows.records.extend([record(2), record(3)]);
        rows.bond_issues.push(issue("ACME.b", 2));
        rows.bond_issues.push(BondIssueRow { isin: Some("US0000000001".into()), ..issue("ACME.a", 3) });
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let all = IssueFilter::default();
        let cases = [
            (all, i64::MAX, ("", 0), 10, vec![ISSUE, "ACME.b", "ACME.a"]),
            (all, i64::MAX, ("", 0), 2, vec![ISSUE, "ACME.b"]),
            (all, i64::MAX, (ENTITY, 2), 10, vec!["ACME.a"]),
            (all, 2_000_000, ("", 0), 10, vec![ISSUE, "ACME.b"]),
            (IssueFilter { entity: Some("OTHER"), ..all }, i64::MAX, ("", 0), 10, vec![]),
            (IssueFilter { entity: Some(ENTITY), isin: Some("US0000000001"), ..all }, i64::MAX, ("", 0), 10, vec!["ACME.a"]),
            (IssueFilter { reference: Some("ref ACME.b"), ..all }, i64::MAX, ("", 0), 10, vec!["ACME.b"]),
        ];
        for (filter, known_at, after, limit, expected) in cases {
            let found = reading.reader().bond_issues(filter, known_at, after, limit).await.expect("reads");
            assert_eq!(found.iter().map(|issue| issue.issue.id.as_str()).collect::<Vec<_>>(), expected, "{filter:?}");
        }
        assert_eq!(reading.reader().bond_issue(ENTITY, ISSUE).await.expect("reads").as_ref(), rows.bond_issues.first());
    }

    async fn a_coupon_is_paid_as_it_was_known(books: Books) {
        let mut rows = opened();
        rows.records.extend([record(2), record(3), record(4)]);
        rows.coupons = vec![
            coupon("2024-07-01", 0, 2, Some("2024-07-01")),
            coupon("2024-07-01", 1, 3, None),
            coupon("2024-07-01", 2, 4, Some("2024-07-03")),
            coupon("2025-01-01", 0, 2, Some("2025-01-01")),
        ];
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        for (known, expected) in [
            (1, vec![]),
            (2, vec!["2024-07-01", "2025-01-01"]),
            (3, vec!["2025-01-01"]),
            (4, vec!["2024-07-03", "2025-01-01"]),
        ] {
            let paid = reading.reader().paid_coupons(ENTITY, ISSUE, known).await.expect("reads");
            let paid: Vec<&str> = paid.iter().filter_map(|coupon| coupon.paid_on.as_deref()).collect();
            assert_eq!(paid, expected, "known {known}");
        }
        assert_eq!(reading.reader().coupon_revisions(ENTITY, ISSUE, "2024-07-01").await.expect("reads"), rows.coupons[..3]);
    }

    async fn batches_have_the_status_that_was_known(books: Books) {
        let mut rows = opened();
        rows.extend(journal("b2", 2, "2024-02-01", 5));
        rows.releases.push(release("b2", 1, 1, 2));
        rows.extend(journal("b3", 3, "2024-03-01", 6));
        rows.batches[1].ready = 1;
        rows.extend(journal("b4", 4, "2024-04-01", 7));
        rows.batches[2].ready = 1;
        rows.records.push(record(5));
        rows.releases.push(release("b3", 2, 1, 5));
        rows.releases.push(release("b2", 3, 2, 5));
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let mut reader = reading.reader();
        for (filter, known, after, expected) in [
            (BatchFilter::All, 5, (0, 0), vec![("b2", Some(3)), ("b3", Some(2)), ("b4", None)]),
            (BatchFilter::All, 4, (2, 0), vec![("b3", None), ("b4", None)]),
            (BatchFilter::All, 3, (0, 0), vec![("b2", Some(1)), ("b3", None)]),
            (BatchFilter::Ready, 4, (0, 0), vec![("b3", None), ("b4", None)]),
            (BatchFilter::Ready, 5, (0, 0), vec![("b4", None)]),
            (BatchFilter::Released, 5, (0, 0), vec![("b2", Some(3)), ("b3", Some(2))]),
        ] {
            let found = reader.batches(ENTITY, filter, known, after, 10).await.expect("reads");
            let found: Vec<_> = found.iter().map(|head| (head.batch.id.as_str(), head.release)).collect();
            assert_eq!(found, expected, "{filter:?} known {known}");
        }
        let waiting = reader.waiting_batches(ENTITY, (0, 0), 10).await.expect("reads");
        assert_eq!(waiting.iter().map(|waiting| waiting.id.as_str()).collect::<Vec<_>>(), ["b4"]);
        let whole = reader.batch(ENTITY, "b2").await.expect("reads").expect("it is there");
        assert_eq!(whole.entries, rows.entries[..1]);
        assert_eq!(whole.lines, rows.lines[..2]);
        assert_eq!(whole.release.map(|release| release.revision), Some(2));
        assert_eq!(reader.batch(ENTITY, "none").await.expect("reads"), None);
        let feed = reader.releases(ENTITY, 1, 10).await.expect("reads");
        let feed: Vec<_> = feed.iter().map(|(release, whole)| (release.release, whole.batch.id.as_str(), whole.lines.len())).collect();
        assert_eq!(feed, [(2, "b3", 2), (3, "b2", 2)]);
        assert_eq!(reader.batches_of_event(ENTITY, &format!("{ISSUE}/3")).await.expect("reads"), ["b3"]);
    }

    async fn sums_are_exact_and_as_known(books: Books) {
        let mut rows = opened();
        for (sequence, date, amount, shares) in
            [(2, "2024-02-01", 5, "1.5"), (3, "2024-03-01", 6, "-0.25"), (4, "2024-03-31", 7, "40"), (5, "2024-04-01", 8, "1")]
        {
            rows.extend(journal(&format!("b{sequence}"), sequence, date, amount));
            let entry = rows.entries.last_mut().expect("it was added");
            entry.shares = shares.into();
            entry.cash = i64::MAX / 8;
        }
        rows.entries[2].effective_date = "2024-03-10".into();
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let mut reader = reading.reader();
        let march = ("2024-03-01", "2024-03-31");
        let movements = reader.movements(ENTITY, march, 5, "USD").await.expect("reads");
        let [movement] = movements.as_slice() else { panic!("one movement: {movements:?}") };
        assert_eq!((movement.movement.as_str(), movement.sums.principal), ("conversion", -13));
        assert_eq!(movement.sums.cash, i64::MAX / 8 * 2);
        assert_eq!((movement.sums.shares, movement.sums.shares_fraction), (40, -2_500_000_000));
        assert_eq!(reader.movements(ENTITY, march, 3, "USD").await.expect("reads")[0].sums.principal, -6);
        assert_eq!(reader.movements(ENTITY, march, 5, "EUR").await.expect("reads"), []);
        let opening = reader.opening(ENTITY, "2024-03-01", 5, "USD").await.expect("reads");
        assert_eq!((opening[0].sums.principal, opening[0].sums.shares, opening[0].sums.shares_fraction), (-5, 1, 5_000_000_000));
        let batches = reader.batches_of_movements(ENTITY, march, 5, "USD").await.expect("reads");
        let mut numbers: Vec<&str> = batches.iter().flat_map(|batch| batch.numbers.split(',')).collect();
        numbers.sort_unstable();
        assert_eq!(numbers, ["ACME-2024-000003", "ACME-2024-000004"]);
        let sides = reader.trial_balance(ENTITY, "2024-03-31", 5, "USD").await.expect("reads");
        let sides: Vec<_> = sides.iter().map(|side| (side.account_role.as_str(), side.debit, side.credit)).collect();
        assert_eq!(sides, [("additional_paid_in_capital", 0, 18), ("bonds_payable", 18, 0)]);
        for (issue, as_of, known, expected) in [
            (None, "2024-03-15", 5, 1),
            (Some(ISSUE), "2024-03-15", 5, 1),
            (Some("ACME.none"), "2024-03-15", 5, 0),
            (None, "2024-03-15", 3, 0),
            (None, "2024-03-31", 5, 0),
            (None, "2024-03-09", 5, 0),
        ] {
            let found = reader.out_of_period(ENTITY, issue, as_of, known).await.expect("reads");
            assert_eq!(found.len(), expected, "{issue:?} {as_of} {known}: {found:?}");
            assert!(found.iter().all(|found| found.sums.principal == -7 && found.event.ends_with("/4")));
        }
    }

    async fn a_sum_that_overflows_is_an_error(books: Books) {
        let mut rows = opened();
        for sequence in [2, 3] {
            rows.extend(journal(&format!("b{sequence}"), sequence, "2024-02-01", i64::MAX));
        }
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let sides = reading.reader().trial_balance(ENTITY, "2024-03-31", 5, "USD").await;
        assert!(matches!(sides, Err(StoreError::Fault(_))), "{sides:?}");
    }
}
