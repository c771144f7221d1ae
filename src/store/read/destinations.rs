//! Destinations of releases, how far their deliveries have come, and the attempts.

use crate::store::cells::cells;
use crate::store::delivery::NOW;
use crate::store::error::StoreError;
use crate::store::read::{Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{AttemptRow, DeliveryRow, DestinationRow};
use crate::store::table::Stored;

cells! {
    /// A destination to which something is to be delivered.
    pub struct WaitingDestination {
        /// Its entity.
        entity: text,
        /// Its name.
        destination: text,
        /// Microseconds until a delivery may begin: until its next attempt, or until the lease of whoever delivers to it ends; at
        /// most 0 if one may begin now.
        due_in: bigint,
    }

    /// How many releases a destination has yet to get.
    pub struct Lag {
        /// Its entity.
        entity: text,
        /// Its name.
        destination: text,
        /// 0 for one that is closed.
        releases: bigint,
    }
}

static DELIVERIES: Text = Text::new(|| {
    format!(
        "select {} from delivery v where v.entity = $1 and v.destination > $2 order by v.destination limit $3",
        DeliveryRow::columns("v")
    )
});

static DELIVERY: Text = Text::new(|| {
    format!("select {} from delivery v where v.entity = $1 and v.destination = $2", DeliveryRow::columns("v"))
});

static COMMANDS: Text = Text::new(|| {
    format!(
        "select {} from destination d where d.entity = $1 and d.name = $2 and d.sequence >= $3 order by d.sequence",
        DestinationRow::columns("d")
    )
});

static ATTEMPTS: Text = Text::new(|| {
    format!(
        "select {} from attempt a where a.entity = $1 and a.destination = $2 and a.attempt < $3 order by a.attempt desc limit $4",
        AttemptRow::columns("a")
    )
});

/// The newest command on the destination of the delivery `v`.
const NEWEST: &str = "join destination d on d.entity = v.entity and d.name = v.destination and d.sequence = \
                      (select max(n.sequence) from destination n where n.entity = v.entity and n.name = v.destination)";

// What a command asks for that was not followed yet is due at once, whatever the wait was before it.
static WAITING: Texts = Texts::new(|| {
    NOW.map(|now| {
        format!(
            "select v.entity, v.destination, \
             case when d.sequence = v.sequence and v.due_at > v.lease_until then v.due_at else v.lease_until end - {now} as due_in \
             from delivery v {NEWEST} join entity_head h on h.entity = v.entity \
             where d.state = 'active' and (d.sequence > v.sequence or (v.state = 'active' and v.delivered < h.release)) \
             order by due_in, v.entity, v.destination limit $1"
        )
    })
});

static LAGS: Text = Text::new(|| {
    format!(
        "select v.entity, v.destination, case when d.state = 'closed' then 0 else h.release - v.delivered end \
         from delivery v {NEWEST} join entity_head h on h.entity = v.entity order by v.entity, v.destination"
    )
});

impl Reader<'_> {
    /// How far the deliveries of an entity's destinations have come, in order of their names, after one (or after `""`).
    pub async fn deliveries(&mut self, entity: &str, after: &str, limit: i64) -> Result<Vec<DeliveryRow>, StoreError> {
        self.all(&DELIVERIES, &[Arg::Text(entity), Arg::Text(after), Arg::Int(limit)]).await
    }

    /// How far the deliveries of a destination have come.
    pub async fn delivery(&mut self, entity: &str, destination: &str) -> Result<Option<DeliveryRow>, StoreError> {
        self.one(&DELIVERY, &[Arg::Text(entity), Arg::Text(destination)]).await
    }

    /// The commands on a destination in order, from a sequence on.
    pub async fn destination_commands(
        &mut self,
        entity: &str,
        name: &str,
        from: i64,
    ) -> Result<Vec<DestinationRow>, StoreError> {
        self.all(&COMMANDS, &[Arg::Text(entity), Arg::Text(name), Arg::Int(from)]).await
    }

    /// Attempts on a destination, the newest first, before one (or before `i64::MAX`).
    pub async fn attempts(
        &mut self,
        entity: &str,
        destination: &str,
        before: i64,
        limit: i64,
    ) -> Result<Vec<AttemptRow>, StoreError> {
        self.all(&ATTEMPTS, &[Arg::Text(entity), Arg::Text(destination), Arg::Int(before), Arg::Int(limit)]).await
    }

    /// Destinations of all entities to which something is to be delivered, the first due first.
    pub async fn waiting_destinations(&mut self, limit: i64) -> Result<Vec<WaitingDestination>, StoreError> {
        self.either(&WAITING, &[Arg::Int(limit)]).await
    }

    /// How far behind each destination is.
    pub async fn delivery_lags(&mut self) -> Result<Vec<Lag>, StoreError> {
        self.all(&LAGS, &[]).await
    }
}
