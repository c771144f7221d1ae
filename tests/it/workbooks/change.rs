//! Inputs that are changed by hand, and cells that are broken.

use std::collections::HashMap;

use calamine::Data;
use serde_json::Value;

use super::cells::{Book, are_alike, differences, edited, number};
use super::portfolio::{Other, issued, live, planned};
use super::workbook;
use crate::support::client::{Service, array, on, text};
use crate::support::office::{is_there, recalculated};

/// What the days are: the books of most issues are open when they begin.
const DAYS: [(&str, &str); 2] = [("2025-01-01", "2026-03-31"), ("2025-06-01", "2025-12-31")];

/// The input that holds a term, and what it is in units of the term: the interface has prices in percent.
const INPUTS: [(&str, &str, f64); 5] = [
    ("coupon_rate", "Coupon rate", 1.0),
    ("proceeds", "Proceeds", 1.0),
    ("issue_costs", "Issue costs", 1.0),
    ("redemption_price", "Redemption price", 0.01),
    ("stated_effective_rate", "Stated effective rate", 1.0),
];

/// The workbook with the inputs of another life, and of how many issues they are others.
fn with_others(bytes: &[u8], other: Other) -> (Vec<u8>, usize) {
    let book = Book::read(bytes);
    let (mut cells, mut changed) = (Vec::new(), 0);
    for row in book.rows("Inputs") {
        let reference = book.under("Inputs", row, "Issue").to_string();
        let issue = planned().into_iter().find(|issue| issue.reference == reference).expect("an issue");
        let Some(others) = issue.other(other) else { continue };
        changed += 1;
        for (field, value) in others.as_object().expect("terms") {
            let (_, heading, unit) = INPUTS.iter().find(|(known, ..)| known == field).expect("an input");
            let value: f64 = text(value).parse().expect("a number");
            cells.push(((row, book.column("Inputs", heading)), value * unit));
        }
    }
    (edited(bytes, "Inputs", &cells), changed)
}

/// Changes an input of every issue in one workbook, and compares it with the workbook and the answers for an entity in which the issues
/// were recorded so and lived through the same. Each input that may be changed in turn.
#[tokio::test]
async fn another_input_leads_to_what_the_service_says_of_it() {
    if !is_there() {
        return;
    }
    let service = Service::sqlite().await;
    service.mapped_entity("ACME").await;
    live(&service, "ACME", &issued(&service, "ACME", None).await).await;
    let (mut files, mut expected) = (Vec::new(), Vec::new());
    for (other, entity) in Other::ALL.into_iter().zip(["RATE", "PROCEEDS", "COSTS", "PRICE", "STATED"]) {
        service.mapped_entity(entity).await;
        let ids = issued(&service, entity, Some(other)).await;
        live(&service, entity, &ids).await;
        for days in DAYS {
            let (changed, count) = with_others(&workbook(&service, "ACME", days, "USD").await, other);
            assert!(count >= 2, "{other:?} is another for {count} issues");
            files.push(changed);
            expected.push((other, entity, days, count, ids.clone()));
        }
    }
    let anew = recalculated(&files).expect("it is there");
    for (anew, (other, entity, days, count, ids)) in anew.iter().zip(expected) {
        let anew = Book::read(anew);
        let as_recorded = Book::read(&workbook(&service, entity, days, "USD").await);
        let found = differences(&as_recorded, &anew, 2, is_own(&anew));
        assert!(found.is_empty(), "{other:?}: {} cells differ: {:#?}", found.len(), &found[..found.len().min(20)]);
        assert_eq!(anew.overall(), "holds", "{other:?}");
        assert_eq!(anew.at("Checks", (2, 1)).to_string(), format!("{count} changed"), "{other:?}");
        assert_eq!(number(anew.at("Checks", (3, 1))), Some(0.0), "{other:?}: stated figures");
        let path = format!("/v1/entities/{entity}/rollforward?from={}&to={}", days.0, days.1);
        check_lines(&anew, &service.read(&path).await);
        for (reference, id) in &ids {
            check_schedule(&anew, reference, &service.read(&on(id, "schedule")).await);
        }
    }
}

/// Cells that are of an entity itself: its names, what was recorded, and the service's figures as values.
fn is_own(book: &Book) -> impl Fn(&str, &str, u32) -> bool {
    let basis = book.column("Checks", "Formulas");
    let is_beside = |row: &u32| *book.under("Rollforward", *row, "Issue") == "Comparative";
    let beside: Vec<u32> = book.rows("Rollforward").filter(is_beside).collect();
    assert!(!beside.is_empty());
    let is_of_service: Vec<u32> =
        book.rows("Checks").filter(|row| *book.at("Checks", (*row, basis)) != "both sides are formulas").collect();
    move |sheet: &str, heading: &str, row: u32| match sheet {
        "Rollforward" => {
            row < Book::head(sheet)
                || beside.contains(&row)
                || ["Batches", "Carrying amount by the service"].contains(&heading)
        }
        "Checks" => row < Book::head(sheet) || is_of_service.contains(&row),
        "Inputs" => heading == "Bond issue" || heading == "Changed" || heading.starts_with("Recorded"),
        "Events" | "Journals" => heading == "Batch",
        _ => false,
    }
}

