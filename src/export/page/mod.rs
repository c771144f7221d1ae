//! Pages for people: whole, in one file each, without a script or anything from elsewhere, and fit to be printed in landscape.
//!
//! Reading order: `shell` is what stands around every page, [`figure`] and [`label`] how figures and names are written, `table` a small
//! table; then a file a page. Large pages are written part by part, so that they never stand in memory twice.

mod balances;
mod batch;
mod components;
pub mod figure;
pub mod label;
mod life;
mod rollforward;
mod schedule;
mod shell;
mod start;
mod table;

pub use balances::{carrying_values, trial_balance};
pub use batch::batch;
pub use rollforward::{Surroundings, most_shown, rollforward};
pub use schedule::schedule;
pub use shell::STYLE;
pub use start::{Books, IssuesOf, entities, entity};

use std::io;

use maud::{Markup, html};

fn put(out: &mut impl io::Write, markup: Markup) -> io::Result<()> {
    out.write_all(markup.into_string().as_bytes())
}

/// Where a batch is shown as a page.
fn batch_address(id: &str) -> String {
    format!("/v1/journal-batches/{id}?format=html")
}

/// Where the books of an entity are shown.
fn entity_address(code: &str) -> String {
    format!("/?entity={code}")
}

/// Whether an issue ties, in words, for there are readers who see no colours.
fn tie(status: &str, overdue: bool) -> Markup {
    html! {
        @if status == "tied" { span class="passed" { (label::words(status)) } } @else { span class="failed" { (label::words(status)) } }
        @if overdue { ", overdue" }
    }
}
