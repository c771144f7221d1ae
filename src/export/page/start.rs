//! The start page: the entities, and of one of them what its issues stand at, its periods and what blocks their close, its newest batches,
//! and the way to every report. It is for looking and downloading.

mod reports;

use std::io;

use maud::{Markup, html};

use self::reports::{links, reports};
use super::label::{framework, words};
use super::shell::Shell;
use super::table::{Cell, figures, table, texts, totalled};
use super::{batch_address, components, entity_address, put};
use crate::document::{EntityDocument, InTheWay, PeriodDocument, PeriodStatus, PeriodsDocument};
use crate::reading::{CAUTION, CarryingValues, RecentBatch, View};

/// How many periods are shown: the newest, with the last closed and the first open one.
const PERIODS: usize = 12;
/// How much of what stands in the way of a close is shown.
const IN_THE_WAY: usize = 20;

/// The books of one entity, as far as its page shows them.
#[derive(Debug)]
pub struct Books<'a> {
    pub entity: &'a EntityDocument,
    pub today: String,
    pub known_at: String,
    /// In the functional currency first, then in each other one.
    pub issues: Vec<IssuesOf>,
    pub periods: PeriodsDocument,
    pub batches: Vec<RecentBatch>,
    /// The names of the stored layouts of journal lines.
    pub layouts: Vec<String>,
    /// Whether the caller sees one entity only, so that there is no list to go back to.
    pub is_only_one: bool,
}

/// The issues in one currency.
#[derive(Debug)]
pub struct IssuesOf {
    pub values: CarryingValues,
    /// The id after which there are more.
    pub more_after: Option<String>,
}

/// Writes the list of entities, and the code after which there are more.
///
/// # Errors
/// When it cannot be written.
pub fn entities(
    list: &[EntityDocument],
    more_after: Option<&str>,
    known_at: &str,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let shell = Shell {
        title: "Books of bond issues".to_owned(),
        facts: vec![("Known at", known_at.to_owned())],
        links: vec![("Documentation", "/docs/".to_owned()), ("JSON", "/v1/entities".to_owned())],
        caution: CAUTION,
        longest_figure: 0,
    };
    shell.begin(out)?;
    put(
        out,
        html! {
            h2 id="entities" { "Entities" }
            @if list.is_empty() {
                p { "There are no entities yet. " a href="/docs/" { "The documentation" } " shows how one is created, and lets you try it." }
            } @else {
                (table(
                    "Entities whose books are kept here",
                    &[texts("Name"), texts("Code"), texts("Currency"), texts("Framework"), texts("Fiscal year ends")],
                    list.iter().map(|entity| vec![
                        Cell::Markup(html! { a href=(entity_address(&entity.code)) { (entity.name) } }),
                        Cell::Text(&entity.code),
                        Cell::Text(&entity.functional_currency),
                        Cell::Text(framework(entity.framework)),
                        Cell::Text(&entity.fiscal_year_end),
                    ]),
                ))
            }
            @if let Some(code) = more_after { p { a href=(format!("/?after={code}")) { "More entities" } } }
        },
    )?;
    shell.end(out)
}

/// Writes the page of an entity.
///
/// # Errors
/// When it cannot be written.
pub fn entity(books: &Books<'_>, out: &mut impl io::Write) -> io::Result<()> {
    let Books { entity, .. } = books;
    let mut links = vec![("Documentation", "/docs/".to_owned()), ("JSON", format!("/v1/entities/{}", entity.code))];
    if !books.is_only_one {
        links.insert(0, ("All entities", "/".to_owned()));
    }
    let longest = |of: &IssuesOf| super::figure::printed(&of.values.total.principal).chars().count();
    let shell = Shell {
        title: format!("Bond issues of {}", entity.name),
        facts: vec![
            ("Entity", entity.code.clone()),
            ("Functional currency", entity.functional_currency.clone()),
            ("Framework", framework(entity.framework).to_owned()),
            ("Fiscal year ends", entity.fiscal_year_end.clone()),
            ("Today", books.today.clone()),
            ("Known at", books.known_at.clone()),
        ],
        links,
        caution: CAUTION,
        longest_figure: books.issues.iter().map(longest).max().unwrap_or_default(),
    };
    shell.begin(out)?;
    put(out, html! { h2 id="issues" { "Bond issues today" } })?;
    for of in &books.issues {
        put(out, issues(of, books))?;
    }
    put(out, periods(books))?;
    put(out, batches(&books.batches, &entity.code))?;
    put(out, reports(books))?;
    shell.end(out)
}

