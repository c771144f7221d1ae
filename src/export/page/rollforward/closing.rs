//! What was recorded since the close of a period, and what was waived at it.

use maud::{Markup, html};

use super::Surroundings;
use super::lines::links;
use crate::document::WaiverDocument;
use crate::export::page::label::{entry_kind, words};
use crate::export::page::table::{Cell, table};
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
    table(
        "What was recorded since the close and is effective in the period or posted in it",
        &[
            ("Batch", false),
            ("Issue", false),
            ("Kind", false),
            ("Effective", false),
            ("Posted", false),
            ("Principal", true),
            ("Premium (discount)", true),
            ("Issue costs", true),
            ("Carrying amount", true),
            ("Interest payable", true),
            ("Interest receivable", true),
            ("Equity component", true),
        ],
        changed.iter().map(|change| {
            vec![
                Cell::Markup(links(std::slice::from_ref(&change.batch), with)),
                Cell::Text(&change.reference),
                Cell::Markup(html! { (entry_kind(&change.kind)) }),
                Cell::Date(&change.effective_date),
                Cell::Date(&change.posting_date),
                Cell::Figure(&change.amounts.principal),
                Cell::Figure(&change.amounts.premium_discount),
                Cell::Figure(&change.amounts.issue_costs),
                Cell::Figure(&change.amounts.carrying_amount),
                Cell::Figure(&change.amounts.interest_payable),
                Cell::Figure(&change.amounts.interest_receivable),
                Cell::Figure(change.amounts.equity_component.as_deref().unwrap_or_default()),
            ]
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
        &[("Issue", false), ("What was expected", false), ("On", false), ("Reason", false), ("Waived by", false)],
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
