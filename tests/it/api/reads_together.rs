//! Carrying values that are asked for at once, and so share statements.

use std::cell::Cell;

use futures_util::future::{FutureExt, join, join_all};
use serde_json::{Value, json};

use crate::support::client::{ISSUES, Service, on_both_engines, text};

on_both_engines! {
    each_value_asked_for_at_once_is_the_one_asked_for_alone
    a_value_shows_what_was_acknowledged_before_it_was_asked_for
    a_value_of_rows_in_memory_is_the_one_that_the_store_has_the_rows_of
    a_value_of_a_history_that_grows_too_long_to_be_kept_is_the_same
    a_caller_that_goes_away_takes_nobodys_answer_along
    an_issue_whose_reader_goes_away_is_read_by_who_waited_for_it
    every_caller_is_told_that_the_database_is_gone
}

/// The address of a carrying value.
fn path(issue: &str, rest: &str) -> String {
    format!("{ISSUES}/{issue}/carrying-value?{rest}")
}

/// The status and the body of each, asked for at once.
async fn at_once(service: &Service, paths: &[String]) -> Vec<(u16, Value)> {
    join_all(paths.iter().map(|path| alone(service, path))).await
}

async fn alone(service: &Service, path: &str) -> (u16, Value) {
    let answer = service.get(path).await;
    let mut document = answer.json();
    // The id of the request, which no two share.
    document.as_object_mut().expect("an object").remove("instance");
    (answer.status, document)
}

/// An issue with a history: accruals, and conversions on their day and after it, one of them in a month that was accrued before.
async fn grow(service: &Service, reference: &str) -> String {
    let issue = service.issue(json!({"reference": reference, "proceeds": "950000.00"})).await;
    let convert = |date: &str| json!({"effective_date": date, "principal": "10000.00"});
    service.record(&issue, "conversions", convert("2025-02-20")).await;
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    service.record(&issue, "conversions", convert("2025-03-10")).await;
    service.record(&issue, "conversions", convert("2025-02-20")).await;
    issue
}

async fn each_value_asked_for_at_once_is_the_one_asked_for_alone(service: Service) {
    service.mapped_entity("ACME").await;
    let mut issues = Vec::new();
    let mut times = vec![String::new()];
    for nth in 0..4 {
        let issue = grow(&service, &format!("CB-{nth}")).await;
        let now = service.carrying_value(&issue, "2025-12-31").await;
        times.push(format!("&known_at={}", text(&now["known_at"])));
        issues.push(issue);
    }
    // Nothing was known then.
    times.push("&known_at=2001-01-01T00:00:00.000000Z".to_owned());
    issues.push("ACME.0199a3f2-7c00-7000-8000-000000000001".to_owned());
    issues.push("NONE.0199a3f2-7c00-7000-8000-000000000001".to_owned());
    let mut paths = Vec::new();
    for issue in &issues {
        for time in &times {
            for date in ["2025-01-14", "2025-01-15", "2025-02-20", "2025-03-15", "2025-04-30", "2029-06-30"] {
                paths.push(path(issue, &format!("as_of={date}{time}")));
                paths.push(path(issue, &format!("as_of={date}{time}&basis=posted")));
            }
        }
    }
    let first = at_once(&service, &paths).await;
    let mut one_by_one = Vec::new();
    for path in &paths {
        one_by_one.push(alone(&service, path).await);
    }
    let again = at_once(&service, &paths).await;
    for (nth, path) in paths.iter().enumerate() {
        assert_eq!(first[nth], one_by_one[nth], "{path}");
        assert_eq!(again[nth], one_by_one[nth], "{path}");
    }
    let with = |status: u16| one_by_one.iter().filter(|(found, _)| *found == status).count();
    // Of four issues, each is known at its own time and the later ones, and now.
    assert_eq!((with(200), with(404)), ((4 + 3 + 2 + 1 + 4) * 12, paths.len() - 14 * 12));
}

async fn a_value_shows_what_was_acknowledged_before_it_was_asked_for(service: Service) {
    service.mapped_entity("ACME").await;
    let issues = [grow(&service, "CB-1").await, grow(&service, "CB-2").await];
    let acknowledged = [Cell::new(0), Cell::new(0)];
    // Several callers an issue, each of whom reads what it has just converted while all others convert and read.
    let callers = (0..12).map(|caller| {
        let (service, issue, acknowledged) = (&service, &issues[caller % 2], &acknowledged[caller % 2]);
        async move {
            for turn in 0..6 {
                let date = ["2025-05-02", "2025-02-03", "2025-03-31"][(caller + turn) % 3];
                let body = json!({"effective_date": date, "principal": "1000.00"});
                service.record(issue, "conversions", body).await;
                acknowledged.set(acknowledged.get() + 1);
                let at_most = f64::from(970_000 - 1_000 * acknowledged.get());
                let value = service.carrying_value(issue, "2025-05-02").await;
                let principal: f64 = text(&value["principal"]).parse().expect("a figure");
                assert!(principal <= at_most, "at most {at_most}: {value}");
                assert_eq!(value["status"], json!("tied"), "{value}");
            }
        }
    });
    let others = (0..20).map(|_| async {
        for _ in 0..10 {
            join_all(issues.iter().map(|issue| service.carrying_value(issue, "2025-03-31"))).await;
        }
    });
    join(join_all(callers), join_all(others)).await;
    for issue in &issues {
        assert_eq!(service.carrying_value(issue, "2025-05-02").await["principal"], json!("934000.00"));
    }
}

