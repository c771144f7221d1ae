//! Who delivers to a destination: a lease with an expiry, in the time of the database, and a fence against former holders.

use std::sync::LazyLock;

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::posting::Posting;
use crate::store::reader::Arg;
use crate::store::rows::DeliveryRow;
use crate::store::table::Stored;

/// The time at which a statement began by the clock of the database, in microseconds since 1970, on SQLite and on PostgreSQL.
pub(super) const NOW: [&str; 2] = [
    "cast(unixepoch('now', 'subsec') * 1000000 as integer)",
    "cast(extract(epoch from statement_timestamp()) * 1000000 as bigint)",
];

cells! {
    /// A destination's deliveries, locked until the end of the transaction, with the time of the database.
    pub struct Taken {
        /// How far they have come.
        delivery: (DeliveryRow),
        /// Microseconds since 1970.
        now: bigint,
    }
}

fn taking(change: &str, condition: &str) -> [String; 2] {
    NOW.map(|now| {
        format!(
            "update delivery set {change}lease_until = {now} + $3 where entity = $1 and destination = $2 and {} \
             returning {}, {now}",
            condition.replace("NOW", now),
            DeliveryRow::columns("delivery"),
        )
    })
}

static TAKE: LazyLock<[String; 2]> = LazyLock::new(|| taking("fence = fence + 1, ", "lease_until <= NOW"));
static HOLD: LazyLock<[String; 2]> = LazyLock::new(|| taking("", "fence = $4"));

const PUT: &str = "update delivery set sequence = $3, state = $4, reason = nullif($5, ''), delivered = $6, failures = $7, due_at = $8, \
                   attempt = $9, trying = $10, tried_at = $11, lease_until = $12 \
                   where entity = $1 and destination = $2 and fence = $13";

impl Posting {
    /// Takes the lease of a destination for a time in microseconds; none while somebody else holds it, or if there is no such
    /// destination.
    pub async fn take_delivery(
        &mut self,
        entity: &str,
        destination: &str,
        length: i64,
    ) -> Result<Option<Taken>, StoreError> {
        let mut reader = self.reader()?;
        let [sqlite, postgres] = &*TAKE;
        let text = reader.pick(sqlite, postgres);
        reader.one(text, &[Arg::Text(entity), Arg::Text(destination), Arg::Int(length)]).await
    }

    /// Makes the lease of a fence last for a time from now; none if somebody else took it since, even if it is free again.
    pub async fn hold_delivery(
        &mut self,
        entity: &str,
        destination: &str,
        fence: i64,
        length: i64,
    ) -> Result<Option<Taken>, StoreError> {
        let mut reader = self.reader()?;
        let [sqlite, postgres] = &*HOLD;
        let text = reader.pick(sqlite, postgres);
        reader.one(text, &[Arg::Text(entity), Arg::Text(destination), Arg::Int(length), Arg::Int(fence)]).await
    }

    /// Writes how far the deliveries have come. To be given what this transaction took or holds; with another fence it changes nothing.
    pub async fn put_delivery(&mut self, row: &DeliveryRow) -> Result<(), StoreError> {
        let args = [
            Arg::Text(&row.entity),
            Arg::Text(&row.destination),
            Arg::Int(row.sequence),
            Arg::Text(&row.state),
            Arg::Text(row.reason.as_deref().unwrap_or_default()),
            Arg::Int(row.delivered),
            Arg::Int(row.failures),
            Arg::Int(row.due_at),
            Arg::Int(row.attempt),
            Arg::Int(row.trying),
            Arg::Int(row.tried_at),
            Arg::Int(row.lease_until),
            Arg::Int(row.fence),
        ];
        self.reader()?.execute(PUT, &args).await
    }
}
