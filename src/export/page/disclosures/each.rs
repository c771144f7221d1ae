//! The disclosures of each issue: a table a subject, a row an issue, the total at its end.

use std::io;

use maud::{Markup, html};

use super::{NOT_KNOWN, conversions, is_none};
use crate::export::page::figure::percent;
use crate::export::page::label::words;
use crate::export::page::table::{Cell, Column, Group, figures, figures_if_any, texts, write, write_groups};
use crate::export::page::{components, issue, put};
use crate::reading::{ConvertedDocument, DisclosureFigures, DisclosuresDocument, IssueDisclosure};

/// The years of maturities; their last days stand with the total.
pub const YEARS: [&str; 6] = ["Year 1", "Year 2", "Year 3", "Year 4", "Year 5", "Thereafter"];

/// The figures of conversions.
pub const CONVERTED: [Column; 5] = [
    figures("Principal"),
    figures("Carrying amount"),
    figures("Shares issued"),
    figures("Credited to capital"),
    figures("Cash paid"),
];

/// Their cells.
pub fn converted(of: &ConvertedDocument) -> [Cell<'_>; 5] {
    [&of.principal, &of.carrying_amount, &of.shares, &of.credited_to_capital, &of.cash_paid]
        .map(|figure| Cell::Figure(figure))
}

/// Figures that an issue and the total have alike.
struct Subject {
    name: &'static str,
    /// At the date, or of the period.
    is_of_period: bool,
    columns: &'static [Column],
    of: fn(&DisclosureFigures) -> Vec<Option<&str>>,
}

const SUBJECTS: [Subject; 4] = [
    Subject {
        name: "Interest",
        is_of_period: true,
        columns: &[
            figures("Contractual interest"),
            figures("Amortization of premium (discount)"),
            figures("Amortization of issue costs"),
            figures_if_any("Modifications and estimates"),
            figures("Interest expense"),
            figures_if_any("Inducement expense"),
        ],
        of: |of| {
            let of = &of.interest;
            vec![
                Some(&of.contractual),
                Some(&of.amortization_of_premium_discount),
                Some(&of.amortization_of_issue_costs),
                Some(&of.other),
                Some(&of.interest_expense),
                Some(&of.inducement_expense),
            ]
        },
    },
    Subject {
        name: "Maturities",
        is_of_period: false,
        columns: &[
            figures(YEARS[0]),
            figures(YEARS[1]),
            figures(YEARS[2]),
            figures(YEARS[3]),
            figures(YEARS[4]),
            figures(YEARS[5]),
        ],
        of: |of| of.maturities.iter().map(|year| Some(year.amount.as_str())).collect(),
    },
    Subject {
        name: "Cash paid and received",
        is_of_period: true,
        columns: &[
            figures("Proceeds"),
            figures("Interest paid"),
            figures("Paid for bonds"),
            figures("of it accreted interest"),
            figures("of it costs"),
            figures("Cash paid at conversions"),
        ],
        of: |of| {
            let of = &of.cash_flows;
            vec![
                Some(&of.proceeds),
                Some(&of.interest_paid),
                Some(&of.paid_for_bonds),
                of.accreted_interest_repaid.as_deref(),
                Some(&of.extinguishment_costs_paid),
                Some(&of.cash_paid_at_conversions),
            ]
        },
    },
    Subject {
        name: "What moved without cash",
        is_of_period: true,
        columns: &[
            figures("Amortization"),
            figures("Inducement expense"),
            figures("Gain (loss) on extinguishment"),
            figures("Converted without cash"),
        ],
        of: |of| {
            let of = &of.cash_flows;
            vec![
                Some(&of.noncash_amortization),
                Some(&of.inducement_expense),
                Some(&of.gain_loss_on_extinguishment),
                Some(&of.noncash_conversions),
            ]
        },
    },
];

