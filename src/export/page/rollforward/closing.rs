//! What was recorded since the close of a period, and what was waived at it.

use maud::{Markup, html};

use super::Surroundings;
use super::lines::links;
use crate::document::WaiverDocument;
use crate::export::page::components;
use crate::export::page::label::{entry_kind, words};
use crate::export::page::table::{Cell, table, texts};
use crate::reading::{ChangedSinceClose, RollforwardDocument};

/// Both, where the report has them.
pub fn since_the_close(report: &RollforwardDocument, with: &Surroundings<'_>) -> Markup {
    html! {
        @if let Some(changed) = &report.changed_since_close {
            h2 id="changed" { "Recorded since the close" }
            @if changed.is_empty() { p { "Nothing that is effective in the period or posted in it." } } @else { (changes(changed, with)) }
        }
        @if let Some(waivers) = &report.waivers {
            h2 id="waivers" { "Waived at the close" }
            @if waivers.is_empty() { p { "Nothing." } } @else { (waived(waivers, report)) }
        }
    }
}

fn changes(changed: &[ChangedSinceClose], with: &Surroundings<'_>) -> Markup {
    let of = ["Batch", "Issue", "Kind", "Effective", "Posted"].map(texts);
    table(
        "What was recorded since the close and is effective in the period or posted in it",
        &[&of[..], &components::COLUMNS].concat(),
        changed.iter().map(|change| {
            let of = [
                Cell::Markup(links(std::slice::from_ref(&change.batch), with)),
                Cell::Text(&change.reference),
                Cell::Markup(html! { (entry_kind(&change.kind)) }),
                Cell::Date(&change.effective_date),
                Cell::Date(&change.posting_date),
            ];
            of.into_iter().chain(components::cells(&change.amounts)).collect()
        }),
    )
}

fn waived(waivers: &[WaiverDocument], report: &RollforwardDocument) -> Markup {
    let reference = |id: &str| {
        let issue = report.issues.iter().find(|issue| issue.bond_issue == id);
        issue.map_or(id, |issue| issue.reference.as_str()).to_owned()
    };
    table(
        "What was expected, not recorded, and waived",
        &[texts("Issue"), texts("What was expected"), texts("On"), texts("Reason"), texts("Waived by")],
        waivers.iter().map(|waiver| {
            vec![
                Cell::Markup(html! { (reference(&waiver.bond_issue)) }),
                Cell::Markup(html! { (words(waiver.expected.code())) }),
                Cell::Markup(html! { (waiver.date.to_string()) }),
                Cell::Text(&waiver.reason),
                Cell::Text(&waiver.name),
            ]
        }),
    )
}
