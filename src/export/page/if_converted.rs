//! If-converted inputs as a page: earnings per share if they were asked for, the issues in order of dilution, and the days behind them.

use std::collections::BTreeSet;
use std::io;

use maud::{Markup, html};

use super::figure::{percent, printed, said, sum};
use super::label::words;
use super::shell::{Shell, left_out, ways, whose};
use super::table::{Cell, Group, figures, figures_if_any, texts, totalled, write, write_groups};
use super::{issue, put, rollforward_address};
use crate::document::EntityDocument;
use crate::reading::{EarningsPerShareDocument, IfConvertedDocument, IfConvertedItem};

/// What stands for shares that cannot be counted without a price.
const NO_PRICE: &str = "needs the share price";

/// Writes the page, with the address of the same report without its format.
///
/// # Errors
/// When it cannot be written.
pub fn if_converted(
    report: &IfConvertedDocument,
    entity: &EntityDocument,
    address: &str,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let shell = shell(report, entity, address);
    shell.begin(out)?;
    put(out, lead(report))?;
    put(out, html! { h2 id="issues" { "In order of dilution" } })?;
    items(report, out)?;
    spans(report, out)?;
    put(out, other_figures(report))?;
    shell.end(out)
}

fn shell<'a>(report: &'a IfConvertedDocument, entity: &EntityDocument, address: &str) -> Shell<'a> {
    let mut facts = vec![
        whose(entity),
        ("Currency", report.currency.clone()),
        ("From", report.from.clone()),
        ("To", report.to.clone()),
        ("Days", report.days.to_string()),
        ("Tax rate", percent(&report.tax_rate)),
        ("Average share price", report.average_share_price.as_deref().map_or_else(|| "not given".to_owned(), printed)),
        ("Shares restated through", report.restated_through.clone()),
        ("Known at", report.known_at.clone()),
    ];
    facts.extend(left_out(&report.other_currencies));
    let expense = sum(report.items.iter().map(|item| item.interest_expense.as_str()));
    Shell {
        title: format!("If-converted inputs of earnings per share, {}", report.entity),
        facts,
        links: ways(&report.entity, [("JSON", format!("{address}&format=json"))]),
        caution: &report.caution,
        longest_figure: printed(&expense).chars().count(),
    }
}

fn lead(report: &IfConvertedDocument) -> Markup {
    let rollforward =
        rollforward_address(&report.entity, (&report.from, &report.to), &report.known_at, &report.currency);
    html! {
        h2 id="total" { "Earnings per share" }
        @match &report.earnings_per_share {
            Some(found) => {
                p class="lead" {
                    "Diluted earnings per share are " strong { (printed(&found.diluted)) } " and basic ones " strong { (printed(&found.basic)) } " " (report.currency) "."
                }
                (steps(found, report))
            },
            None => {
                p class="lead" {
                    "Interest and expense of " strong { (said(&sum(report.items.iter().map(|item| item.add_back_after_tax.as_str())))) } " " (report.currency)
                    " after tax is added back"
                    @if report.missing.is_empty() {
                        " for " strong { (said(&sum(report.items.iter().filter_map(|item| item.incremental_shares.as_deref())))) } " shares"
                    }
                    ", as far as it dilutes."
                }
                p { "What dilutes depends on income and shares: earnings per share are computed of the " a href="#figures" { "figures that you give" } "." }
            },
        }
        @if !report.missing.is_empty() {
            p {
                span class="failed" { "Not complete." }
                " Where a conversion pays the principal in cash its shares depend on the average market price of a share in the period: "
                a href="#figures" { "give it" } "."
            }
        }
        p {
            "By the if-converted method, before other dilutive instruments such as options and preferred stock. Interest is that posted in the period; "
            "the journal batches behind it are in the " a href=(rollforward) { "rollforward of the period" } "."
        }
    }
}

/// Earnings per share with one line more at each step.
fn steps(found: &EarningsPerShareDocument, report: &IfConvertedDocument) -> Markup {
    let reference =
        |id: &str| report.items.iter().find(|item| item.bond_issue == id).map_or("", |item| &item.reference);
    let basic = vec![
        Cell::Text("Basic"),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Figure(&found.income),
        Cell::Figure(&found.weighted_average_shares),
        Cell::Figure(&found.basic),
    ];
    let steps = found.sequence.iter().map(|step| {
        vec![
            Cell::Markup(issue(&step.bond_issue, reference(&step.bond_issue))),
            Cell::Markup(html! { (words(&step.bonds)) }),
            Cell::Figure(&step.per_incremental_share),
            Cell::Text(if step.dilutive { "Yes" } else { "No, it stays out" }),
            Cell::Figure(&step.income),
            Cell::Figure(&step.shares),
            Cell::Figure(&step.earnings_per_share),
        ]
    });
    let diluted = vec![
        Cell::Text("Diluted"),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Text(""),
        Cell::Figure(&found.diluted),
    ];
    totalled(
        &format!("Earnings per share from basic to diluted, in {}", report.currency),
        &[
            texts("With"),
            texts("Bonds"),
            figures("Added back for a share"),
            texts("Dilutive"),
            figures("Income"),
            figures("Shares"),
            figures("Earnings per share"),
        ],
        std::iter::once(basic).chain(steps),
        Some(diluted),
    )
}

fn shares(of: Option<&str>) -> Cell<'_> {
    of.map_or_else(|| Cell::Number(NO_PRICE.to_owned()), Cell::Figure)
}

