//! The rows in force, against a fold of everything that was written.

use std::collections::BTreeMap;

use parwright::store::*;

use super::on_both;
use super::rows::*;

/// A small generator, so that a failure repeats.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }
}

/// One recorded event, as the fold sees it.
struct Event {
    sequence: i64,
    effective: String,
    posted: String,
    moved: i64,
    through: String,
}

fn date(dice: &mut Dice) -> String {
    // Few years, months and days, so that they are often shared, and some that lie alone.
    let year = [2019, 2024, 2024, 2024, 2025, 2025, 2037][dice.roll(7) as usize];
    format!("{year}-{:02}-{:02}", [1, 2, 2, 11, 12][dice.roll(5) as usize], [1, 2, 3, 15, 28][dice.roll(5) as usize])
}

/// The fold: what had moved by a date, of the events recorded up to a sequence.
fn moved_by(events: &[Event], day: &str, known: i64, of: impl Fn(&Event) -> &str) -> Option<i64> {
    let mut moved = events.iter().filter(|event| event.sequence <= known && of(event) <= day).peekable();
    moved.peek()?;
    Some(moved.map(|event| event.moved).sum())
}

/// The newest date through which interest was accrued by postings up to a date.
fn through(events: &[Event], day: &str, known: i64) -> Option<String> {
    let posted = events.iter().filter(|event| event.sequence <= known && event.posted.as_str() <= day);
    posted.map(|event| event.through.clone()).max()
}

/// The rows that an event writes: at its date, and at each later one that has a row.
fn rows_of(event: &Event, events: &[Event], known_dates: [&mut BTreeMap<String, ()>; 2]) -> Rows {
    let mut rows = Rows { records: vec![record(event.sequence)], ..Rows::default() };
    let [positions, booked_dates] = known_dates;
    let first = positions.insert(event.effective.clone(), ()).is_none();
    for day in positions.range(event.effective.clone()..).map(|(day, ())| day) {
        let principal = moved_by(events, day, event.sequence, |event| &event.effective).expect("the event itself");
        rows.positions.push(position(ISSUE, day, event.sequence, first && *day == event.effective, principal));
    }
    let first = booked_dates.insert(event.posted.clone(), ()).is_none();
    for day in booked_dates.range(event.posted.clone()..).map(|(day, ())| day) {
        let principal = moved_by(events, day, event.sequence, |event| &event.posted).expect("the event itself");
        let through = through(events, day, event.sequence).expect("the event itself");
        rows.booked.push(booked(ISSUE, day, event.sequence, first && *day == event.posted, principal, &through));
    }
    rows
}

fn question(issue: &str, known_at: i64, position_date: Option<&str>, posting_date: Option<&str>) -> Asked {
    let [position_date, posting_date] = [position_date, posting_date].map(|date| date.unwrap_or_default().to_owned());
    Asked { entity: ENTITY.to_owned(), bond_issue: issue.to_owned(), known_at, position_date, posting_date }
}

/// The principal of the row in force, of rows by date and sequence: the last known of the last date.
fn in_force<R>(rows: &[R], (day, known): (&str, i64), of: impl Fn(&R) -> (&str, i64, i64)) -> Option<i64> {
    let mut known_by_then = rows.iter().map(of).filter(|(date, sequence, _)| *date <= day && *sequence <= known);
    known_by_then.next_back().map(|(_, _, principal)| principal)
}

