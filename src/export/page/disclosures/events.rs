//! What happened: events of the period and after it, notices that are not settled, and entries that are effective before it.

use std::io;

use maud::{Markup, html};

use super::Behind;
use crate::export::page::label::{entry_kind, words};
use crate::export::page::table::{Cell, figures, figures_if_any, texts, write};
use crate::export::page::{batch_address, components, issue, put};
use crate::reading::{DisclosuresDocument, NotedEvent, PriorPeriodEntry};

/// Writes it. What there is nothing of is said, for a reader of notes looks for it.
pub fn events(report: &DisclosuresDocument, behind: &Behind<'_>, out: &mut impl io::Write) -> io::Result<()> {
    let (from, to) = (&report.period_from, &report.as_of);
    put(out, html! { h2 id="events" { "Events of the period" } })?;
    if report.events_of_period.is_empty() {
        put(out, html! { p { "No event but coupons is effective from " (from) " to " (to) "." } })?;
    } else {
        let caption = format!(
            "Conversions, inducements, extinguishments and other events from {from} to {to}, in {}",
            report.currency
        );
        noted(&caption, &report.events_of_period, behind, out)?;
    }
    put(out, html! { h2 id="later" { "Events after " (to) } })?;
    if report.subsequent_events.is_empty() {
        put(out, html! { p { "None that is known at " (report.known_at) "." } })?;
    } else {
        noted(&format!("Events effective after {to}, in {}", report.currency), &report.subsequent_events, behind, out)?;
    }
    notices(report, behind, out)?;
    late(report, behind, out)
}

fn noted(caption: &str, events: &[NotedEvent], behind: &Behind<'_>, out: &mut impl io::Write) -> io::Result<()> {
    let columns = [
        texts("Effective"),
        texts("Event"),
        texts("Issue"),
        figures_if_any("Principal"),
        figures_if_any("Carrying amount"),
        figures_if_any("Shares issued"),
        figures_if_any("Consideration"),
        figures_if_any("Inducement expense"),
        figures_if_any("Gain (loss)"),
        texts("Journal batches"),
    ];
    let rows = || {
        events.iter().map(|event| {
            let figures = [
                &event.principal,
                &event.carrying_amount,
                &event.shares_issued,
                &event.consideration,
                &event.inducement_expense,
                &event.gain_loss,
            ];
            let of = [
                Cell::Date(&event.effective_date),
                Cell::Markup(html! { (words(&event.kind)) }),
                Cell::Markup(issue(&event.bond_issue, &event.reference)),
            ];
            let figures = figures.map(|figure| Cell::Figure(figure.as_deref().unwrap_or_default()));
            of.into_iter().chain(figures).chain([Cell::Markup(batches(&event.event, behind))]).collect()
        })
    };
    write(out, caption, &columns, rows, None)
}

/// The batches of an event, each with its entries one click away.
fn batches(event: &str, behind: &Behind<'_>) -> Markup {
    html! {
        @for (number, id) in behind.batches.get(event).into_iter().flatten() {
            a href=(batch_address(id)) { (short(number, behind)) } " "
        }
    }
}

/// The entity stands on the page once; its code before each number says nothing more.
fn short<'n>(number: &'n str, behind: &Behind<'_>) -> &'n str {
    number.strip_prefix(&behind.entity.code).unwrap_or(number).trim_start_matches('-')
}

fn notices(report: &DisclosuresDocument, behind: &Behind<'_>, out: &mut impl io::Write) -> io::Result<()> {
    put(out, html! { h2 id="notices" { "Notices of conversion that are not settled" } })?;
    if report.notices_not_settled.is_empty() {
        return put(out, html! { p { "None at the close of " (report.as_of) "." } });
    }
    let columns = [
        texts("Conversion date"),
        texts("Issue"),
        figures("Principal"),
        figures("Carrying amount"),
        texts("Settled later, on"),
        texts("Journal batches"),
    ];
    let rows = || {
        report.notices_not_settled.iter().map(|notice| {
            vec![
                Cell::Date(&notice.conversion_date),
                Cell::Markup(issue(&notice.bond_issue, &notice.reference)),
                Cell::Figure(&notice.principal),
                Cell::Figure(&notice.carrying_amount),
                Cell::Date(notice.settled_on.as_deref().unwrap_or_default()),
                Cell::Markup(batches(&notice.event, behind)),
            ]
        })
    };
    let caption = format!("Received and not settled at the close of {}, in {}", report.as_of, report.currency);
    write(out, &caption, &columns, rows, None)
}

fn late<'r>(report: &'r DisclosuresDocument, behind: &Behind<'_>, out: &mut impl io::Write) -> io::Result<()> {
    put(out, html! { h2 id="earlier" { "Entries of the period that are effective before it" } })?;
    if report.prior_period_entries.is_empty() {
        return put(out, html! { p { "None." } });
    }
    let entries = || report.prior_period_entries.iter();
    let caption = |name: &str| {
        format!(
            "{name} of what was posted from {} on and is effective before, in {}",
            report.period_from, report.currency
        )
    };
    let first = ["Effective", "Posted", "Kind", "Issue", "Batch"].map(texts);
    let of = |entry: &'r PriorPeriodEntry| {
        [
            Cell::Date(&entry.effective_date),
            Cell::Date(&entry.posting_date),
            Cell::Markup(html! { (entry_kind(&entry.kind)) }),
            Cell::Markup(issue(&entry.bond_issue, &entry.reference)),
            Cell::Markup(html! {
                @match behind.ids.get(&entry.batch) {
                    Some(id) => a href=(batch_address(id)) { (short(&entry.batch, behind)) },
                    None => (short(&entry.batch, behind)),
                }
            }),
        ]
    };
    let debt = || entries().map(|entry| of(entry).into_iter().chain(components::cells(&entry.amounts)).collect());
    write(out, &caption("Debt"), &[&first[..], &components::COLUMNS].concat(), debt, None)?;
    let columns =
        [figures("Expense"), figures("Gain (loss)"), figures("Paid-in capital"), figures("Cash received (paid)")];
    let others = || {
        entries().map(|entry| {
            let figures = [&entry.expense, &entry.gain_loss, &entry.paid_in_capital, &entry.cash];
            of(entry).into_iter().chain(figures.map(|figure| Cell::Figure(figure))).collect()
        })
    };
    write(out, &caption("Income, capital and cash"), &[&first[..], &columns].concat(), others, None)
}
