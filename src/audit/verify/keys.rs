//! References in use, and how far deliveries have come.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::{PAGE, Report};
use crate::delivery::Outcome;
use crate::posting::RecordError;
use crate::store::{BondIssueRow, DeliveryRow, EntityHeadRow, EventRow, NaturalKeyRow, Reader, Rows};

/// Kinds of references that are ids of events: of what a later event settled.
const SETTLED: [&str; 2] = ["acceptance", "surrender"];

/// Every reference in use names what has it.
pub(super) async fn check(entity: &str, reader: &mut Reader<'_>, report: &mut Report) -> Result<(), RecordError> {
    let mut after = (String::new(), String::new());
    loop {
        let page = reader.natural_keys_page(entity, (&after.0, &after.1), PAGE).await?;
        let Some(last) = page.last() else { break };
        after = (last.kind.clone(), last.reference.clone());
        let ids: Vec<&str> = page.iter().map(|key| key.id.as_str()).collect();
        let events: HashMap<String, EventRow> =
            reader.events_by_id(entity, &ids).await?.into_iter().map(|event| (event.id.clone(), event)).collect();
        for key in &page {
            let names = match events.get(&key.id) {
                Some(event) => names_event(key, event),
                None if key.kind == "bond_issue" => {
                    let issue = reader.bond_issue(entity, &key.id).await?;
                    issue.is_some_and(|issue| issue.reference == key.reference)
                }
                None => false,
            };
            if !names {
                report.add(
                    entity,
                    format!("the {} reference {} names {}, which has another", key.kind, key.reference, key.id),
                );
            }
        }
    }
    Ok(())
}

fn names_event(key: &NaturalKeyRow, event: &EventRow) -> bool {
    if SETTLED.contains(&key.kind.as_str()) {
        return settled(event, &key.kind).as_ref() == Some(&key.reference);
    }
    match &event.reference {
        Some(reference) => key.kind == kind(event) && *reference == key.reference,
        // That of an accrual of all issues is the command's, and names the first of its events.
        None => key.kind == "accrual" && event.kind == "accrual",
    }
}

/// The kind of command under which the reference of an event is kept.
fn kind(event: &EventRow) -> &str {
    match event.kind.as_str() {
        "inducement_acceptance" => "inducement",
        "surrender" => "conversion",
        kind => kind,
    }
}

/// The event that an event settled, by its request.
fn settled(event: &EventRow, kind: &str) -> Option<String> {
    let detail: serde_json::Value = serde_json::from_str(&event.detail).ok()?;
    detail["request"][kind].as_str().map(str::to_owned)
}

/// What an issue and its events are called is in use for them, unless they were taken back.
pub(super) async fn in_use(
    issue: &BondIssueRow,
    rows: &Rows,
    named: &str,
    reader: &mut Reader<'_>,
    report: &mut Report,
) -> Result<(), RecordError> {
    let reversed: HashSet<i64> = rows.reversals.iter().map(|reversal| reversal.reversed).collect();
    let mut expected: BTreeMap<&str, Vec<(String, &str)>> = BTreeMap::new();
    if !reversed.contains(&issue.sequence) {
        expected.entry("bond_issue").or_default().push((issue.reference.clone(), &issue.id));
    }
    for event in rows.events.iter().filter(|event| !reversed.contains(&event.sequence)) {
        // The event with which an issue begins has the issue's own.
        let own = event.reference.clone().filter(|_| event.sequence != issue.sequence);
        let own = own.map(|reference| (kind(event), reference));
        let of_settled = SETTLED.iter().filter_map(|kind| Some((*kind, settled(event, kind)?)));
        for (kind, reference) in own.into_iter().chain(of_settled) {
            expected.entry(kind).or_default().push((reference, &event.id));
        }
    }
    for (kind, expected) in expected {
        let references: Vec<&str> = expected.iter().map(|(reference, _)| reference.as_str()).collect();
        let found: HashMap<String, String> =
            reader.natural_keys(&issue.entity, kind, &references).await?.into_iter().collect();
        for (reference, id) in &expected {
            if found.get(reference).map(String::as_str) != Some(*id) {
                report.add(&issue.entity, format!("{named}: the {kind} reference {reference} is not kept for {id}"));
            }
        }
    }
    Ok(())
}

/// Destinations have been delivered what their attempts and commands say.
pub(super) async fn deliveries(
    head: &EntityHeadRow,
    reader: &mut Reader<'_>,
    report: &mut Report,
) -> Result<(), RecordError> {
    for destination in reader.destinations_without_delivery(&head.entity).await? {
        report.add(&head.entity, format!("it is not there how far the destination {destination} was delivered to"));
    }
    let mut after = String::new();
    loop {
        let page = reader.deliveries(&head.entity, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.destination);
        for delivery in &page {
            delivered(delivery, head.release, reader, report).await?;
        }
    }
}

async fn delivered(
    delivery: &DeliveryRow,
    newest: i64,
    reader: &mut Reader<'_>,
    report: &mut Report,
) -> Result<(), RecordError> {
    let DeliveryRow { entity, destination, .. } = delivery;
    let commands = reader.destination_commands(entity, destination, 0).await?;
    let mut followed = commands.iter().filter(|command| command.sequence <= delivery.sequence);
    let begun_after = followed.clone().rev().map(|command| command.after).find(|after| *after >= 0);
    if followed.next_back().map(|command| command.sequence) != Some(delivery.sequence) {
        report.add(entity, format!("the destination {destination} has followed a command that is not there"));
    }
    // An attempt that is being made is not written yet.
    let mut expected = delivery.attempt - i64::from(delivery.trying > 0);
    let (mut before, mut last_delivered) = (i64::MAX, None);
    loop {
        let page = reader.attempts(entity, destination, before, PAGE).await?;
        let Some(last) = page.last() else { break };
        before = last.attempt;
        for attempt in &page {
            if attempt.attempt != expected {
                let what = format!("attempt {expected} on the destination {destination} is not there");
                report.add(entity, what);
            }
            expected = attempt.attempt - 1;
            if attempt.outcome == Outcome::Delivered.as_str() {
                last_delivered = last_delivered.or(Some(attempt.release));
            }
        }
    }
    if expected != 0 {
        report.add(entity, format!("attempt {expected} on the destination {destination} is not there"));
    }
    let says = [begun_after, last_delivered];
    if delivery.delivered > newest || !says.contains(&Some(delivery.delivered)) {
        let what = format!(
            "release {} is the last one delivered to the destination {destination}, and neither its attempts nor its commands say so",
            delivery.delivered
        );
        report.add(entity, what);
    }
    Ok(())
}