on_both! {
    async fn the_rows_in_force_are_those_of_a_fold_of_everything_written(books: Books) {
        let mut opening = opened();
        (opening.positions, opening.booked) = (Vec::new(), Vec::new());
        opening.records.clear();
        let mut dice = Dice(20_261_125);
        let (mut positions, mut booked_dates) = (BTreeMap::new(), BTreeMap::new());
        let mut events: Vec<Event> = Vec::new();
        let (mut early, mut early_known) = (Dates::default(), 0);
        let mut rows = opening;
        for sequence in 1..=120 {
            let effective = date(&mut dice);
            let posted = if dice.roll(3) == 0 { date(&mut dice) } else { effective.clone() };
            let through = date(&mut dice);
            events.push(Event { sequence, effective, posted, moved: dice.roll(1_000) as i64 - 300, through });
            let event = &events[events.len() - 1];
            rows.extend(rows_of(event, &events, [&mut positions, &mut booked_dates]));
            if sequence == 60 {
                let mut reading = books.store.reading().await.expect("reads");
                reading.reader().see_dates(ENTITY, ISSUE, &mut early).await.expect("reads");
                early.event_sequence = early_known;
            }
            // Some commands share a posting, as the writer does it.
            if dice.roll(4) == 0 || sequence == 120 {
                post(&books.store, &rows).await.expect("posts");
                rows = Rows::default();
                early_known = if sequence < 60 { sequence } else { early_known };
            }
        }
        let mut reading = books.store.reading().await.expect("reads");
        let mut dates = Dates::default();
        reading.reader().see_dates(ENTITY, ISSUE, &mut dates).await.expect("reads");
        reading.reader().see_dates(ENTITY, ISSUE, &mut early).await.expect("reads");
        let whole = (0, 120);
        let all_positions = reading.reader().positions_added(ENTITY, ISSUE, whole, 100_000).await.expect("reads");
        let all_booked = reading.reader().booked_added(ENTITY, ISSUE, whole, 100_000).await.expect("reads");
        // Read in two steps, the rows are the same.
        let (mut positions, mut booked_rows) = (Vec::new(), Vec::new());
        for step in [(0, 57), (57, 120)] {
            positions.extend(reading.reader().positions_added(ENTITY, ISSUE, step, 100_000).await.expect("reads"));
            booked_rows.extend(reading.reader().booked_added(ENTITY, ISSUE, step, 100_000).await.expect("reads"));
        }
        positions.sort_by_key(|row| (row.date.clone(), row.sequence));
        booked_rows.sort_by_key(|row| (row.posting_date.clone(), row.sequence));
        assert_eq!((&positions, &booked_rows), (&all_positions, &all_booked));
        assert_eq!(reading.reader().booked_added(ENTITY, ISSUE, whole, 7).await.expect("reads"), all_booked[..7]);
        let mut asked: Vec<String> = (0..40).map(|_| date(&mut dice)).collect();
        asked.extend(["2018-12-31", "2019-01-01", "2024-02-29", "2030-06-15", "2099-12-31", "0001-01-01"].map(String::from));
        let mut questions = Vec::new();
        let mut answers = Vec::new();
        for day in &asked {
            for known in [1, 2, 3, 5, 8, 13, 21, 40, 77, 119, 120, i64::MAX] {
                let said = format!("as of {day}, known {known}");
                let position = moved_by(&events, day, known, |event| &event.effective);
                let booked = moved_by(&events, day, known, |event| &event.posted);
                let through = through(&events, day, known);
                let accrued = through.as_ref().and_then(|day| moved_by(&events, day, known, |event| &event.effective));
                let found = reading.reader().carrying_page(ENTITY, day, known, "", 10).await.expect("reads").pop();
                let settled = opened().bond_issues[0].settlement_date <= *day;
                assert_eq!(found.is_some(), settled, "page {said}");
                if let Some(found) = found {
                    assert_eq!(found.position.as_ref().map(|row| row.principal), position, "position {said}");
                    assert_eq!(found.booked.as_ref().map(|row| row.principal), booked, "booked {said}");
                    assert_eq!(found.booked.as_ref().map(|row| &row.accrued_through), through.as_ref(), "through {said}");
                    assert_eq!(found.accrued_position.as_ref().map(|row| row.principal), accrued, "accrued {said}");
                }
                let of_rows = [
                    in_force(&positions, (day, known), |row| (&row.date, row.sequence, row.principal)),
                    in_force(&booked_rows, (day, known), |row| (&row.posting_date, row.sequence, row.principal)),
                ];
                assert_eq!(of_rows, [position, booked], "rows {said}");
                let at = if known == i64::MAX { known } else { record(known).recorded_at };
                let mut ask = |position_date, posting_date, principals| {
                    questions.push(question(ISSUE, at, position_date, posting_date));
                    answers.push((said.clone(), known.min(120), principals));
                };
                ask(dates.of_position(day, at), dates.of_booked(day, at), [position, booked]);
                ask(through.as_ref().and_then(|day| dates.of_position(day, at)), None, [accrued, None]);
            }
        }
        // Questions without an answer stand between the others, and take nothing from them.
        for (issue, at) in [(ISSUE, 0), ("ACME.none", i64::MAX)] {
            questions.insert(7, question(issue, at, None, None));
            answers.insert(7, ("not known".to_owned(), 0, [None; 2]));
        }
        let mut found = reading.reader().in_force(&questions[..1]).await.expect("reads");
        found.extend(reading.reader().in_force(&questions[1..]).await.expect("reads"));
        assert_eq!(found.len(), answers.len());
        for (rows, (said, known, principals)) in found.into_iter().zip(answers) {
            let Some(rows) = rows else {
                assert_eq!(known, 0, "{said}");
                continue;
            };
            assert_eq!(rows.known, known, "{said}");
            let found = [rows.position.map(|row| row.principal), rows.booked.map(|row| row.principal)];
            assert_eq!(found, principals, "{said}");
        }
        assert_eq!(reading.reader().in_force(&[]).await.expect("reads"), []);
        // Where nobody asks for rows there are none, and the rest is the same.
        let heads: Vec<Asked> = questions.iter().map(|asked| question(&asked.bond_issue, asked.known_at, None, None)).collect();
        let with_rows = reading.reader().in_force(&questions).await.expect("reads");
        for (head, with_rows) in reading.reader().in_force(&heads).await.expect("reads").into_iter().zip(with_rows) {
            assert_eq!(head, with_rows.map(|found| InForce { position: None, booked: None, ..found }));
        }
        // Read in two steps, an issue's dates are the same.
        assert_eq!(early, dates);
    }

    async fn a_later_event_starts_from_the_newest_row_of_each_date(books: Books) {
        post(&books.store, &opened()).await.expect("posts");
        let rows = Rows {
            records: vec![record(2), record(3)],
            positions: vec![
                position(ISSUE, "2024-06-01", 2, true, 900),
                position(ISSUE, "2024-03-01", 3, true, 800),
                position(ISSUE, "2024-06-01", 3, false, 700),
            ],
            booked: vec![booked(ISSUE, "2024-06-01", 3, true, 700, "2024-06-01")],
            ..Rows::default()
        };
        post(&books.store, &rows).await.expect("posts");
        let mut reading = books.store.reading().await.expect("reads");
        for (from, expected) in [
            ("2023-01-01", vec![("2024-01-01", 1), ("2024-03-01", 3), ("2024-06-01", 3)]),
            ("2024-01-01", vec![("2024-01-01", 1), ("2024-03-01", 3), ("2024-06-01", 3)]),
            ("2024-03-01", vec![("2024-01-01", 1), ("2024-03-01", 3), ("2024-06-01", 3)]),
            ("2024-03-02", vec![("2024-03-01", 3), ("2024-06-01", 3)]),
            ("2025-01-01", vec![("2024-06-01", 3)]),
        ] {
            let found = reading.reader().position_rows_from(ENTITY, ISSUE, from).await.expect("reads");
            let found: Vec<(&str, i64)> = found.iter().map(|row| (row.date.as_str(), row.sequence)).collect();
            assert_eq!(found, expected, "from {from}");
        }
        let found = reading.reader().booked_rows_from(ENTITY, ISSUE, "2024-05-01").await.expect("reads");
        let found: Vec<&str> = found.iter().map(|row| row.posting_date.as_str()).collect();
        assert_eq!(found, ["2024-01-01", "2024-06-01"]);
    }
}
