//! The way to every report of an entity in every format.

use maud::{Markup, html};

use super::Books;
use crate::export::page::table::{Cell, table, texts};

/// Some links in one line.
pub fn links(links: &[(&str, String)]) -> Markup {
    html! {
        @for (at, (name, address)) in links.iter().enumerate() {
            @if at > 0 { ", " }
            a href=(address) { (name) }
        }
    }
}

/// From when to when reports are offered: the fiscal year of today, or of the last period there is, as far as anything is posted in it.
fn range(books: &Books<'_>) -> (String, String) {
    let (items, today) = (&books.periods.items, &books.today);
    let of_today = items.iter().find(|period| period.first_day <= *today && *today <= period.last_day);
    match of_today.or(items.last()) {
        Some(last) => {
            let year = last.period.split('-').next().unwrap_or_default();
            let first = items.iter().find(|period| period.period.starts_with(year)).unwrap_or(last);
            (first.first_day.clone(), last.last_day.clone().min(today.clone()).max(first.first_day.clone()))
        }
        None => (format!("{}-01-01", today.get(..4).unwrap_or("2000")), today.clone()),
    }
}

fn a_year_later(today: &str) -> String {
    let later =
        today.parse::<jiff::civil::Date>().ok().and_then(|date| date.checked_add(jiff::Span::new().years(1)).ok());
    later.map_or_else(|| today.to_owned(), |date| date.to_string())
}

/// The way to every report and file.
pub fn reports(books: &Books<'_>) -> Markup {
    let code = &books.entity.code;
    let of = |what: &str| format!("/v1/entities/{code}/{what}");
    html! {
        h2 id="reports" { "Reports and files" }
        @for of_currency in &books.issues { (reports_in(&of_currency.values.currency, books)) }
        (table(
            "What has no currency",
            &[texts("What"), texts("Files")],
            [
                row("Bond issues and their terms", &[("JSON", format!("/v1/bond-issues?entity={code}"))]),
                row("Releases for the ledger", &[("JSON", of("releases?after=0")), ("not answered yet", of("open-releases"))]),
                row("Account mapping", &[("JSON", of(&format!("account-mapping?as_of={}", books.today)))]),
                row("Sample batches, to rehearse an import", &[("JSON", of("sample-batches")), ("CSV", of("sample-batches?format=csv"))]),
                row("Destinations of deliveries", &[("JSON", of("destinations"))]),
                row("Fiscal periods", &[("JSON", of("periods"))]),
                row("Layouts of journal lines", &std::iter::once(("all", of("layouts")))
                    .chain(books.layouts.iter().map(|name| (name.as_str(), of(&format!("layouts/{name}"))))).collect::<Vec<_>>()),
            ],
        ))
    }
}

fn row<'a>(name: &'a str, of: &[(&str, String)]) -> Vec<Cell<'a>> {
    vec![Cell::Text(name), Cell::Markup(links(of))]
}

fn reports_in(currency: &str, books: &Books<'_>) -> Markup {
    let (from, to) = range(books);
    let (code, today) = (&books.entity.code, &books.today);
    let later = a_year_later(today);
    let of = |what: &str| format!("/v1/entities/{code}/{what}&currency={currency}");
    let days = |what: &str| of(&format!("{what}?from={from}&to={to}"));
    let ahead = |what: &str| of(&format!("{what}?from={today}&to={later}"));
    let day = |what: &str| of(&format!("{what}?as_of={today}"));
    let lines = |layout: &str| format!("{}&format=csv&layout={layout}", days("journal-lines"));
    let csv = |address: String| format!("{address}&format=csv");
    let page = |address: String| format!("{address}&format=html");
    let days_untaxed = of(&format!("if-converted?from={from}&to={to}&tax_rate=0"));
    let (rollforward, disclosures) = (days("rollforward"), of(&format!("disclosures?as_of={to}&period_from={from}")));
    html! {
        h3 { "In " (currency) }
        form method="get" action=(format!("/v1/entities/{code}/rollforward")) {
            label { "Rollforward from" input type="date" name="from" value=(from) required; }
            label { "to" input type="date" name="to" value=(to) required; }
            label { "as" select name="format" {
                option value="html" { "page" }
                option value="xlsx" { "workbook" }
                option value="csv" { "CSV" }
                option value="json" { "JSON" }
            } }
            input type="hidden" name="currency" value=(currency);
            button type="submit" { "Show" }
        }
        (table(
            &format!("Reports in {currency}"),
            &[texts("Report"), texts("Of"), texts("Files")],
            [
                report("Rollforward", format!("{from} to {to}"), &[
                    ("page", format!("{rollforward}&format=html")),
                    ("XLSX", format!("{rollforward}&format=xlsx")),
                    ("JSON", format!("{rollforward}&format=json")),
                    ("CSV", csv(rollforward)),
                ]),
                report("Carrying values", today.clone(), &[("page", page(day("carrying-values"))), ("JSON", day("carrying-values")), ("CSV", csv(day("carrying-values")))]),
                report("Trial balance", today.clone(), &[("page", page(day("trial-balance"))), ("JSON", day("trial-balance"))]),
                report("Disclosures", format!("{from} to {to}"), &[
                    ("page", page(disclosures.clone())), ("JSON", disclosures.clone()), ("CSV", csv(disclosures)),
                ]),
                report("If-converted inputs, before tax", format!("{from} to {to}"), &[
                    ("page", page(days_untaxed.clone())), ("JSON", days_untaxed),
                ]),
                report("Forecast", format!("{today} to {later}"), &[("page", page(ahead("forecast"))), ("JSON", ahead("forecast"))]),
                report("Calendar of coupons, puts and maturities", format!("{today} to {later}"), &[
                    ("page", page(ahead("calendar"))),
                    ("JSON", ahead("calendar")),
                    ("iCalendar", format!("{}&format=ics", ahead("calendar"))),
                ]),
                report("Journal lines", format!("{from} to {to}"), &[("JSON", days("journal-lines")), ("CSV", csv(days("journal-lines")))]
                    .into_iter().chain(books.layouts.iter().map(|name| (name.as_str(), lines(name)))).collect::<Vec<_>>()),
            ],
        ))
    }
}

fn report<'a>(name: &'a str, of: String, files: &[(&str, String)]) -> Vec<Cell<'a>> {
    vec![Cell::Text(name), Cell::Markup(html! { (of) }), Cell::Markup(links(files))]
}
