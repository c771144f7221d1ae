//! The rollforward as a page: the total first, what moved it, whether it ties, and then each issue.

mod beside;
mod closing;
mod lines;

use std::collections::HashMap;
use std::io;

use maud::{Markup, PreEscaped, html};

use self::lines::{KINDS, group, heads, is_balance, name, refs, row};
use super::figure::{is_zero, printed};
use super::label::words;
use super::shell::{Shell, contents, left_out, ways, whose};
use super::table::{Cell, figures, table, texts};
use super::{life, put};
use crate::document::EntityDocument;
use crate::export::svg::{Step, bridge};
use crate::reading::{Life, RollforwardDocument, RollforwardLine, TieOut};

/// How many issues have a chart on the page: the largest.
pub const CHARTS: usize = 12;

/// What a page of a rollforward is made of besides the report.
#[derive(Debug)]
pub struct Surroundings<'a> {
    pub entity: &'a EntityDocument,
    /// Ids of batches by their numbers.
    pub batches: &'a HashMap<String, String>,
    /// Of the issues that are to have a chart.
    pub lives: &'a [Life],
}

/// The ids of the issues that are to have a chart: those that stand at most, at the beginning or the end.
pub fn most_shown(report: &RollforwardDocument) -> Vec<String> {
    let size = |line: Option<&RollforwardLine>| {
        let digits = line.map_or("0", |line| line.carrying_amount.trim_start_matches('-'));
        digits.parse::<rust_decimal::Decimal>().unwrap_or_default()
    };
    let mut issues: Vec<_> = report
        .issues
        .iter()
        .map(|issue| (std::cmp::Reverse(size(issue.lines.first()).max(size(issue.lines.last()))), &issue.bond_issue))
        .collect();
    issues.sort();
    issues.into_iter().take(CHARTS).map(|(_, id)| id.clone()).collect()
}

/// Writes the page.
///
/// # Errors
/// When it cannot be written.
pub fn rollforward(report: &RollforwardDocument, with: &Surroundings<'_>, out: &mut impl io::Write) -> io::Result<()> {
    let shell = shell(report, with);
    shell.begin(out)?;
    put(out, contents(parts(report, with)))?;
    put(out, total(report, with))?;
    put(out, checks(&report.tie_out))?;
    put(out, beside::comparative(report))?;
    put(out, beside::reasonableness(&report.interest_reasonableness, &report.currency))?;
    put(out, closing::since_the_close(report, with))?;
    put(out, charts(report.issues.len(), with.lives))?;
    put(out, html! { h2 id="issues" { "Issues" } })?;
    issues(report, with, out)?;
    beside::each_issue(report, out)?;
    shell.end(out)
}

/// The parts that the page has.
fn parts(report: &RollforwardDocument, with: &Surroundings<'_>) -> impl Iterator<Item = (&'static str, &'static str)> {
    let is_compared = report.comparative.is_some();
    let parts = [
        ("total", "Total", true),
        ("checks", "Does it tie?", true),
        ("comparative", "Beside the days before", is_compared),
        ("interest", "Is interest reasonable?", true),
        ("changed", "Recorded since the close", report.changed_since_close.is_some()),
        ("waivers", "Waived at the close", report.waivers.is_some()),
        ("lives", "Charts of issues", !with.lives.is_empty()),
        ("issues", "Issues", true),
        ("beside", "Issues beside the days before", is_compared && !report.issues.is_empty()),
    ];
    parts.into_iter().filter_map(|(id, name, is_there)| is_there.then_some((id, name)))
}

/// A table of each kind, with a group of rows an issue.
fn issues(report: &RollforwardDocument, with: &Surroundings<'_>, out: &mut impl io::Write) -> io::Result<()> {
    if report.issues.is_empty() {
        return put(out, html! { p { "There is no issue in " (report.currency) " yet." } });
    }
    for kind in &KINDS {
        let columns = kind.columns_of(report);
        let has_batches = kind.holds_balances;
        put(
            out,
            html! {
                (PreEscaped("<div class=\"scroll\"><table>"))
                caption { (kind.name) " of each issue, from " (report.from) " to " (report.to) ", in " (report.currency) }
                (heads(&columns, has_batches))
            },
        )?;
        for (at, issue) in report.issues.iter().enumerate() {
            let place = has_batches.then(|| format!("issue-{at}"));
            let way = (!has_batches).then(|| format!("#issue-{at}"));
            put(
                out,
                html! {
                    tbody id=[place] {
                        (group(issue, columns.len() + 1 + usize::from(has_batches), way.as_deref()))
                        @for line in kind.rows_of(&issue.lines) {
                            @if has_batches { (row(line, &columns, Some(&refs(line, with)))) } @else { (row(line, &columns, None)) }
                        }
                    }
                },
            )?;
        }
        out.write_all(b"</table></div>")?;
    }
    Ok(())
}