fn items(report: &IfConvertedDocument, out: &mut impl io::Write) -> io::Result<()> {
    if report.items.is_empty() {
        return put(out, html! { p { "There is no convertible issue in " (report.currency) " in these days." } });
    }
    let columns = [
        texts("Issue"),
        texts("Bonds"),
        texts("Method"),
        figures("Interest expense"),
        figures_if_any("Inducement expense"),
        figures("Added back before tax"),
        figures("Added back after tax"),
        figures("Incremental shares"),
        figures("Added back for a share"),
    ];
    let rows = || {
        report.items.iter().map(|item| {
            vec![
                Cell::Markup(issue(&item.bond_issue, &item.reference)),
                Cell::Markup(html! { (words(&item.bonds)) }),
                Cell::Markup(html! {
                    (words(&item.method))
                    @for flag in &item.flags { br; span class="quiet small" { (words(flag)) } }
                }),
                Cell::Figure(&item.interest_expense),
                Cell::Figure(&item.inducement_expense),
                Cell::Figure(&item.add_back_before_tax),
                Cell::Figure(&item.add_back_after_tax),
                shares(item.incremental_shares.as_deref()),
                Cell::Figure(item.per_incremental_share.as_deref().unwrap_or_default()),
            ]
        })
    };
    let caption =
        format!("What is added to income and to shares, from {} to {}, in {}", report.from, report.to, report.currency);
    write(out, &caption, &columns, rows, None)?;
    put(out, notes(&report.items))
}

/// What methods and flags mean, of those that there are.
fn notes(items: &[IfConvertedItem]) -> Markup {
    let there: BTreeSet<&str> = items
        .iter()
        .flat_map(|item| item.flags.iter().chain([&item.method, &item.bonds]).map(String::as_str))
        .collect();
    let notes = [
        (
            "if_converted",
            "interest of the period, amortization included, is added back after tax, and shares count for the days on which the bonds were outstanding.",
        ),
        (
            "conversion_spread",
            "the principal is paid in cash: nothing is added back, and only the shares beyond it count, at the average share price.",
        ),
        ("no_shares", "a conversion is paid in cash alone."),
        (
            "induced",
            "bonds that an offer induced to convert are tested apart, with the expense of the offer added back and the shares of the existing terms.",
        ),
        ("contingent_conversion_counted", "its condition on the share price keeps no shares out (ASC 260-10-45-44)."),
        (
            "contingent_conversion_to_be_judged",
            "it is counted here; under IFRS only if its condition is met at the end of the period (IAS 33.56-57).",
        ),
        ("not_accrued_through_period", "interest of the period is yet to be posted."),
    ];
    html! {
        @for (name, meaning) in notes {
            @if there.contains(name) { p class="quiet" { (words(name)) ": " (meaning) } }
        }
    }
}

fn spans(report: &IfConvertedDocument, out: &mut impl io::Write) -> io::Result<()> {
    let spanned = || report.items.iter().filter(|item| !item.spans.is_empty());
    if spanned().next().is_none() {
        return Ok(());
    }
    let groups = spanned().map(|item| Group {
        name: html! { (issue(&item.bond_issue, &item.reference)) span class="aside" { ", " (words(&item.bonds).to_lowercase()) " bonds" } },
        rows: item
            .spans
            .iter()
            .map(|span| {
                vec![
                    Cell::Date(&span.from),
                    Cell::Date(&span.to),
                    Cell::Number(span.days.to_string()),
                    Cell::Figure(&span.principal),
                    Cell::Figure(&span.shares_per_denomination),
                    shares(span.shares.as_deref()),
                ]
            })
            .collect(),
    });
    let columns = [
        texts("From"),
        texts("To"),
        figures("Days"),
        figures("Principal"),
        figures("Shares per denomination"),
        figures("Shares, not weighted"),
    ];
    put(out, html! { h2 id="spans" { "Days behind the shares" } })?;
    let caption = format!(
        "Days on which the same principal was outstanding at the same rate, of {} in {}",
        report.days, report.currency
    );
    write_groups(out, &caption, &columns, groups)
}

/// A form with all figures that earnings per share are computed of. A browser sends empty fields too, and so each has to be filled in.
fn other_figures(report: &IfConvertedDocument) -> Markup {
    let number = "-?[0-9]+([.][0-9]+)?";
    let (income, weighted) = report
        .earnings_per_share
        .as_ref()
        .map_or(("", ""), |found| (found.income.as_str(), found.weighted_average_shares.as_str()));
    html! {
        h2 id="figures" class="screen" { "Of other figures" }
        form method="get" action=(format!("/v1/entities/{}/if-converted", report.entity)) {
            label { "From" input type="date" name="from" value=(report.from) required; }
            label { "to" input type="date" name="to" value=(report.to) required; }
            label { "Tax rate, such as 0.25" input name="tax_rate" value=(report.tax_rate) pattern=(number) required; }
            label { "Average share price" input name="average_share_price" value=(report.average_share_price.as_deref().unwrap_or_default()) pattern=(number) required; }
            label { "Income of holders of common stock" input name="income" value=(income) pattern=(number) required; }
            label { "Weighted average shares" input name="weighted_average_shares" value=(weighted) pattern=(number) required; }
            input type="hidden" name="currency" value=(report.currency);
            input type="hidden" name="format" value="html";
            button type="submit" { "Compute" }
        }
        p class="screen quiet" { "Nothing of it is kept. The tax rate is a fraction; income is the control number, income from continuing operations." }
    }
}