fn issues(IssuesOf { values, more_after }: &IssuesOf, books: &Books<'_>) -> Markup {
    let (code, currency) = (&values.entity, &values.currency);
    if values.items.is_empty() && more_after.is_none() {
        return html! { p { "There is no issue in " (currency) " yet." } };
    }
    let debt = &components::COLUMNS[..components::DEBT];
    let after = ["Accrued through", "Ties to what is booked", "More of it"].map(texts);
    let columns = [&[texts("Issue")][..], debt, &after].concat();
    let sum = std::iter::once(Cell::Markup(html! { "All issues in " (currency) }))
        .chain(components::cells(&values.total).take(components::DEBT))
        .chain([Cell::Text(""), Cell::Text(""), Cell::Text("")])
        .collect();
    html! {
        (totalled(
            &format!("What issues in {currency} are carried at today, at the close of {}", books.today),
            &columns,
            values.items.iter().map(|item| {
                let of = |what: &str| format!("/v1/bond-issues/{}{what}", item.bond_issue);
                let today = &books.today;
                let first = Cell::Markup(html! { a href=(of("/schedule?format=html")) { (item.reference) } });
                std::iter::once(first).chain(components::cells(&item.position).take(components::DEBT)).chain([
                    Cell::Date(item.accrued_through.as_deref().unwrap_or_default()),
                    Cell::Markup(super::tie(&item.status, item.overdue)),
                    Cell::Markup(html! { span class="small" { (links(&[
                        ("schedule", of("/schedule")),
                        ("terms", of("")),
                        ("events", of("/events")),
                        ("carrying value", of(&format!("/carrying-value?as_of={today}"))),
                        ("current or not", of(&format!("/classification?as_of={today}"))),
                    ])) } }),
                ]).collect()
            }),
            Some(sum),
        ))
        @if let Some(id) = more_after {
            p { a href=(format!("/?entity={code}&currency={currency}&after={id}")) { "More issues in " (currency) } }
        }
    }
}

fn periods(books: &Books<'_>) -> Markup {
    let items = &books.periods.items;
    let first_open = items.iter().position(|period| period.status == PeriodStatus::Open);
    let last_closed = items.iter().rposition(|period| period.status == PeriodStatus::Closed);
    let from = items.len().saturating_sub(PERIODS);
    let is_shown = |at: usize| at >= from || Some(at) == first_open || Some(at) == last_closed;
    let shown = items.iter().enumerate().filter(|(at, _)| is_shown(*at)).map(|(_, period)| period);
    let left_out = (0..items.len()).filter(|at| !is_shown(*at)).count();
    html! {
        h2 id="periods" { "Fiscal periods" }
        @match &books.periods.closed_through {
            Some(date) => p { "Closed through " (date) "." },
            None => p { "None is closed yet." },
        }
        @if items.is_empty() { p { "Nothing is posted yet." } } @else {
            (table(
                "Fiscal periods, the newest last, with their rollforwards",
                &[texts("Period"), texts("From"), texts("To"), texts("Status"), texts("Closed at"), texts("As it was closed"), texts("As it is now")],
                shown.map(|period| of_period(period, &books.entity.code)),
            ))
        }
        @if left_out > 0 {
            p { (left_out) " more are in the " a href=(format!("/v1/entities/{}/periods", books.entity.code)) { "list of all periods" } "." }
        }
        @if let Some((period, found)) = items.iter().find_map(|period| Some((period, period.in_the_way.as_ref()?))) {
            h3 { "What blocks the close of " (period.period) }
            @if found.is_empty() { p { "Nothing: it can be closed." } } @else { (in_the_way(found, period)) }
            @if found.len() > IN_THE_WAY {
                p { (found.len() - IN_THE_WAY) " more are in the " a href=(format!("/v1/entities/{}/periods/{}", books.entity.code, period.period)) { "whole list" } "." }
            }
        }
    }
}

