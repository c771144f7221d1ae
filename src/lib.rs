//! parwright keeps the books of bond issues, many of them convertible into shares: it amortises premium, discount and issue costs,
//! accrues interest, pays coupons, converts bonds at their carrying amount, recognises inducements, and hands balanced journal
//! batches to a general ledger.
//!
//! The map, in reading order. Data flows one way, from the edge to the core to the store and back:
//!
//! - [`accounting`]: the pure core. A position and a command become an event and balanced entries, or a refusal.
//! - [`reports`]: pure functions over stored events and entries.
//! - [`document`]: the JSON of the interface and of stored terms, converted to and from core types by hand.
//! - [`store`]: SQLite and PostgreSQL behind one face. No other module knows SQL.
//! - [`posting`]: load, decide, append; the one writer of a process. [`audit`]: the hash chain, and its verification.
//! - [`reading`]: rows given to reports, as documents. [`export`]: representations other than JSON.
//! - [`closing`]: what stands in the way of closing a fiscal period.
//! - [`delivery`]: push of releases to the addresses that an entity names.
//! - [`http`]: the edge, one file a resource. [`import`]: issues in bulk. [`auth`]: tokens and roles.
//! - [`config`], [`cli`], [`app`], [`service`], [`stop`]: how it is started, put together and ended. [`demo`]: an invented portfolio.
//!
//! What it computes is for review by qualified accountants under the standards, policies and laws that apply, and is no accounting,
//! legal or tax advice.

mod accept;
pub mod accounting;
pub mod app;
pub mod audit;
pub mod auth;
pub mod cli;
pub mod closing;
pub mod config;
pub mod delivery;
pub mod demo;
pub mod document;
pub mod export;
pub mod http;
pub mod import;
pub mod posting;
pub mod reading;
pub mod reports;
pub mod service;
pub mod stop;
pub mod store;
