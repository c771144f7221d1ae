//! The trial balance and the carrying values as pages.

use std::io;

use maud::html;

use super::figure::printed;
use super::label::words;
use super::shell::{Shell, left_out, ways, whose};
use super::table::{Cell, figures, figures_if_any, texts, totalled};
use super::{components, put};
use crate::document::EntityDocument;
use crate::reading::{CAUTION, CarryingValues, TrialBalanceDocument};

/// Writes the page of a trial balance.
///
/// # Errors
/// When it cannot be written.
pub fn trial_balance(
    report: &TrialBalanceDocument,
    entity: &EntityDocument,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let address = format!(
        "/v1/entities/{}/trial-balance?as_of={}&known_at={}&currency={}",
        report.entity, report.as_of, report.known_at, report.currency
    );
    let shell = Shell {
        title: format!("Trial balance of bond issues, {}", report.entity),
        facts: facts(entity, &report.currency, &report.as_of, &report.known_at, &report.other_currencies),
        links: ways(&report.entity, [("JSON", address)]),
        caution: &report.caution,
        longest_figure: printed(&report.total_debit).chars().count(),
    };
    shell.begin(out)?;
    let total = vec![
        Cell::Text("All roles"),
        Cell::Text(""),
        Cell::Figure(&report.total_debit),
        Cell::Figure(&report.total_credit),
        Cell::Text(""),
    ];
    put(
        out,
        html! {
            p { "Debits and credits of everything posted by " (report.as_of) "; a balance is debit less credit." }
            (totalled(
                &format!("Trial balance at the close of {}, in {}", report.as_of, report.currency),
                &[texts("Role"), texts("Account"), figures("Debit"), figures("Credit"), figures("Balance")],
                report.rows.iter().map(|row| vec![
                    Cell::Markup(html! { (words(&row.account_role)) }),
                    Cell::Markup(html! {
                        @match &row.account {
                            Some(account) => { (account) " " (row.account_name.as_deref().unwrap_or_default()) },
                            None => span class="quiet" { "no account yet" },
                        }
                    }),
                    Cell::Figure(&row.debit),
                    Cell::Figure(&row.credit),
                    Cell::Figure(&row.balance),
                ]),
                Some(total),
            ))
        },
    )?;
    shell.end(out)
}

/// Writes a page of carrying values, with the address of the next one if there are more.
///
/// # Errors
/// When it cannot be written.
pub fn carrying_values(
    values: &CarryingValues,
    more: Option<&str>,
    entity: &EntityDocument,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let known = format!(
        "/v1/entities/{}/carrying-values?as_of={}&basis={}&currency={}&known_at={}",
        values.entity, values.as_of, values.basis, values.currency, values.known_at
    );
    let mut facts = facts(entity, &values.currency, &values.as_of, &values.known_at, &values.other_currencies);
    facts.insert(
        2,
        ("Basis", if values.basis == "posted" { "what is posted" } else { "what was effective" }.to_owned()),
    );
    let shell = Shell {
        title: format!("Carrying values of bond issues, {}", values.entity),
        facts,
        links: ways(&values.entity, [("JSON", format!("{known}&format=json")), ("CSV", format!("{known}&format=csv"))]),
        caution: CAUTION,
        longest_figure: printed(&values.total.principal).chars().count(),
    };
    let after = [figures_if_any("Unexplained"), texts("Accrued through"), texts("Ties to what is booked")];
    let columns = [&[texts("Issue")][..], &components::COLUMNS, &after].concat();
    let total = std::iter::once(Cell::Text("All issues"))
        .chain(components::cells(&values.total))
        .chain([Cell::Text(""), Cell::Text(""), Cell::Text("")])
        .collect();
    shell.begin(out)?;
    put(
        out,
        html! {
            (totalled(
                &format!("Carrying values at the close of {}, in {}", values.as_of, values.currency),
                &columns,
                values.items.iter().map(|item| {
                    let place = format!("/v1/bond-issues/{}/schedule?format=html", item.bond_issue);
                    let first = Cell::Markup(html! { a href=(place) { (item.reference) } });
                    std::iter::once(first).chain(components::cells(&item.position)).chain([
                        Cell::Figure(&item.unexplained.carrying_amount),
                        Cell::Date(item.accrued_through.as_deref().unwrap_or_default()),
                        Cell::Markup(super::tie(&item.status, item.overdue)),
                    ]).collect()
                }),
                Some(total),
            ))
            @if let Some(address) = more {
                p { "The total is that of all issues. " a href=(address) { "More issues" } }
            }
        },
    )?;
    shell.end(out)
}

fn facts(
    entity: &EntityDocument,
    currency: &str,
    as_of: &str,
    known_at: &str,
    others: &[String],
) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        whose(entity),
        ("Currency", currency.to_owned()),
        ("At the close of", as_of.to_owned()),
        ("Known at", known_at.to_owned()),
    ];
    facts.extend(left_out(others));
    facts
}