/// Writes what is told of each issue.
pub fn issues<'r>(report: &'r DisclosuresDocument, out: &mut impl io::Write) -> io::Result<()> {
    put(out, html! { h2 id="issues" { "Each issue" } })?;
    if report.items.is_empty() {
        return put(
            out,
            html! { p { "There is no issue in " (report.currency) " that was settled by " (report.as_of) "." } },
        );
    }
    let at = format!("at the close of {}, in {}", report.as_of, report.currency);
    let of_period = format!("from {} to {}, in {}", report.period_from, report.as_of, report.currency);
    terms(report, out)?;
    debt(report, &at, out)?;
    option(report, &at, out)?;
    for subject in &SUBJECTS {
        let when = if subject.is_of_period { &of_period } else { &at };
        let cells = |of| {
            let cell = |figure: Option<_>| figure.map_or_else(|| Cell::Number(NOT_KNOWN.to_owned()), Cell::Figure);
            (subject.of)(of).into_iter().map(cell)
        };
        write(
            out,
            &format!("{} of each issue, {when}", subject.name),
            &[&[texts("Issue")][..], subject.columns].concat(),
            || report.items.iter().map(|item| named(item).chain(cells(&item.figures)).collect()),
            Some(std::iter::once(Cell::Text("All issues")).chain(cells(&report.total)).collect()),
        )?;
    }
    payments(report, &at, out)?;
    let columns = [&[texts("Issue"), texts("Terms")][..], &CONVERTED].concat();
    let rows = || {
        let of_item = |item: &'r IssueDisclosure| conversions(&item.figures).map(|(terms, of)| (item, terms, of));
        let converting = report.items.iter().flat_map(of_item).filter(|(_, _, of)| !is_none(of));
        converting.map(|(item, terms, of)| named(item).chain([Cell::Text(terms)]).chain(converted(of)).collect())
    };
    if rows().next().is_some() {
        write(out, &format!("Conversions of each issue that had some, {of_period}"), &columns, rows, None)?;
    }
    Ok(())
}

/// The first cell of an issue's row.
fn named(item: &IssueDisclosure) -> impl Iterator<Item = Cell<'_>> {
    std::iter::once(Cell::Markup(issue(&item.bond_issue, &item.reference)))
}

fn terms(report: &DisclosuresDocument, out: &mut impl io::Write) -> io::Result<()> {
    let columns = [
        texts("Issue"),
        texts("Maturity"),
        figures("Coupon rate"),
        figures("Effective rate, nominal a year"),
        figures("compounded over a year"),
        figures("nominal without issue costs"),
        texts("Amortized through"),
        figures("Remaining years"),
    ];
    let rows = || {
        report.items.iter().map(|item| {
            let rate = &item.effective_rate;
            let terms = [
                Cell::Date(&item.maturity_date),
                Cell::Number(percent(&item.coupon_rate)),
                Cell::Number(percent(&rate.nominal_annual)),
                Cell::Number(percent(&rate.effective_annual)),
                Cell::Number(percent(&rate.gross_nominal_annual)),
                Cell::Date(&item.amortized_through),
                Cell::Number(item.remaining_years.clone()),
            ];
            named(item).chain(terms).collect()
        })
    };
    write(out, &format!("Terms and rates of each issue, at the close of {}", report.as_of), &columns, rows, None)
}

/// What each issue stands at, and what of it is current, is not, and is surrendered.
fn debt<'r>(report: &'r DisclosuresDocument, at: &str, out: &mut impl io::Write) -> io::Result<()> {
    let (items, total) = (&report.items, &report.total);
    let columns = [&[texts("Issue"), texts("By its terms")][..], &components::COLUMNS].concat();
    let all = |cells: Vec<_>| [Cell::Text("All issues"), Cell::Text("")].into_iter().chain(cells).collect::<Vec<_>>();
    let rows = || {
        items.iter().map(|item| {
            let class = Cell::Markup(html! { (verdict(&item.classification.by_terms)) });
            named(item).chain([class]).chain(components::cells(&item.figures.debt)).collect()
        })
    };
    let sum = all(components::cells(&total.debt).collect());
    write(out, &format!("Debt of each issue, {at}"), &columns, rows, Some(sum))?;
    let columns = [&[texts("Issue"), texts("Why")][..], &components::COLUMNS[..components::PARTED]].concat();
    for (name, is_current) in [("Current debt", true), ("Non-current debt", false)] {
        let part = |of: &'r DisclosureFigures| if is_current { of.current.as_ref() } else { of.non_current.as_ref() };
        let rows = || {
            let parts = items.iter().filter_map(|item| Some((item, part(&item.figures)?)));
            parts.map(|(item, of)| {
                let why = if item.classification.as_reclassified { "as reclassified" } else { "by its terms" };
                let parted = components::cells(of).take(components::PARTED);
                named(item).chain([Cell::Text(why)]).chain(parted).collect()
            })
        };
        let sum = part(total).map(|of| all(components::cells(of).take(components::PARTED).collect()));
        if rows().next().is_some() {
            write(out, &format!("{name} of each issue, {at}"), &columns, rows, sum)?;
        }
    }
    let Some(surrendered) = &total.surrendered else { return Ok(()) };
    let columns = [&[texts("Issue")][..], &components::COLUMNS].concat();
    let rows = || {
        let kept = items.iter().filter_map(|item| Some((item, item.figures.surrendered.as_ref()?)));
        kept.map(|(item, of)| named(item).chain(components::cells(of)).collect())
    };
    let sum = std::iter::once(Cell::Text("All issues")).chain(components::cells(surrendered)).collect();
    write(out, &format!("Surrendered for conversion and not settled, of each issue, {at}"), &columns, rows, Some(sum))
}

