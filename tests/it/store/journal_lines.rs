//! Released batches of a period, and parts of a batch.

use parwright::store::ReleasedIn;

use super::on_both;
use super::rows::*;

on_both! {
    async fn a_released_batch_stands_where_its_newest_release_does(books: Books) {
        let mut rows = opened();
        for (at, date) in [(2, "2024-02-01"), (3, "2024-03-01"), (4, "2024-03-31"), (5, "2024-04-01")] {
            rows.extend(journal(&format!("b{at}"), at, date, at));
        }
        rows.batches[2].currency = "EUR".into();
        rows.releases.push(release("b2", 1, 1, 2));
        rows.releases.push(release("b3", 2, 1, 3));
        rows.releases.push(release("b4", 3, 1, 4));
        rows.records.push(record(6));
        rows.releases.push(release("b2", 4, 2, 6));
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let mut reader = reading.reader();
        let year = ("2024-01-01", "2024-12-31");
        for ((from, to), currency, known, from_release, limit, expected) in [
            (year, "USD", 6, 0, 10, vec![(2, "b3"), (4, "b2")]),
            (year, "USD", 5, 0, 10, vec![(1, "b2"), (2, "b3")]),
            (year, "USD", 2, 0, 10, vec![(1, "b2")]),
            (year, "EUR", 6, 0, 10, vec![(3, "b4")]),
            (year, "USD", 6, 3, 10, vec![(4, "b2")]),
            (year, "USD", 6, 2, 1, vec![(2, "b3")]),
            (("2024-03-01", "2024-03-31"), "USD", 6, 0, 10, vec![(2, "b3")]),
            (("2024-02-02", "2024-02-29"), "USD", 6, 0, 10, vec![]),
        ] {
            let asked = ReleasedIn { entity: ENTITY, from, to, currency, known };
            let found = reader.released_in(asked, from_release, limit).await.expect("reads");
            let found: Vec<_> = found.iter().map(|head| (head.release.release, head.release.batch.as_str())).collect();
            assert_eq!(found, expected, "{from} to {to} in {currency}, known {known}");
        }
    }

    async fn a_part_of_a_batch_is_its_entries_with_their_lines(books: Books) {
        let mut rows = opened();
        rows.extend(journal("b2", 2, "2024-02-01", 5));
        for at in 2..=5 {
            rows.entries.push(entry(&rows.batches[0], at, -at));
            rows.lines.push(line("b2", at, 1, "bonds_payable", at));
            rows.lines.push(line("b2", at, 2, "additional_paid_in_capital", -at));
        }
        rows.releases.push(release("b2", 1, 1, 2));
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        let mut reader = reading.reader();
        let asked = ReleasedIn { entity: ENTITY, from: "2024-01-01", to: "2024-12-31", currency: "USD", known: 2 };
        let heads = reader.released_in(asked, 0, 10).await.expect("reads");
        let [head] = heads.as_slice() else { panic!("one batch: {heads:?}") };
        assert_eq!((&head.batch, &head.release), (&rows.batches[0], &rows.releases[0]));
        for (first, last) in [(1, 5), (2, 3), (4, 99), (6, 9)] {
            let part = reader.part_of_batch(head, (first, last)).await.expect("reads");
            let entries: Vec<_> = rows.entries.iter().filter(|row| (first..=last).contains(&row.entry)).cloned().collect();
            let lines: Vec<_> = rows.lines.iter().filter(|row| (first..=last).contains(&row.entry)).cloned().collect();
            assert_eq!((part.entries, part.lines), (entries, lines), "{first} to {last}");
        }
    }
}
