//! A journal batch as a page: what it is of, what it does, and its entries with how each amount came about.

use std::io;

use maud::{Markup, PreEscaped, html};

use super::figure::{self, is_zero, printed};
use super::label::{entry_kind, words};
use super::shell::{Shell, ways, whose};
use super::table::{Cell, figures, table, texts};
use super::{batch_address, put};
use crate::document::{BatchDocument, DerivationDocument, EntityDocument, EntryDocument, LineDocument};

/// Writes the page. An entry is gone when it is written.
///
/// # Errors
/// When it cannot be written.
pub fn batch(batch: BatchDocument, entity: &EntityDocument, caution: &str, out: &mut impl io::Write) -> io::Result<()> {
    let shell = shell(&batch, entity, caution);
    shell.begin(out)?;
    put(out, about(&batch))?;
    let columns = [
        figures("Line"),
        texts("Role"),
        texts("Account"),
        figures("Debit"),
        figures("Credit"),
        texts("Memo"),
        texts("How it came about"),
    ];
    put(
        out,
        html! {
            h2 id="entries" { "Entries" }
            (PreEscaped("<div class=\"scroll\"><table>"))
            caption { "Lines of each entry, in " (batch.currency) }
            thead { tr { (super::table::names(&columns)) } }
        },
    )?;
    for entry in batch.entries {
        put(out, of_entry(&entry))?;
    }
    out.write_all(b"</table></div>")?;
    shell.end(out)
}

fn shell<'a>(batch: &BatchDocument, entity: &EntityDocument, caution: &'a str) -> Shell<'a> {
    let number = batch.number.clone().unwrap_or_default();
    let address =
        |format: &str| format!("/v1/journal-batches/{}?format={format}", batch.id.as_deref().unwrap_or_default());
    let mut facts = vec![
        whose(entity),
        ("Currency", batch.currency.clone()),
        ("Posting date", batch.posting_date.clone()),
        ("Effective date", batch.effective_date.clone()),
        ("Status", words(&batch.status)),
        ("Known at", batch.recorded_at.clone().unwrap_or_default()),
    ];
    let count = |number: Option<i64>| number.map(|number| number.to_string());
    facts.extend(count(batch.release).map(|release| ("Release", release)));
    facts.extend(count(batch.revision).map(|revision| ("Revision", revision)));
    facts.extend(count(batch.sequence).map(|sequence| ("Sequence", sequence)));
    facts.extend(batch.content_sha256.clone().map(|hash| ("Content SHA-256", hash)));
    Shell {
        title: format!("Journal batch {number}"),
        facts,
        links: ways(
            &batch.entity,
            [
                ("JSON", address("json")),
                ("CSV", address("csv")),
                ("XLSX", address("xlsx")),
                ("XBRL GL", address("xbrl-gl")),
            ],
        ),
        caution,
        longest_figure: printed(&batch.totals.debit).chars().count(),
    }
}

fn about(batch: &BatchDocument) -> Markup {
    let (totals, effects) = (&batch.totals, &batch.statement_effects);
    html! {
        p class="lead" {
            "Debits of " strong { (printed(&totals.debit)) } " and credits of " strong { (printed(&totals.credit)) } " " (batch.currency)
            ", in " (totals.entries) @if totals.entries == 1 { " entry" } @else { " entries" }
            " of " (totals.lines) " lines."
        }
        @if let Some(reversed) = &batch.reverses {
            p { "It inverts the entries of " a href=(batch_address(reversed)) { "this batch" } "." }
        }
        @if let Some(reversing) = &batch.reversed_by {
            p { "Its entries are inverted by " a href=(batch_address(reversing)) { "this batch" } "." }
        }
        @if let Some(answer) = &batch.acknowledgement {
            p {
                "The ledger answered to revision " (answer.revision) ": " (words(&batch.status).to_lowercase())
                @if let Some(document) = &answer.document_number { ", as document " (document) }
                @if let Some(date) = &answer.ledger_posting_date { ", on " (date) }
                @if let Some(reason) = &answer.reason { ". Reason: " (reason) }
                @if let Some(at) = &answer.acknowledged_at { " (told at " (at) ")" }
                "."
            }
        }
        (table(
            &format!("What the batch does to the statements, in {}", batch.currency),
            &[texts("Element"), figures("Change")],
            [
                vec![Cell::Text("Assets"), Cell::Figure(&effects.assets)],
                vec![Cell::Text("Liabilities"), Cell::Figure(&effects.liabilities)],
                vec![Cell::Text("Equity, net income included"), Cell::Figure(&effects.equity)],
                vec![Cell::Text("Net income"), Cell::Figure(&effects.net_income)],
            ],
        ))
    }
}

fn of_entry(entry: &EntryDocument) -> Markup {
    html! {
        tbody id=(format!("entry-{}", entry.sequence)) {
            tr {
                th scope="rowgroup" class="group" colspan="7" {
                    "Entry " (entry.sequence) ": " (entry_kind(&entry.kind)) br;
                    span class="aside" { (entry.description) " ("
                    @if let Some(id) = &entry.bond_issue {
                        "issue " a href=(format!("/v1/bond-issues/{id}/schedule?format=html")) { (entry.reference) }
                        @if let Some(isin) = &entry.isin { ", " (isin) }
                        ", effective " (entry.effective_date) ", "
                        a href=(format!("/v1/bond-issues/{id}/events")) { "its events" }
                        @if let Some(event) = &entry.event { ", of which " (event) }
                    } @else { "effective " (entry.effective_date) }
                    @if entry.event.is_none() { ", of no event: balances move between accounts" }
                    ")" }
                }
            }
            @for line in &entry.lines { (of_line(line)) }
        }
    }
}

fn of_line(line: &LineDocument) -> Markup {
    let on = |side: &str| if line.side == side { line.amount.as_str() } else { "" };
    html! {
        tr {
            th scope="row" class="n" { (line.line) }
            td { (words(&line.account_role)) @if !line.monetary { " " span class="small quiet" { "not monetary" } } }
            td class="long" {
                @match &line.account {
                    Some(account) => { (account) @if let Some(name) = &line.account_name { " " (name) } },
                    None => { span class="quiet" { "no account yet" } },
                }
                @for (dimension, value) in &line.dimensions { br; span class="small" { (dimension) ": " (value) } }
            }
            (figure::cell(on("debit")))
            (figure::cell(on("credit")))
            td class="long" { (line.memo) }
            td class="long" { (derivation(&line.derivation)) }
        }
    }
}

fn derivation(derivation: &DerivationDocument) -> Markup {
    html! {
        (derivation.rule)
        @if !derivation.paragraph.is_empty() { " (" (derivation.paragraph) ")" }
        @if !derivation.figures.is_empty() {
            br;
            span class="small quiet" {
                @for (at, (name, value)) in derivation.figures.iter().enumerate() {
                    @if at > 0 { "; " }
                    (words(name)) ": " @if is_zero(value) { (value) } @else { (printed(value)) }
                }
            }
        }
    }
}
