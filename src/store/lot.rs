//! Rows that are decided command by command and written together.

use crate::store::json::Json;
use crate::store::rows::Rows;

/// Rows that will be written in a transaction of their own. What SQLite needs of them is made as they come, and not when it is
/// their turn.
#[derive(Debug)]
pub struct Lot(pub(super) Waiting);

#[derive(Debug)]
pub(super) enum Waiting {
    Sqlite(Json),
    Postgres(Rows),
}

impl Lot {
    /// Adds the rows of another command after these.
    pub fn add(&mut self, rows: Rows) {
        match &mut self.0 {
            Waiting::Sqlite(json) => json.add(rows),
            Waiting::Postgres(all) => all.extend(rows),
        }
    }
}
