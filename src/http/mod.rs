//! The edge: HTTP in, domain types on, answers out. In reading order:
//!
//! - [`edge`] puts it together; [`observe`], [`linger`] and [`guard`] are its layers;
//! - [`problem`] is every error answer, [`wire`] and [`ids`] how values are written;
//! - [`extract`], [`body`], [`query`], [`accept`] and [`request_id`] read requests, [`etag`], [`pieces`], [`page`] and [`html`] write answers;
//! - [`openapi`], [`docs`], [`system`] and [`signing_keys`] speak about the service itself.

pub use crate::document::wire;

pub mod accept;
pub mod body;
pub mod docs;
pub mod edge;
pub mod etag;
pub mod extract;
mod file;
pub mod guard;
pub mod html;
pub mod ids;
mod json_error;
pub mod linger;
mod list;
pub mod notices;
pub mod observe;
pub mod openapi;
pub mod page;
pub mod pieces;
pub mod prefer;
pub mod problem;
pub mod query;
pub mod refusals;
pub mod request_id;
pub mod resource;
pub mod signing_keys;
pub mod streamed;
pub mod system;
pub mod upload;
