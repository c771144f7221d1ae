//! CSV layouts: stored under a name, a version each time one differs from the newest.

use super::error::RecordError;
use super::record::{Done, OK, json};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use crate::accounting::Refusal;
use crate::document::wire::Timestamp;
use crate::document::{Layout, LayoutDocument, StoredLayout};
use crate::store::{LayoutRow, Reader, Rows};

/// Stores a layout. One that equals the newest of its name is not stored again, so that the same request is answered the same.
///
/// # Errors
/// A refusal of the name.
pub(super) async fn store(
    session: &Session<'_>,
    workspace: &mut Workspace,
    (name, layout): (&str, &Layout),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let allowed = |letter: u8| letter.is_ascii_lowercase() || letter.is_ascii_digit() || matches!(letter, b'-' | b'_');
    if !(1..=40).contains(&name.len()) || !name.bytes().all(allowed) {
        return Err(Refusal::invalid("name", name, "it must be 1 to 40 of a-z, 0-9, '-' and '_'").into());
    }
    let entity = workspace.head.entity.clone();
    let newest = reader.layout(&entity, name, i64::MAX).await?;
    if let Some(newest) = &newest {
        let stored = stored_layout(newest)?;
        if stored.layout == *layout.document() {
            return session.nothing_to_do(&entity, Recorded::new(OK, &stored)?, reader).await;
        }
    }
    let stamp = session.stamp(workspace);
    let row = LayoutRow {
        entity,
        name: name.to_owned(),
        version: newest.map_or(1, |newest| newest.version + 1),
        sequence: stamp.sequence,
        recorded_at: stamp.recorded_at,
        document: json(layout.document())?,
    };
    let recorded = Recorded::new(OK, &stored_layout(&row)?)?;
    let mut rows = Rows::default();
    rows.layouts.push(row);
    session.finish(workspace, &stamp, ("layout", name), &mut rows, &recorded)?;
    Ok(Done::new(recorded, rows))
}

/// A layout as it is answered, from its row.
///
/// # Errors
/// When stored JSON cannot be read.
pub fn stored_layout(row: &LayoutRow) -> Result<StoredLayout, RecordError> {
    let layout: LayoutDocument =
        serde_json::from_str(&row.document).map_err(|error| RecordError::corrupt("layout", error))?;
    Ok(StoredLayout {
        name: row.name.clone(),
        version: row.version,
        recorded_at: Timestamp::from_microseconds(row.recorded_at).map(|time| time.to_string()).unwrap_or_default(),
        layout,
    })
}
