//! Destinations of releases: the commands on them, and what one is after them.
//!
//! A command is recorded under the entity's lock and changes nothing of the deliveries, which somebody else may be making: whoever
//! delivers follows the commands that came since, under the lease.

use super::error::RecordError;
use super::record::{CREATED, Done, OK};
use super::recorder::Recorded;
use super::session::Session;
use super::workspace::Workspace;
use crate::accounting::Refusal;
use crate::document::wire::Timestamp;
use crate::document::{DestinationDocument, DestinationState};
use crate::store::{DeliveryRow, DestinationRow, Reader, Rows};

/// What is asked of a destination.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DestinationCommand {
    /// To be there. The address was looked at before.
    Create {
        url: String,
        after: i64,
    },
    Pause,
    /// To be delivered to, at once and from where it stands.
    Resume,
    /// To be delivered to from after a release.
    Replay {
        after: i64,
    },
    Close,
}

pub const ACTIVE: &str = "active";
const PAUSED: &str = "paused";
const CLOSED: &str = "closed";
pub const PARKED: &str = "parked";
pub const GONE: &str = "gone";

/// Says in a command that it begins where the one before left off.
const WHERE_IT_WAS: i64 = -1;

/// A destination with all commands on it followed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Destination {
    /// The newest command.
    pub command: DestinationRow,
    pub delivery: DeliveryRow,
}

impl Destination {
    /// Reads a destination.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn read(entity: &str, name: &str, reader: &mut Reader<'_>) -> Result<Option<Destination>, RecordError> {
        match reader.delivery(entity, name).await? {
            Some(delivery) => Self::follow(delivery, reader).await.map(Some),
            None => Ok(None),
        }
    }

    /// Deliveries after the commands on their destination that they have not followed yet.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn follow(mut delivery: DeliveryRow, reader: &mut Reader<'_>) -> Result<Destination, RecordError> {
        let from = delivery.sequence;
        let commands = reader.destination_commands(&delivery.entity, &delivery.destination, from).await?;
        for command in commands.iter().filter(|command| command.sequence > from) {
            followed(&mut delivery, command);
        }
        let command = commands.into_iter().next_back();
        let command = command.ok_or_else(|| RecordError::corrupt("destination", "it has no command"))?;
        Ok(Destination { command, delivery })
    }

    /// What it does.
    pub fn state(&self) -> DestinationState {
        match (self.command.state.as_str(), self.delivery.state.as_str()) {
            (CLOSED, _) => DestinationState::Closed,
            (PAUSED, _) => DestinationState::Paused,
            (_, PARKED) => DestinationState::Parked,
            (_, GONE) => DestinationState::Gone,
            _ => DestinationState::Active,
        }
    }

    /// The destination as it is answered, beside the newest release of its entity.
    pub fn document(&self, newest_release: i64) -> DestinationDocument {
        let Destination { command, delivery } = self;
        let state = self.state();
        let waits = state == DestinationState::Active && delivery.failures > 0;
        DestinationDocument {
            entity: command.entity.clone(),
            name: command.name.clone(),
            url: command.url.clone(),
            state,
            reason: delivery.reason.clone(),
            delivered: delivery.delivered,
            newest_release,
            failed_attempts: delivery.failures,
            next_attempt_at: time(delivery.due_at).filter(|_| waits),
            changed_at: time(command.recorded_at).unwrap_or_default(),
        }
    }
}

/// A time as it is answered; none of 0.
pub fn time(microseconds: i64) -> Option<String> {
    Timestamp::from_microseconds(microseconds).filter(|_| microseconds > 0).map(|time| time.to_string())
}

fn followed(delivery: &mut DeliveryRow, command: &DestinationRow) {
    delivery.sequence = command.sequence;
    if command.after != WHERE_IT_WAS {
        delivery.delivered = command.after;
    }
    if command.after != WHERE_IT_WAS || command.state == ACTIVE {
        delivery.state = ACTIVE.to_owned();
        (delivery.reason, delivery.failures, delivery.due_at) = (None, 0, 0);
    }
}