/// What a conversion would give, and fair values.
fn option(report: &DisclosuresDocument, at: &str, out: &mut impl io::Write) -> io::Result<()> {
    let columns = [
        texts("Issue"),
        figures("Shares per denomination"),
        figures("Conversion price"),
        figures("Shares issuable"),
        figures("Shares to reserve"),
        figures_if_any("If-converted value"),
        figures_if_any("Excess over principal"),
    ];
    let rows = || {
        let convertible = report.items.iter().filter_map(|item| Some((item, item.conversion.as_ref()?)));
        convertible.map(|(item, of)| {
            let shares =
                [&of.shares_per_denomination, &of.conversion_price, &of.shares_issuable, &of.shares_to_reserve];
            let worth = [&of.if_converted_value, &of.excess_over_principal];
            let cells =
                shares.into_iter().map(String::as_str).chain(worth.map(|figure| figure.as_deref().unwrap_or_default()));
            named(item).chain(cells.map(Cell::Figure)).collect()
        })
    };
    if rows().next().is_some() {
        write(out, &format!("What a conversion of each issue would give, {at}"), &columns, rows, None)?;
        put(out, at_a_price(report))?;
    }
    let columns = [texts("Issue"), figures("Carrying amount"), figures("Fair value"), figures("Level")];
    let rows = || {
        let valued = report.items.iter().filter_map(|item| Some((item, item.fair_value.as_ref()?)));
        valued.map(|(item, of)| {
            let level = Cell::Number(of.level.to_string());
            named(item)
                .chain([Cell::Figure(&item.figures.debt.carrying_amount), Cell::Figure(&of.amount), level])
                .collect()
        })
    };
    if rows().next().is_some() {
        write(out, &format!("Fair values as they were entered, {at}"), &columns, rows, None)?;
    }
    Ok(())
}

/// A form that asks what a conversion would be worth.
fn at_a_price(report: &DisclosuresDocument) -> Markup {
    html! {
        form method="get" action=(format!("/v1/entities/{}/disclosures", report.entity)) {
            input type="hidden" name="period_from" value=(report.period_from);
            input type="hidden" name="as_of" value=(report.as_of);
            input type="hidden" name="known_at" value=(report.known_at);
            input type="hidden" name="currency" value=(report.currency);
            input type="hidden" name="format" value="html";
            label {
                "If-converted values at a share price of"
                input name="share_price" value=(report.share_price.as_deref().unwrap_or_default()) pattern="[0-9]+([.][0-9]+)?" required;
            }
            button type="submit" { "Show" }
        }
    }
}

fn payments(report: &DisclosuresDocument, at: &str, out: &mut impl io::Write) -> io::Result<()> {
    let groups = report.items.iter().map(|item| Group {
        name: issue(&item.bond_issue, &item.reference),
        rows: item
            .figures
            .payments
            .iter()
            .map(|of| {
                let band = Cell::Markup(html! { (words(&of.band)) });
                vec![band, Cell::Figure(&of.interest), Cell::Figure(&of.principal), Cell::Figure(&of.total)]
            })
            .collect(),
    });
    let columns = [texts("To be paid"), figures("Interest"), figures("Principal"), figures("Total")];
    write_groups(out, &format!("Undiscounted payments of each issue, {at}"), &columns, groups)
}

/// Whether debt is current by its terms, in words.
fn verdict(name: &str) -> String {
    match name {
        "current" => "Current".to_owned(),
        "non_current" => "Non-current".to_owned(),
        name => words(name),
    }
}