/// The first sheet says what the answer says.
fn check_lines(book: &Book, report: &Value) {
    let mut expected: HashMap<(String, String), &Value> = HashMap::new();
    let issues = array(&report["issues"]).iter().map(|issue| (text(&issue["reference"]), &issue["lines"]));
    for (reference, lines) in issues.chain([("Total", &report["total"])]) {
        for line in array(lines) {
            expected.insert((reference.to_owned(), text(&line["movement"]).to_owned()), line);
        }
    }
    let fields = [
        ("Principal", "principal"),
        ("Premium or discount", "premium_discount"),
        ("Issue costs", "issue_costs"),
        ("Carrying amount", "carrying_amount"),
        ("Interest payable", "interest_payable"),
        ("Coupon interest", "coupon_interest"),
        ("Amortization", "amortization"),
        ("Debt conversion expense", "debt_conversion_expense"),
        ("Expense", "expense"),
        ("Gain or loss", "gain_loss"),
        ("Cash", "cash"),
        ("Common stock", "common_stock"),
        ("Additional paid-in capital", "additional_paid_in_capital"),
        ("Paid-in capital", "paid_in_capital"),
        ("Shares", "shares"),
    ];
    let mut compared = 0;
    for row in book.rows("Rollforward") {
        let key = ["Issue", "Movement"].map(|heading| book.under("Rollforward", row, heading).to_string());
        let [reference, movement] = key;
        let Some(line) = expected.remove(&(reference.clone(), movement.clone())) else { continue };
        for (heading, field) in fields {
            let figure: f64 = text(&line[field]).parse().expect("a figure");
            let cell = book.under("Rollforward", row, heading);
            assert!(
                are_alike(cell, &Data::Float(figure), heading, 2),
                "{reference} {movement} {heading}: {cell:?}, {figure}"
            );
            compared += 1;
        }
    }
    assert!(expected.is_empty() && compared > 400, "{compared} figures, not found: {expected:?}");
}

/// The schedule of the principal issued.
fn check_schedule(book: &Book, reference: &str, schedule: &Value) {
    let of_issue = |row: &u32| {
        let is = |heading: &str, text: &str| *book.under("Schedule", *row, heading) == text;
        is("Issue", reference) && is("Row", "period")
    };
    let rows: Vec<u32> = book.rows("Schedule").filter(of_issue).collect();
    assert_eq!(rows.len(), array(&schedule["rows"]).len(), "{reference}");
    for (row, expected) in rows.into_iter().zip(array(&schedule["rows"])) {
        for (heading, field) in [
            ("Coupon", "coupon"),
            ("Interest expense", "interest_expense"),
            ("Amortization", "amortization"),
            ("Premium or discount", "premium_discount"),
            ("Issue costs", "issue_costs"),
            ("Carrying amount", "carrying_amount"),
        ] {
            let figure: f64 = text(&expected[field]).parse().expect("a figure");
            let cell = book.under("Schedule", row, heading);
            assert!(are_alike(cell, &Data::Float(figure), heading, 2), "{reference} {heading}: {cell:?}, {expected}");
        }
    }
}

/// A number written over a figure anywhere: the one cell says that something does not hold, and which check it is.
#[tokio::test]
async fn whatever_is_broken_does_not_hold() {
    if !is_there() {
        return;
    }
    let service = Service::sqlite().await;
    service.mapped_entity("ACME").await;
    let issues = issued(&service, "ACME", None).await;
    live(&service, "ACME", &issues).await;
    let bytes = workbook(&service, "ACME", DAYS[1], "USD").await;
    let book = Book::read(&bytes);
    // The first cell of each column that holds a number other than nothing.
    let place = |sheet: &str, heading: &str| {
        let column = book.column(sheet, heading);
        let mut rows = book.rows(sheet);
        let row = rows.find(|row| matches!(book.at(sheet, (*row, column)), Data::Float(number) if number.abs() > 0.5));
        ((row.expect("a figure"), column), number(book.at(sheet, (row.expect("a figure"), column))).expect("a number"))
    };
    let broken = [
        ("Events", "Price or fair value given"),
        ("Events", "Principal"),
        ("Events", "Premium or discount"),
        ("Events", "Interest payable"),
        ("Events", "Cash"),
        ("Events", "Coupon interest"),
        ("Events", "Additional paid-in capital"),
        ("Events", "Gain or loss"),
        ("Events", "Premium or discount after"),
        ("Journals", "Debit"),
        ("Journals", "Credit"),
        ("Rollforward", "Premium or discount"),
        ("Rollforward", "Cash"),
        ("Rollforward", "Carrying amount"),
        ("Schedule", "Days"),
        ("Schedule", "Interest days"),
    ];
    let files: Vec<Vec<u8>> = broken
        .iter()
        .map(|(sheet, heading)| {
            let (place, value) = place(sheet, heading);
            edited(&bytes, sheet, &[(place, value + 1.0)])
        })
        .collect();
    for (anew, what) in recalculated(&files).expect("it is there").iter().zip(broken) {
        let anew = Book::read(anew);
        assert_eq!(anew.overall(), "does not hold", "{what:?}");
        let failed =
            anew.rows("Checks").filter(|row| *anew.under("Checks", *row, "Holds") == Data::Bool(false)).count();
        assert!(failed > 0, "{what:?}");
    }
}
