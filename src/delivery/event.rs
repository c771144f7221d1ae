//! What is sent: a CloudEvent (version 1.0, structured JSON) around a release.

use serde::Serialize;

use crate::reading::ReleaseDocument;

/// The media type (CloudEvents HTTP binding, structured mode).
pub const MEDIA_TYPE: &str = "application/cloudevents+json";

/// The type of the event that a batch was released. A change that a receiver must know of makes another one.
const RELEASED: &str = "parwright.journal-batch.released.v1";

#[derive(Serialize)]
struct Event<'a> {
    specversion: &'static str,
    id: String,
    source: String,
    #[serde(rename = "type")]
    type_: &'static str,
    subject: &'a str,
    time: &'a str,
    datacontenttype: &'static str,
    sequence: String,
    data: &'a ReleaseDocument,
}

/// What tells a release from every other one of its entity, and is the same however often it is sent: the batch's number and the
/// revision.
pub fn id(release: &ReleaseDocument) -> String {
    format!("{}.{}", release.number, release.revision)
}

/// The event of a release: the feed that it stands in as `source`, the batch's number as `subject`, the number of the release as
/// `sequence` (that extension is compared as text, hence the zeros), and the release as the feed shows it as `data`.
///
/// # Errors
/// When it cannot be written as JSON, which its types do not allow.
pub fn of(entity: &str, release: &ReleaseDocument) -> Result<Vec<u8>, serde_json::Error> {
    serde_json::to_vec(&Event {
        specversion: "1.0",
        id: id(release),
        source: format!("/v1/entities/{entity}/releases"),
        type_: RELEASED,
        subject: &release.number,
        time: &release.released_at,
        datacontenttype: "application/json",
        sequence: format!("{:019}", release.release),
        data: release,
    })
}
