//! One worker at a time: the lease of a destination in the store.

use parwright::store::{DeliveryRow, DestinationRow, EntityHeadRow, Rows};

use super::on_both;
use super::rows::{ENTITY, attempt, destination, head, journal, opened, post, release};

const NAME: &str = "ledger";
const HOUR: i64 = 3_600_000_000;

/// Books with two releases and a destination of them.
fn books() -> Rows {
    let mut rows = opened();
    for (batch, number) in [("b2", 2), ("b3", 3)] {
        rows.extend(journal(batch, number, "2024-02-01", 5));
        rows.releases.push(release(batch, number - 1, 1, number));
    }
    rows.entity_heads = vec![EntityHeadRow { release: 2, ..head(3) }];
    rows.extend(destination(NAME));
    rows
}

on_both! {
    async fn a_lease_is_held_by_one_until_it_ends(books: Books) {
        post(&books.store, &super::books()).await.expect("posts");
        let mut first = books.store.begin().await.expect("begins");
        let taken = first.take_delivery(ENTITY, NAME, HOUR).await.expect("asks").expect("it is free");
        assert_eq!((taken.delivery.fence, taken.delivery.lease_until), (1, taken.now + HOUR));
        let by_this_clock = jiff::Timestamp::now().as_microsecond();
        assert!((taken.now - by_this_clock).abs() < 60_000_000, "the database's time is the time: {} and {by_this_clock}", taken.now);
        first.commit().await.expect("commits");

        let mut second = books.store.begin().await.expect("begins");
        assert_eq!(second.take_delivery(ENTITY, NAME, HOUR).await.expect("asks"), None);
        assert_eq!(second.take_delivery(ENTITY, "none", HOUR).await.expect("asks"), None);
        second.rollback().await.expect("rolls back");

        // The holder keeps it, and lets it go.
        let mut holder = books.store.begin().await.expect("begins");
        let held = holder.hold_delivery(ENTITY, NAME, 1, 0).await.expect("asks").expect("it is held");
        assert_eq!((held.delivery.fence, held.delivery.lease_until), (1, held.now));
        holder.commit().await.expect("commits");
        let mut third = books.store.begin().await.expect("begins");
        let taken = third.take_delivery(ENTITY, NAME, HOUR).await.expect("asks").expect("it has ended");
        assert_eq!(taken.delivery.fence, 2);
        third.commit().await.expect("commits");
    }

    async fn a_former_holder_moves_nothing(books: Books) {
        post(&books.store, &super::books()).await.expect("posts");
        let mut first = books.store.begin().await.expect("begins");
        // A lease that is over at once is that of a holder who stalled for too long.
        let former = first.take_delivery(ENTITY, NAME, 0).await.expect("asks").expect("it is free").delivery;
        first.commit().await.expect("commits");
        let mut second = books.store.begin().await.expect("begins");
        let newer = second.take_delivery(ENTITY, NAME, HOUR).await.expect("asks").expect("it has ended").delivery;
        second.put_delivery(&DeliveryRow { delivered: 1, ..newer.clone() }).await.expect("writes");
        second.commit().await.expect("commits");

        let mut late = books.store.begin().await.expect("begins");
        assert_eq!(late.hold_delivery(ENTITY, NAME, former.fence, HOUR).await.expect("asks"), None);
        late.put_delivery(&DeliveryRow { delivered: 2, ..former }).await.expect("is not an error");
        late.commit().await.expect("commits");
        let mut reading = books.store.reading().await.expect("reads");
        let found = reading.reader().delivery(ENTITY, NAME).await.expect("reads").expect("it is there");
        assert_eq!(found, DeliveryRow { delivered: 1, ..newer });
    }

    async fn destinations_wait_by_their_next_attempt_and_their_lease(books: Books) {
        post(&books.store, &super::books()).await.expect("posts");
        let wait = async || -> Option<i64> {
            let mut reading = books.store.reading().await.expect("reads");
            let mut waiting = reading.reader().waiting_destinations(10).await.expect("reads");
            assert!(waiting.len() <= 1);
            waiting.pop().map(|found| found.due_in)
        };
        let put = async |change: &dyn Fn(&mut DeliveryRow, i64)| {
            let mut posting = books.store.begin().await.expect("begins");
            let mut reader = posting.reader().expect("reads");
            let fence = reader.delivery(ENTITY, NAME).await.expect("reads").expect("it is there").fence;
            let taken = posting.hold_delivery(ENTITY, NAME, fence, 0).await.expect("asks").expect("it is there");
            let mut row = taken.delivery;
            change(&mut row, taken.now);
            posting.put_delivery(&row).await.expect("writes");
            posting.commit().await.expect("commits");
        };
        assert!(wait().await.is_some_and(|due_in| due_in <= 0));
        put(&|row, now| row.due_at = now + HOUR).await;
        assert!(wait().await.is_some_and(|due_in| (HOUR / 2..=HOUR).contains(&due_in)), "after a failure");
        put(&|row, now| row.lease_until = now + 2 * HOUR).await;
        assert!(wait().await.is_some_and(|due_in| due_in > HOUR), "while somebody delivers");
        put(&|row, _| (row.due_at, row.delivered) = (0, 2)).await;
        assert_eq!(wait().await, None, "everything is delivered");
        for state in ["parked", "gone"] {
            put(&|row, _| (row.delivered, row.state) = (0, state.to_owned())).await;
            assert_eq!(wait().await, None, "{state}");
        }
        // A command that was not followed yet is due, whatever was before it.
        let mut rows = journal("b4", 4, "2024-02-01", 5);
        rows.destinations.push(DestinationRow { sequence: 4, ..super::books().destinations.remove(0) });
        post(&books.store, &rows).await.expect("posts");
        assert!(wait().await.is_some_and(|due_in| due_in <= 0));
    }

    async fn an_attempt_is_written_once(books: Books) {
        let mut rows = super::books();
        rows.attempts.push(attempt(NAME, 1));
        let again = Rows { attempts: rows.attempts.clone(), ..Rows::default() };
        post(&books.store, &rows).await.expect("posts");
        assert!(post(&books.store, &again).await.is_err());
    }
}