/// Records a command on a destination. One that changes nothing is answered and not recorded.
pub(super) async fn record(
    session: &Session<'_>,
    workspace: &mut Workspace,
    (name, command): (&str, &DestinationCommand),
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    let (entity, newest) = (workspace.head.entity.clone(), workspace.head.release);
    let found = Destination::read(&entity, name, reader).await?;
    let (before, url, state, after) = match (command, found) {
        (DestinationCommand::Create { .. }, Some(_)) => return Err(RecordError::DestinationExists(name.to_owned())),
        (DestinationCommand::Create { url, after }, None) => {
            (None, url.clone(), ACTIVE, within("after", *after, newest)?)
        }
        (_, None) => return Err(RecordError::NotFound(format!("the destination {name}"))),
        (command, Some(found)) => {
            let was = found.command.state.as_str();
            let (state, after) = match command {
                DestinationCommand::Close if was == CLOSED => return nothing(&found, newest),
                DestinationCommand::Pause if was == PAUSED => return nothing(&found, newest),
                DestinationCommand::Close => (CLOSED, WHERE_IT_WAS),
                _ if was == CLOSED => return Err(RecordError::DestinationClosed(name.to_owned())),
                DestinationCommand::Pause => (PAUSED, WHERE_IT_WAS),
                // One that is paused stays so: it is resumed when its receiver is ready for what comes again.
                DestinationCommand::Replay { after } if was == PAUSED => (PAUSED, within("after", *after, newest)?),
                DestinationCommand::Replay { after } => (ACTIVE, within("after", *after, newest)?),
                DestinationCommand::Resume | DestinationCommand::Create { .. } => (ACTIVE, WHERE_IT_WAS),
            };
            let url = found.command.url.clone();
            (Some(found.delivery), url, state, after)
        }
    };
    if !is_name(name) {
        let rule = "it must be 1 to 40 characters a-z, 0-9, - and _";
        return Err(Refusal::invalid("name", name, rule).into());
    }
    let stamp = session.stamp(workspace);
    let row = DestinationRow {
        entity,
        name: name.to_owned(),
        sequence: stamp.sequence,
        url,
        state: state.to_owned(),
        after,
        recorded_at: stamp.recorded_at,
    };
    let mut rows = Rows::default();
    let is_new = before.is_none();
    let mut delivery = before.unwrap_or_else(|| first(&row));
    if is_new {
        rows.deliveries.push(delivery.clone());
    }
    followed(&mut delivery, &row);
    rows.destinations.push(row.clone());
    let document = Destination { command: row, delivery }.document(newest);
    let recorded = Recorded::new(if is_new { CREATED } else { OK }, &document)?;
    session.finish(workspace, &stamp, ("destination", name), &mut rows, &recorded)?;
    Ok(Done::new(recorded, rows))
}

fn nothing(found: &Destination, newest: i64) -> Result<Done, RecordError> {
    Ok(Done::new(Recorded::new(OK, &found.document(newest))?, Rows::default()))
}

/// The deliveries of a new destination: none.
fn first(command: &DestinationRow) -> DeliveryRow {
    DeliveryRow {
        entity: command.entity.clone(),
        destination: command.name.clone(),
        sequence: command.sequence,
        state: ACTIVE.to_owned(),
        reason: None,
        delivered: command.after.max(0),
        failures: 0,
        due_at: 0,
        attempt: 0,
        trying: 0,
        tried_at: 0,
        lease_until: 0,
        fence: 0,
    }
}

fn within(field: &'static str, release: i64, newest: i64) -> Result<i64, Refusal> {
    if (0..=newest).contains(&release) {
        return Ok(release);
    }
    Err(Refusal::invalid(
        field,
        release,
        format!("the releases of the entity are 1 to {newest}; 0 is before the first"),
    ))
}

fn is_name(name: &str) -> bool {
    let known = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || matches!(byte, b'-' | b'_');
    (1..=40).contains(&name.len()) && name.bytes().all(known)
}
