//! Disclosures as a page: the figures of all issues first, then what happened, and then each issue.

mod each;
mod events;

use std::collections::HashMap;
use std::io;

use maud::{Markup, html};

use super::figure::{is_zero, printed, said};
use super::label::words;
use super::shell::{Shell, contents, left_out, ways, whose};
use super::table::{Cell, figures, table, texts, totalled};
use super::{components, put, rollforward_address};
use crate::document::EntityDocument;
use crate::reading::{ConvertedDocument, DisclosureFigures, DisclosuresDocument, EventBatches};

/// The parts of the page.
const PARTS: [(&str, &str); 6] = [
    ("total", "All issues"),
    ("events", "Events of the period"),
    ("later", "Events after it"),
    ("notices", "Notices not settled"),
    ("earlier", "Entries effective earlier"),
    ("issues", "Each issue"),
];

/// What stands behind the figures.
#[derive(Debug)]
pub struct Behind<'a> {
    pub entity: &'a EntityDocument,
    /// The address of the same report without its format.
    pub address: &'a str,
    /// Of the events that the report tells of.
    pub batches: &'a EventBatches,
    /// Ids of batches by their numbers.
    pub ids: &'a HashMap<String, String>,
}

/// Writes the page.
///
/// # Errors
/// When it cannot be written.
pub fn disclosures(report: &DisclosuresDocument, behind: &Behind<'_>, out: &mut impl io::Write) -> io::Result<()> {
    let shell = shell(report, behind);
    shell.begin(out)?;
    put(out, contents(PARTS))?;
    put(out, lead(report))?;
    put(out, total(report))?;
    events::events(report, behind, out)?;
    each::issues(report, out)?;
    shell.end(out)
}

fn shell<'a>(report: &'a DisclosuresDocument, behind: &Behind<'_>) -> Shell<'a> {
    let format = |format: &str| format!("{}&format={format}", behind.address);
    let mut facts = vec![
        whose(behind.entity),
        ("Currency", report.currency.clone()),
        ("At the close of", report.as_of.clone()),
        ("Period from", report.period_from.clone()),
        ("Known at", report.known_at.clone()),
    ];
    facts.extend(report.share_price.iter().map(|price| ("Share price", printed(price))));
    facts.extend(left_out(&report.other_currencies));
    Shell {
        title: format!("Disclosures on bonds payable, {}", report.entity),
        facts,
        links: ways(&report.entity, [("JSON", format("json")), ("CSV", format("csv"))]),
        caution: &report.caution,
        longest_figure: printed(&report.total.debt.principal).chars().count(),
    }
}

fn lead(report: &DisclosuresDocument) -> Markup {
    let (total, days) = (&report.total, (report.period_from.as_str(), report.as_of.as_str()));
    let rollforward = rollforward_address(&report.entity, days, &report.known_at, &report.currency);
    html! {
        h2 id="total" { "All issues" }
        p class="lead" {
            "All issues in " (report.currency) " are carried at " strong { (printed(&total.debt.carrying_amount)) } " at the close of " (report.as_of)
            @match (&total.current, &total.non_current) {
                (Some(current), Some(rest)) => {
                    ", of which " strong { (said(&current.carrying_amount)) } " is current and " strong { (said(&rest.carrying_amount)) } " is not."
                },
                _ => ". How much of it is current is not determined: an issue's sale-price condition must be known first.",
            }
        }
        p {
            "A liability, expense and cash received are positive; what is negative stands in parentheses. What moved the debt from "
            (report.period_from) " on, with the journal batches behind each figure, is in the " a href=(rollforward) { "rollforward of the period" } "."
        }
    }
}

fn part<'a>(name: &'a str, cells: Vec<Cell<'a>>) -> Vec<Cell<'a>> {
    std::iter::once(Cell::Text(name)).chain(cells).collect()
}

fn total(report: &DisclosuresDocument) -> Markup {
    let (total, currency) = (&report.total, &report.currency);
    let at = format!("at the close of {}, in {currency}", report.as_of);
    let of_period = format!("from {} to {}, in {currency}", report.period_from, report.as_of);
    let mut parts = vec![part("All debt", components::cells(&total.debt).collect())];
    let debt = |of| components::cells(of).collect();
    parts.extend(total.current.as_ref().map(|of| part("of it current", debt(of))));
    parts.extend(total.non_current.as_ref().map(|of| part("of it non-current", debt(of))));
    let surrendered = total.surrendered.as_ref();
    parts.extend(surrendered.map(|of| part("of it surrendered for conversion", components::cells(of).collect())));
    html! {
        (table(&format!("Debt of all issues, {at}"), &[&[texts("Part")][..], &components::COLUMNS].concat(), parts))
        div class="columns" {
            (interest(total, &of_period))
            (statement(&format!("Cash flows of all issues, {of_period}"), &flows(total)))
        }
        div class="columns" { (maturities(report, &at)) (payments(report, &at)) }
        (table(
            &format!("Conversions of all issues, {of_period}"),
            &[&[texts("Terms")][..], &each::CONVERTED].concat(),
            conversions(total).into_iter().map(|(name, of)| part(name, each::converted(of).into())),
        ))
    }
}

