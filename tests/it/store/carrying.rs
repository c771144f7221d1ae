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

/// Gives each figure of the rows a value that no other figure of its row has.
fn with_all_figures(rows: &mut Rows) {
    for (row, of) in rows.positions.iter_mut().zip(1..) {
        [row.interest_due, row.with_next_coupon, row.interest_receivable] = [of * 100 + 1, of * 100 + 2, of * 100 + 3];
        [
            row.moved_principal,
            row.moved_premium_discount,
            row.moved_issue_costs,
            row.moved_interest,
            row.moved_equity,
        ] = std::array::from_fn(|nth| of * 100 + 10 + nth as i64);
        [
            row.surrendered_principal,
            row.surrendered_premium_discount,
            row.surrendered_issue_costs,
            row.surrendered_interest,
            row.surrendered_equity,
        ] = std::array::from_fn(|nth| of * 100 + 20 + nth as i64);
    }
    for (row, of) in rows.booked.iter_mut().zip(1..) {
        [
            row.premium_discount,
            row.issue_costs,
            row.interest_payable,
            row.interest_receivable,
            row.equity_component,
            row.later_premium_discount,
            row.later_issue_costs,
            row.later_interest_payable,
            row.later_interest_receivable,
            row.later_equity_component,
        ] = std::array::from_fn(|nth| of * 100 + nth as i64);
        row.accrued_boundary = "2037-12-29".to_owned();
        row.later_posting_date = (of % 2 == 0).then(|| "2038-01-31".to_owned());
    }
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
    with_all_figures(&mut rows);
    rows
}

fn question(issue: &str, known_at: i64) -> Asked {
    Asked { entity: ENTITY.to_owned(), bond_issue: issue.to_owned(), known_at }
}

fn added(after: i64, through: i64) -> Added<'static> {
    Added { entity: ENTITY, bond_issue: ISSUE, after, through }
}

/// The digits of a date, or 0.
fn digits(date: Option<&String>) -> i64 {
    date.map_or(0, |date| date.replace('-', "").parse().expect("a date has digits"))
}

fn figures_of_position(row: &PositionRow) -> (i64, Figures) {
    let figures = [
        row.principal,
        row.interest_due,
        row.with_next_coupon,
        row.interest_receivable,
        row.moved_principal,
        row.moved_premium_discount,
        row.moved_issue_costs,
        row.moved_interest,
        row.moved_equity,
        row.surrendered_principal,
        row.surrendered_premium_discount,
        row.surrendered_issue_costs,
        row.surrendered_interest,
        row.surrendered_equity,
    ];
    (row.sequence, figures)
}

fn figures_of_booked(row: &BookedRow) -> (i64, Figures) {
    let [accrued, boundary] = [&row.accrued_through, &row.accrued_boundary].map(|date| digits(Some(date)));
    let figures = [
        row.principal,
        row.premium_discount,
        row.issue_costs,
        row.interest_payable,
        row.interest_receivable,
        row.equity_component,
        accrued,
        boundary,
        digits(row.later_posting_date.as_ref()),
        row.later_premium_discount,
        row.later_issue_costs,
        row.later_interest_payable,
        row.later_interest_receivable,
        row.later_equity_component,
    ];
    (row.sequence, figures)
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
        let mut rows = opening;
        for sequence in 1..=120 {
            let effective = date(&mut dice);
            let posted = if dice.roll(3) == 0 { date(&mut dice) } else { effective.clone() };
            let through = date(&mut dice);
            events.push(Event { sequence, effective, posted, moved: dice.roll(1_000) as i64 - 300, through });
            let event = &events[events.len() - 1];
            rows.extend(rows_of(event, &events, [&mut positions, &mut booked_dates]));
            // Some commands share a posting, as the writer does it.
            if dice.roll(4) == 0 || sequence == 120 {
                post(&books.store, &rows).await.expect("posts");
                rows = Rows::default();
            }
        }
        let mut reading = books.store.reading().await.expect("reads");
        let newest = reading.reader().newest(ENTITY, ISSUE).await.expect("reads").expect("the issue is there").event_sequence;
        let all_positions = reading.reader().positions_added(added(0, 120), 100_000).await.expect("reads");
        let all_booked = reading.reader().booked_added(added(0, 120), 100_000).await.expect("reads");
        // Read in two steps, the rows are the same, and so are the dates.
        let (mut positions, mut booked_rows, mut seen) = (Vec::new(), Vec::new(), Vec::new());
        for step in [added(0, 57), added(57, 120)] {
            positions.extend(reading.reader().positions_added(step, 100_000).await.expect("reads"));
            booked_rows.extend(reading.reader().booked_added(step, 100_000).await.expect("reads"));
            seen.extend(reading.reader().dates_added(step).await.expect("reads"));
        }
        positions.sort_by_key(|row| (row.date.clone(), row.sequence));
        booked_rows.sort_by_key(|row| (row.posting_date.clone(), row.sequence));
        assert_eq!((&positions, &booked_rows), (&all_positions, &all_booked));
        assert_eq!(reading.reader().booked_added(added(0, 120), 7).await.expect("reads"), all_booked[..7]);
        let mut of_rows: Vec<(&str, &str, i64)> = Vec::new();
        let firsts = all_positions.iter().filter(|row| row.first == 1);
        of_rows.extend(firsts.map(|row| ("position", row.date.as_str(), row.sequence)));
        let firsts = all_booked.iter().filter(|row| row.first == 1);
        of_rows.extend(firsts.map(|row| ("booked", row.posting_date.as_str(), row.sequence)));
        let mut dates: Vec<_> = seen.iter().map(|seen| (seen.axis.as_str(), seen.date.as_str(), seen.sequence)).collect();
        of_rows.sort_unstable();
        dates.sort_unstable();
        assert_eq!(dates, of_rows);
        // The figures at a date are those of its rows.
        for (axis, day, _) in dates {
            for step in [added(0, 120), added(57, 120), added(0, 57)] {
                let in_step = |sequence: i64| sequence > step.after && sequence <= step.through;
                let (found, expected): (_, Vec<_>) = if axis == "position" {
                    let rows = all_positions.iter().filter(|row| row.date == day && in_step(row.sequence));
                    (reading.reader().positions_on(step, day).await, rows.map(figures_of_position).collect())
                } else {
                    let rows = all_booked.iter().filter(|row| row.posting_date == day && in_step(row.sequence));
                    (reading.reader().booked_on(step, day).await, rows.map(figures_of_booked).collect())
                };
                assert_eq!(found.expect("reads"), expected, "{axis} on {day}");
            }
        }
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
                questions.push(question(ISSUE, at));
                answers.push((said, known.min(120)));
            }
        }
        // Questions without an answer stand between the others, and take nothing from them.
        for (issue, at) in [(ISSUE, 0), ("ACME.none", i64::MAX)] {
            questions.insert(7, question(issue, at));
            answers.insert(7, ("not known".to_owned(), 0));
        }
        let mut found = reading.reader().heads(&questions[..1]).await.expect("reads");
        found.extend(reading.reader().heads(&questions[1..]).await.expect("reads"));
        assert_eq!(found.len(), answers.len());
        for (head, (said, known)) in found.into_iter().zip(answers) {
            let Some(head) = head else {
                assert_eq!(known, 0, "{said}");
                continue;
            };
            assert_eq!((head.known, head.recorded_at), (known, record(known).recorded_at), "{said}");
            assert_eq!(head.event_sequence, newest, "{said}");
        }
        assert_eq!(reading.reader().heads(&[]).await.expect("reads"), []);
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
