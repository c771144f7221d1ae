//! What can be found again, a file a subject. Every read is a method of [`Reader`].
//!
//! Reads return the rows as they are kept. `known` is a sequence of the entity: a read that takes it sees what was recorded
//! up to that command and nothing later, and so answers the same for ever.

mod acknowledgements;
mod added;
mod audit;
mod batches;
mod carrying;
mod closes;
mod destinations;
mod entities;
mod events;
mod heads;
mod issues;
mod journal_lines;
mod layouts;
mod ledger_balances;
mod posted;
mod reports;
mod reversals;
mod revisions;
mod states;
mod summary;
mod trial_balance;

pub use acknowledgements::{ReleasedBatch, Waiting};
pub use added::{Added, Figures, Newest, Seen};
pub use batches::{BatchFilter, BatchHead, EventBatch, NumberedBatch, WholeBatch};
pub use carrying::{Carrying, WrittenBy};
pub use closes::{PostedByRole, PostingDates, UnreleasedRole};
pub use destinations::{Lag, WaitingDestination};
pub use entities::Known;
pub use heads::{Asked, Head};
pub use issues::{IssueFilter, ListedIssue};
pub use journal_lines::ReleasedIn;
pub use ledger_balances::{RejectedBatch, Released};
pub use posted::{PostedCount, PostedEntry, PostedIn};
pub use reports::{BatchesOfMovement, MovedByBatch, Movement, OutOfPeriod, Sums};
pub use reversals::EventOfBatch;
pub use revisions::RecordedRevision;
pub use states::IssueState;
pub use trial_balance::{RoleBalance, Side};

use std::sync::LazyLock;

use super::cells::FromCells;
use super::error::StoreError;
use super::reader::{Arg, Reader};

/// A statement that is put together once, from the columns of the tables.
type Text = LazyLock<String>;
/// The same for SQLite and for PostgreSQL, where they differ.
type Texts = LazyLock<[String; 2]>;

/// The condition that a column is one of the texts in $2, on SQLite and on PostgreSQL.
const AMONG: [&str; 2] = ["in (select value from json_each($2))", "= any($2)"];

impl Reader<'_> {
    async fn either<R: FromCells>(
        &mut self,
        texts: &'static [String; 2],
        args: &[Arg<'_>],
    ) -> Result<Vec<R>, StoreError> {
        let [sqlite, postgres] = texts;
        let text = self.pick(sqlite, postgres);
        self.all(text, args).await
    }
}