/// Lines with a figure each.
fn statement(caption: &str, lines: &[(&str, Option<&str>)]) -> Markup {
    table(
        caption,
        &[texts("Figure"), figures("Amount")],
        lines.iter().map(|(name, figure)| {
            vec![Cell::Text(name), figure.map_or_else(|| Cell::Number(NOT_KNOWN.to_owned()), Cell::Figure)]
        }),
    )
}

/// What stands for a figure that cannot be told.
const NOT_KNOWN: &str = "not known";

fn interest(of: &DisclosureFigures, of_period: &str) -> Markup {
    let of = &of.interest;
    let parts = [
        ("Contractual interest", &of.contractual),
        ("Amortization of premium (discount)", &of.amortization_of_premium_discount),
        ("Amortization of issue costs", &of.amortization_of_issue_costs),
        ("Of modifications and estimates", &of.other),
    ];
    html! {
        div {
            (totalled(
                &format!("Interest of all issues, {of_period}"),
                &[texts("Figure"), figures("Amount")],
                parts.into_iter().map(|(name, figure)| vec![Cell::Text(name), Cell::Figure(figure)]),
                Some(vec![Cell::Text("Interest expense"), Cell::Figure(&of.interest_expense)]),
            ))
            p { "Inducement expense, which is no interest: " (said(&of.inducement_expense)) "." }
        }
    }
}

fn flows(of: &DisclosureFigures) -> [(&'static str, Option<&str>); 10] {
    let of = &of.cash_flows;
    [
        ("Proceeds", Some(&of.proceeds)),
        ("Interest paid", Some(&of.interest_paid)),
        ("Paid for bonds, without interest", Some(&of.paid_for_bonds)),
        ("of it accreted interest repaid", of.accreted_interest_repaid.as_deref()),
        ("of it costs of extinguishment", Some(&of.extinguishment_costs_paid)),
        ("Cash paid at conversions", Some(&of.cash_paid_at_conversions)),
        ("Added back without cash: amortization", Some(&of.noncash_amortization)),
        ("Added back without cash: inducement expense", Some(&of.inducement_expense)),
        ("Gain (loss) on extinguishment", Some(&of.gain_loss_on_extinguishment)),
        ("Converted without cash", Some(&of.noncash_conversions)),
    ]
}

fn maturities(report: &DisclosuresDocument, at: &str) -> Markup {
    table(
        &format!("Maturities of all issues, {at}"),
        &[texts("Repaid in"), texts("Through"), figures("Amount")],
        report.total.maturities.iter().zip(each::YEARS).map(|(year, name)| {
            let through = year.through.as_deref().unwrap_or("later");
            vec![Cell::Text(name), Cell::Date(through), Cell::Figure(&year.amount)]
        }),
    )
}

fn payments(report: &DisclosuresDocument, at: &str) -> Markup {
    table(
        &format!("Undiscounted payments of all issues, {at}"),
        &[texts("To be paid"), texts("Through"), figures("Interest"), figures("Principal"), figures("Total")],
        report.total.payments.iter().zip(&report.payment_bands).map(|(payments, band)| {
            vec![
                Cell::Markup(html! { (words(&payments.band)) }),
                Cell::Date(band.through.as_deref().unwrap_or("later")),
                Cell::Figure(&payments.interest),
                Cell::Figure(&payments.principal),
                Cell::Figure(&payments.total),
            ]
        }),
    )
}

fn conversions(of: &DisclosureFigures) -> [(&'static str, &ConvertedDocument); 2] {
    [("Original terms", &of.contractual_conversions), ("Induced", &of.induced_conversions)]
}

/// Whether nothing was converted.
fn is_none(of: &ConvertedDocument) -> bool {
    [&of.principal, &of.carrying_amount, &of.shares, &of.credited_to_capital, &of.cash_paid]
        .into_iter()
        .all(|figure| is_zero(figure))
}