fn of_period<'a>(period: &'a PeriodDocument, code: &str) -> Vec<Cell<'a>> {
    let is_closed = period.status == PeriodStatus::Closed;
    let view = |view: View| {
        let address = |format: &str| {
            format!("/v1/entities/{code}/rollforward?period={}&view={}&format={format}", period.period, view.name())
        };
        links(&[
            ("page", address("html")),
            ("XLSX", address("xlsx")),
            ("JSON", address("json")),
            ("CSV", address("csv")),
        ])
    };
    let status = match (is_closed, &period.reopened) {
        (true, _) => "Closed".to_owned(),
        (false, Some(reopened)) => format!("Open again, by {}: {}", reopened.name, reopened.reason),
        (false, None) => "Open".to_owned(),
    };
    vec![
        Cell::Text(&period.period),
        Cell::Date(&period.first_day),
        Cell::Date(&period.last_day),
        Cell::Markup(html! { (status) }),
        Cell::Date(period.close.as_ref().map_or("", |close| &close.recorded_at)),
        Cell::Markup(if is_closed {
            view(View::AsClosed)
        } else {
            html! {}
        }),
        Cell::Markup(view(View::Current)),
    ]
}

fn in_the_way(found: &[InTheWay], period: &PeriodDocument) -> Markup {
    table(
        &format!("What stands in the way of closing {}", period.period),
        &[
            texts("What"),
            texts("Issue"),
            texts("Batch"),
            texts("Date"),
            figures("Amount"),
            texts("Currency"),
            texts("What to do"),
        ],
        found.iter().take(IN_THE_WAY).map(|item| {
            vec![
                Cell::Markup(html! { (words(item.code)) }),
                Cell::Text(item.reference.as_deref().unwrap_or_default()),
                Cell::Text(item.batch.as_deref().unwrap_or_default()),
                Cell::Date(&item.date),
                Cell::Figure(item.amount.as_deref().unwrap_or_default()),
                Cell::Text(item.currency.as_deref().unwrap_or_default()),
                Cell::Text(&item.detail),
            ]
        }),
    )
}

fn batches(batches: &[RecentBatch], code: &str) -> Markup {
    html! {
        h2 id="batches" { "Newest journal batches" }
        @if batches.is_empty() { p { "Nothing is posted yet." } } @else {
            (table(
                "The journal batches that were posted last, the newest first",
                &[
                    texts("Number"),
                    texts("Posting date"),
                    texts("Status"),
                    figures("Entries"),
                    figures("Lines"),
                    figures("Debits, as many credits"),
                    texts("Currency"),
                    texts("Files"),
                ],
                batches.iter().map(|batch| {
                    let file = |format: &str| format!("/v1/journal-batches/{}?format={format}", batch.id);
                    vec![
                        Cell::Markup(html! { a href=(batch_address(&batch.id)) { (batch.number) } }),
                        Cell::Date(&batch.posting_date),
                        Cell::Markup(html! { (words(&batch.status)) }),
                        Cell::Number(batch.totals.entries.to_string()),
                        Cell::Number(batch.totals.lines.to_string()),
                        Cell::Figure(&batch.totals.debit),
                        Cell::Text(&batch.currency),
                        Cell::Markup(links(&[
                            ("JSON", file("json")),
                            ("CSV", file("csv")),
                            ("XLSX", file("xlsx")),
                            ("XBRL GL", file("xbrl-gl")),
                        ])),
                    ]
                }),
            ))
            p { a href=(format!("/v1/journal-batches?entity={code}")) { "All batches" } " from the first on; those that " a href=(format!("/v1/journal-batches?entity={code}&status=ready")) { "wait for an account" } "." }
        }
    }
}
