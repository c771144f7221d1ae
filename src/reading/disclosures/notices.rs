//! Notices of conversion that were received and are not settled: bonds that are surrendered, one notice after the other.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::posting::RecordError;
use crate::reading::ReadError;
use crate::reading::outstanding::Outstanding;
use crate::store::{EventRow, Reader};

/// How many events are read at once.
const PAGE: i64 = 500;

/// A notice whose bonds are surrendered by the date and not settled on it.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct UnsettledNotice {
    /// That recorded the surrender.
    pub event: String,
    pub bond_issue: String,
    pub reference: String,
    pub conversion_date: String,
    pub principal: String,
    /// As it was on the conversion date, at which it stays until the bonds are settled.
    pub carrying_amount: String,
    /// When it was settled after the date, as far as that is recorded by `known_at`.
    pub settled_on: Option<String>,
}

/// The notices of an issue that are not settled at the close of `as_of`, as known at a sequence, in order of record. To be asked of an issue
/// that has bonds surrendered.
///
/// # Errors
/// When the store cannot be read.
pub(super) async fn unsettled(
    entity: &str,
    issue: &Outstanding,
    as_of: &str,
    known: i64,
    reader: &mut Reader<'_>,
) -> Result<Vec<UnsettledNotice>, ReadError> {
    let mut notices: BTreeMap<i64, UnsettledNotice> = BTreeMap::new();
    let mut after = 0;
    loop {
        let page = reader.notices(entity, &issue.id, (after, known), PAGE).await?;
        let Some(last) = page.last() else { return Ok(notices.into_values().collect()) };
        after = last.sequence;
        for event in &page {
            let detail: Value =
                serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
            if let Some(surrender) = detail.pointer("/request/surrender").and_then(Value::as_str) {
                settle(&mut notices, surrender, event, as_of);
            } else if let Some(notice) = notice(event, &detail, &issue.reference, as_of) {
                notices.insert(event.sequence, notice);
            }
        }
    }
}

fn settle(notices: &mut BTreeMap<i64, UnsettledNotice>, surrender: &str, settlement: &EventRow, as_of: &str) {
    let Some((sequence, notice)) = notices.iter_mut().find(|(_, notice)| notice.event == surrender) else { return };
    if settlement.effective_date.as_str() > as_of {
        notice.settled_on = Some(settlement.effective_date.clone());
    } else {
        let sequence = *sequence;
        notices.remove(&sequence);
    }
}

/// The notice of an event that surrendered bonds by the date and did not settle them by it.
fn notice(event: &EventRow, detail: &Value, reference: &str, as_of: &str) -> Option<UnsettledNotice> {
    let figure = |name: &str| Some(detail.pointer(&format!("/surrender/{name}"))?.as_str()?.to_owned());
    let conversion_date = figure("conversion_date").filter(|date| date.as_str() <= as_of)?;
    // One event may hold both; a surrender recorded alone has its conversion date for its own.
    let is_settled_too = event.kind == "conversion";
    if is_settled_too && event.effective_date.as_str() <= as_of {
        return None;
    }
    Some(UnsettledNotice {
        event: event.id.clone(),
        bond_issue: event.bond_issue.clone(),
        reference: reference.to_owned(),
        conversion_date,
        principal: figure("principal")?,
        carrying_amount: figure("carrying_amount")?,
        settled_on: is_settled_too.then(|| event.effective_date.clone()),
    })
}