/// One issue is answered from its rows in memory, to which each command's are added; the list of all reads the store.
async fn a_value_of_rows_in_memory_is_the_one_that_the_store_has_the_rows_of(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "950000.00"})).await;
    let mut times = Vec::new();
    let convert = |date: &str| ("conversions", json!({"effective_date": date, "principal": "10000.00"}));
    for (kind, body) in [
        convert("2025-02-20"),
        ("accruals", json!({"through": "2025-04-30"})),
        convert("2025-03-10"),
        ("coupon-payments", json!({"coupon_date": "2025-07-15"})),
        convert("2025-02-20"),
        convert("2025-03-10"),
        ("accruals", json!({"through": "2025-08-31"})),
        convert("2025-08-01"),
    ] {
        service.record(&issue, kind, body).await;
        times.push(text(&service.carrying_value(&issue, "2025-12-31").await["known_at"]).to_owned());
    }
    let dates = ["2025-01-15", "2025-02-20", "2025-03-09", "2025-03-10", "2025-04-30", "2025-07-15", "2025-09-30"];
    as_in_the_list(&service, &issue, &times, &dates).await;
}

/// Compares the value of the only issue with the one in the list of all.
async fn as_in_the_list(service: &Service, issue: &str, times: &[String], dates: &[&str]) {
    for time in times {
        for date in dates {
            for basis in ["effective", "posted"] {
                let rest = format!("as_of={date}&known_at={time}&basis={basis}");
                let (_, one) = alone(service, &path(issue, &rest)).await;
                let all = service.read(&format!("/v1/entities/ACME/carrying-values?{rest}")).await;
                assert_eq!(all["items"], json!([one]), "{rest}");
            }
        }
    }
}

/// A backdated conversion adds a row to each later date. Of more than 2,000 rows only the dates are kept.
async fn a_value_of_a_history_that_grows_too_long_to_be_kept_is_the_same(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "950000.00"})).await;
    let dates: Vec<String> = (0..60).map(|nth| format!("2025-{:02}-{:02}", 2 + nth / 20, 1 + nth % 20)).collect();
    let first = vec![dates[0].clone(); 40];
    let mut times = Vec::new();
    for (nth, date) in dates.iter().chain(&first).enumerate() {
        service.record(&issue, "conversions", json!({"effective_date": date, "principal": "1000.00"})).await;
        let value = service.carrying_value(&issue, "2025-12-31").await;
        assert_eq!(value["principal"], json!(format!("{}000.00", 1000 - 1 - nth)));
        if [10, 59, 61, 80, 91, 92, 93, 94, 99].contains(&nth) {
            times.push(text(&value["known_at"]).to_owned());
        }
    }
    as_in_the_list(&service, &issue, &times, &["2025-01-31", "2025-02-01", "2025-03-15", "2025-04-20", "2025-05-31"])
        .await;
}

async fn a_caller_that_goes_away_takes_nobodys_answer_along(service: Service) {
    service.mapped_entity("ACME").await;
    let issues = [grow(&service, "CB-1").await, grow(&service, "CB-2").await];
    let mut expected = Vec::new();
    for issue in &issues {
        expected.push(service.carrying_value(issue, "2025-06-30").await);
    }
    for _ in 0..20 {
        let mut asked = Vec::new();
        for caller in 0..30 {
            let mut value = Box::pin(service.carrying_value(&issues[caller % 2], "2025-06-30"));
            // It has put its question.
            assert!(value.as_mut().now_or_never().is_none());
            if caller % 3 > 0 {
                asked.push((caller, value));
            }
        }
        for (caller, value) in asked {
            assert_eq!(value.await, expected[caller % 2]);
        }
    }
}

async fn an_issue_whose_reader_goes_away_is_read_by_who_waited_for_it(service: Service) {
    service.mapped_entity("ACME").await;
    for nth in 0..10 {
        let issue = grow(&service, &format!("CB-{nth}")).await;
        let ask = || Box::pin(service.carrying_value(&issue, "2025-06-30"));
        // Nobody has asked for it before: the first reads it, and the others wait for that.
        let mut asked: Vec<_> = (0..20).map(|_| ask()).collect();
        for value in &mut asked {
            assert!(value.as_mut().now_or_never().is_none());
        }
        drop(asked.remove(0));
        let answers = join_all(asked).await;
        let expected = service.carrying_value(&issue, "2025-06-30").await;
        assert!(answers.iter().all(|answer| *answer == expected), "{answers:?}");
    }
}

async fn every_caller_is_told_that_the_database_is_gone(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = grow(&service, "CB-1").await;
    service.carrying_value(&issue, "2025-06-30").await;
    service.store.close().await;
    let path = path(&issue, "as_of=2025-06-30");
    for _ in 0..2 {
        for answer in join_all((0..20).map(|_| service.get(&path))).await {
            answer.problem(503, "unavailable");
        }
    }
}