fn shell<'a>(report: &'a RollforwardDocument, with: &Surroundings<'_>) -> Shell<'a> {
    let format = |format: &str| format!("{}&format={format}", address(report));
    let mut facts = vec![
        whose(with.entity),
        ("Currency", report.currency.clone()),
        ("From", report.from.clone()),
        ("To", report.to.clone()),
        ("Known at", report.known_at.clone()),
    ];
    if let Some(period) = &report.period {
        let view = report.view.map(|view| words(view.name()).to_lowercase()).unwrap_or_default();
        facts.insert(1, ("Fiscal period", format!("{period}, {view}")));
    }
    facts.extend(report.closed_at.iter().map(|at| ("Closed at", at.clone())));
    facts.extend(left_out(&report.other_currencies));
    Shell {
        title: format!("Bonds payable rollforward, {}", report.entity),
        facts,
        links: ways(&report.entity, [("JSON", format("json")), ("XLSX", format("xlsx")), ("CSV", format("csv"))]),
        caution: &report.caution,
        longest_figure: lines::longest(report),
    }
}

/// The address of the same report without its format, with what it knew where that can be said.
fn address(report: &RollforwardDocument) -> String {
    let asked = match (&report.period, report.view) {
        (Some(period), Some(view)) => format!("period={period}&view={}", view.name()),
        _ => format!("from={}&to={}&known_at={}", report.from, report.to, report.known_at),
    };
    let (entity, currency, beside) = (&report.entity, &report.currency, report.beside.name());
    format!("/v1/entities/{entity}/rollforward?{asked}&currency={currency}&comparative={beside}")
}

fn total(report: &RollforwardDocument, with: &Surroundings<'_>) -> Markup {
    let carrying = |line: Option<&RollforwardLine>| printed(line.map_or("0", |line| &line.carrying_amount));
    let moving = report.total.iter().filter(|line| is_balance(line) || !is_zero(&line.carrying_amount));
    let steps: Vec<Step<'_>> = moving
        .map(|line| Step { label: name(line), figure: &line.carrying_amount, is_balance: is_balance(line) })
        .collect();
    let title = format!("Carrying amount of all issues, in {}: from opening to closing", report.currency);
    let description = "Each row is a movement: one that adds is hatched upwards, one that takes away is hatched level and has its figure in \
                       parentheses; balances are solid. Movements that change no carrying amount are left out. All figures are in the \
                       table of the debt above.";
    html! {
        h2 id="total" { "Total" }
        p class="lead" {
            "All issues in " (report.currency) " are carried at " strong { (carrying(report.total.last())) } " at the close of " (report.to)
            ". They were carried at " strong { (carrying(report.total.first())) } " before " (report.from) "."
        }
        p { "A liability, expense, cash received and equity are positive; what is negative stands in parentheses." }
        @for kind in &KINDS {
            @let columns = kind.columns_of(report);
            div class="scroll keep" {
                table {
                    caption { (kind.name) " of all issues, from " (report.from) " to " (report.to) ", in " (report.currency) }
                    (heads(&columns, true))
                    tbody { @for line in kind.rows_of(&report.total) { (row(line, &columns, Some(&refs(line, with)))) } }
                }
            }
            @if kind.holds_balances {
                figure class="bridge" {
                    (bridge(&title, description, &steps))
                    figcaption { (title) ". " (description) }
                }
            }
        }
    }
}

fn checks(checks: &[TieOut]) -> Markup {
    let failed = checks.iter().filter(|check| !check.passed).count();
    html! {
        h2 id="checks" { "Does it tie?" }
        @if failed == 0 {
            p { span class="passed" { "Yes: all " (checks.len()) " checks passed." } }
        } @else {
            p { span class="failed" { "No: " (failed) " of " (checks.len()) " checks failed." } " Figures that do not tie must not be used." }
        }
        (table(
            "Checks of the total",
            &[texts("Check"), figures("Left"), figures("Right"), figures("Difference"), texts("Result")],
            checks.iter().map(|check| vec![
                Cell::Text(check.check.name()),
                Cell::Figure(&check.left),
                Cell::Figure(&check.right),
                Cell::Figure(&check.difference),
                Cell::Markup(if check.passed { html! { span class="passed" { "passed" } } } else { html! { span class="failed" { "FAILED" } } }),
            ]),
        ))
    }
}

fn charts(issues: usize, lives: &[Life]) -> Markup {
    html! {
        @if !lives.is_empty() {
            h2 id="lives" { "Carrying amount over the life of each issue" }
            @if lives.len() < issues {
                p { "The " (lives.len()) " of " (issues) " issues that stand at most are drawn here; the schedule of each issue has its own chart." }
            }
            @for (key, of_issue) in lives.iter().enumerate() {
                h3 { (of_issue.reference) }
                (life::life(of_issue, key))
            }
        }
    }
}
