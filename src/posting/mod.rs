//! Posting: load, decide, append. The one place where core and store meet.
//!
//! A [`Command`] goes to the one writer of the process, which takes those that wait, locks the heads of their entities, decides
//! each on the books as they are then, gives sequence, number and hash, writes all rows in one statement and commits once. While it
//! writes, the next are decided on the books as they will be; that stands if the heads, once locked, are. The response is what was
//! committed.
//!
//! Reading order: `command` (what comes in), `workspace` (the books under the lock), `decide` (command to draft), `draft` and
//! `batch` (draft to rows and answer), `session` (one command), `group` (several), `writer` (a commit), `pipeline` (the loop around it),
//! `recorder` (the way to it).

mod account_moves;
mod accrue_entity;
mod acknowledge;
mod batch;
mod close;
mod command;
mod conversion;
mod convert;
mod decide;
pub mod destination;
mod draft;
mod entity;
mod error;
mod group;
mod grouping;
mod import;
mod inducement;
mod layout;
mod notices;
mod pipeline;
mod preview;
mod record;
mod recorder;
mod release;
pub mod render;
mod reopen;
mod reverse;
mod revise;
mod sample;
mod series;
mod session;
mod waiting;
mod workspace;
mod writer;
mod year_end;

pub use acknowledge::NotAcknowledged;
pub use close::{CLOSE, NotClosed, REOPEN, in_the_way};
pub use command::{Command, Context, IdempotencyKey, IssueCommand, Reversing, SeriesCommand};
pub use convert::{
    booked_row, calendar, conversion_rate, framework, instrument, mapping, position_row, versions, weeks,
};
pub(crate) use convert::{date, paid_coupon};
pub use destination::{Destination, DestinationCommand};
pub use error::{RecordError, RefusedRow};
pub use import::{ExistingIssue, ImportAnswer, IssueChecker, IssueDocuments, IssueSource, NumberedIssue};
pub use layout::stored_layout;
pub use recorder::{Recorded, Recorder};
pub use release::{ReleaseAccounts, account_document};
pub use sample::SampleBatches;
pub use session::issue_tag;
pub use year_end::has_closing_entries;
