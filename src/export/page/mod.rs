//! Pages for people: whole, in one file each, without a script or anything from elsewhere, and fit to be printed in landscape.
//!
//! Reading order: `shell` is what stands around every page, [`figure`] and [`label`] how figures and names are written, `table` a small
//! table; then a file a page. Large pages are written part by part, so that they never stand in memory twice.

mod balances;
mod batch;
mod components;
mod disclosures;
pub mod figure;
mod if_converted;
pub mod label;
mod life;
mod outlook;
mod rollforward;
mod schedule;
mod shell;
mod start;
mod table;

pub use balances::{carrying_values, trial_balance};
pub use batch::batch;
pub use disclosures::{Behind, disclosures};
pub use if_converted::if_converted;
pub use outlook::{calendar, forecast};
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

/// An issue, with the way to its schedule and its life.
fn issue(id: &str, reference: &str) -> Markup {
    html! { a href=(format!("/v1/bond-issues/{id}/schedule?format=html")) { (reference) } }
}

/// Where the rollforward of some days is shown: what moved the debt in them, and the batches behind it.
fn rollforward_address(entity: &str, (from, to): (&str, &str), known_at: &str, currency: &str) -> String {
    format!("/v1/entities/{entity}/rollforward?from={from}&to={to}&known_at={known_at}&currency={currency}&format=html")
}

/// Whether an issue ties, in words, for there are readers who see no colours.
fn tie(status: &str, overdue: bool) -> Markup {
    html! {
        @if status == "tied" { span class="passed" { (label::words(status)) } } @else { span class="failed" { (label::words(status)) } }
        @if overdue { ", overdue" }
    }
}
