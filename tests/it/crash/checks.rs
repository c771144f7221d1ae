//! What must hold in the books of an entity at any time, seen from outside.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde_json::Value;

use super::client::Client;
use crate::support::process;

/// An event as the service lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    pub id: String,
    pub kind: String,
    pub sequence: i64,
    pub issue: String,
}

fn text<'a>(document: &'a Value, field: &str) -> &'a str {
    document[field].as_str().unwrap_or_else(|| panic!("{field} is missing in {document}"))
}

/// The events of some issues, all but their issuances checked to have batches of their own.
pub async fn events(client: &Client, issues: &[String]) -> Vec<Listed> {
    let mut events = Vec::new();
    for issue in issues {
        for event in client.items(&format!("/v1/bond-issues/{issue}/events")).await {
            assert!(!event["journal_batches"].as_array().expect("an event has batches").is_empty(), "{event}");
            events.push(Listed {
                id: text(&event, "id").to_owned(),
                kind: text(&event, "kind").to_owned(),
                sequence: event["sequence"].as_i64().expect("an event has a sequence"),
                issue: issue.clone(),
            });
        }
    }
    events
}

/// `numbers` are 1, 2, 3 and so on, each once.
#[track_caller]
pub fn gap_free(what: &str, numbers: impl IntoIterator<Item = i64>) {
    let mut numbers: Vec<i64> = numbers.into_iter().collect();
    numbers.sort_unstable();
    let expected: Vec<i64> = (1..).take(numbers.len()).collect();
    assert_eq!(numbers, expected, "{what}: gaps or repetitions");
}

/// Checks all counters of an entity opened by [`Client::open_entity`] whose events are these, and that its batches hold exactly
/// these events, entry by entry in balance. Every record but the first two is an event of one issue.
pub async fn check_entity(client: &Client, entity: &str, events: &[Listed]) {
    gap_free("sequence", [1, 2].into_iter().chain(events.iter().map(|event| event.sequence)));
    let batches = client.items(&format!("/v1/journal-batches?entity={entity}")).await;
    let mut numbers: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    let mut posted: BTreeMap<&str, i64> = BTreeMap::new();
    for batch in &batches {
        let (year, number) = text(batch, "number").rsplit_once('-').expect("a number has parts");
        numbers.entry(year).or_default().push(number.parse().expect("a number ends in digits"));
        for entry in batch["entries"].as_array().expect("a batch has entries") {
            check_balance(entry);
            posted.insert(text(entry, "event"), batch["sequence"].as_i64().expect("a batch has a sequence"));
        }
    }
    for (year, numbers) in numbers {
        gap_free(year, numbers);
    }
    let listed: BTreeMap<&str, i64> = events.iter().map(|event| (event.id.as_str(), event.sequence)).collect();
    assert_eq!(listed.len(), events.len(), "an event is listed twice");
    assert_eq!(posted, listed, "the batches hold other events than are listed");
    let releases = client.releases(entity).await;
    gap_free("release", releases.iter().map(|release| release["release"].as_i64().expect("a release has a number")));
    let released: BTreeSet<&str> = releases.iter().map(|release| text(release, "batch")).collect();
    let batched: BTreeSet<&str> = batches.iter().map(|batch| text(batch, "id")).collect();
    assert_eq!((released, releases.len()), (batched, batches.len()), "each batch is released once");
}

fn check_balance(entry: &Value) {
    let lines = entry["lines"].as_array().expect("an entry has lines");
    let side = |side: &str| -> Decimal {
        let lines = lines.iter().filter(|line| line["side"] == side);
        lines.map(|line| text(line, "amount").parse::<Decimal>().expect("an amount")).sum()
    };
    assert!(side("debit") == side("credit") && side("debit") > Decimal::ZERO, "{entry}");
}

/// Runs `parwright verify` and checks that it finds that many records and nothing wrong.
#[track_caller]
pub fn verify(database_url: &str, records: usize) {
    let run = process::run(["verify", "--database-url", database_url]);
    let (out, err) = (String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{}\n{out}{err}", run.status);
    let summary = out.lines().last().unwrap_or_default();
    assert!(summary.contains(&format!(" {records} records, ")) && summary.ends_with(": sound"), "{records}: {out}");
}
