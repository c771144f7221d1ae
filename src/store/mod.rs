//! The store: the books in SQLite or PostgreSQL, behind one face.
//!
//! Nothing outside this module knows a statement. Writing is [`Store::begin`], which gives a [`Posting`]: lock the heads,
//! read, [`append`](Posting::append) the [`Rows`], commit; or [`Store::write`], which takes a [`Lot`] decided before. Reading is [`Store::reading`], which gives a [`Reader`]; a posting
//! has one too. Reading order: `rows` (what is kept), `posting` and `append` (how it is written), `reader` and `read` (how
//! it is found again), `connect` (the engines).

mod append;
mod cells;
mod connect;
mod delivery;
mod error;
mod folding;
mod json;
mod lot;
mod posting;
mod read;
mod reader;
mod rows;
mod table;

pub use connect::{Engine, Options, Store};
pub use delivery::Taken;
pub use error::{Constraint, StoreError};
pub use lot::Lot;
pub use posting::Posting;
pub use read::*;
pub use reader::{Reader, Reading};
pub use rows::*;
