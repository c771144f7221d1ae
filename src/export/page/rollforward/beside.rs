//! What stands beside the figures of a rollforward: the days before, and whether interest is about what is expected.

use std::collections::HashMap;
use std::io;

use maud::{Markup, PreEscaped, html};

use super::lines::{group, is_balance, name};
use crate::export::page::figure::{self, percent};
use crate::export::page::table::{Cell, figures, texts, totalled};
use crate::export::page::{put, rollforward_address};
use crate::reading::{
    Beside, ComparativeRollforward, InterestExpectation, InterestReasonableness, RollforwardDocument, RollforwardLine,
};

/// A figure of a line that is compared.
type Compared = (&'static str, fn(&RollforwardLine) -> &str);

/// The figures of one table. More of them would fit neither on paper nor on a screen, for each stands there twice.
struct Kind {
    name: &'static str,
    /// Whether balances are among its rows.
    holds_balances: bool,
    figures: [Compared; 3],
}

const KINDS: [Kind; 2] = [
    Kind {
        name: "Debt",
        holds_balances: true,
        figures: [
            ("Principal", |line| &line.principal),
            ("Carrying amount", |line| &line.carrying_amount),
            ("Interest payable", |line| &line.interest_payable),
        ],
    },
    Kind {
        name: "Expense and cash",
        holds_balances: false,
        figures: [
            ("All expense", |line| &line.expense),
            ("Gain (loss)", |line| &line.gain_loss),
            ("Cash received (paid)", |line| &line.cash),
        ],
    },
];

/// A line of these days beside the same of the days before.
type Pair<'r> = [Option<&'r RollforwardLine>; 2];

/// The movements of both, in the order of these days; those of the days before alone come before the closing balance.
fn pairs<'r>(these: &'r [RollforwardLine], those: &'r [RollforwardLine]) -> Vec<Pair<'r>> {
    let find = |lines: &'r [RollforwardLine], of: &RollforwardLine| {
        let wanted = (of.movement, of.reverses_movement);
        lines.iter().find(|line| (line.movement, line.reverses_movement) == wanted)
    };
    let mut pairs: Vec<Pair<'r>> = these.iter().map(|line| [Some(line), find(those, line)]).collect();
    let alone = those.iter().filter(|line| find(these, line).is_none()).map(|line| [None, Some(line)]);
    let closing = pairs.len().saturating_sub(1);
    pairs.splice(closing..closing, alone);
    pairs
}

/// The total beside that of the days before.
pub fn comparative(report: &RollforwardDocument) -> Markup {
    html! {
        @if let Some(before) = &report.comparative {
            h2 id="comparative" { "Beside the days before" }
            p {
                "The days before are those from " (before.from) " to " (before.to) ", " (asked(report.beside)) ", as known at the same time. "
                @let failed = before.tie_out.iter().filter(|check| !check.passed).count();
                @if failed == 0 {
                    span class="passed" { "All " (before.tie_out.len()) " checks of them passed." }
                } @else {
                    span class="failed" { (failed) " of " (before.tie_out.len()) " checks of them failed." }
                }
                " " a href=(address(report, before)) { "Their own rollforward" } " has every figure, batch and check."
                @if !report.issues.is_empty() {
                    " " a href="#beside" { "Each issue beside the days before" } " is at the end of this page."
                }
            }
            @for kind in &KINDS {
                div class="scroll keep" {
                    table {
                        caption { (kind.caption("all issues", report, before)) }
                        (kind.heads())
                        tbody { (kind.rows(&report.total, &before.total)) }
                    }
                }
            }
        }
    }
}

/// Each issue beside the same of the days before, a table of each kind with a group of rows an issue.
pub fn each_issue(report: &RollforwardDocument, out: &mut impl io::Write) -> io::Result<()> {
    let Some(before) = report.comparative.as_ref().filter(|_| !report.issues.is_empty()) else { return Ok(()) };
    let those: HashMap<&str, &[RollforwardLine]> =
        before.issues.iter().map(|issue| (issue.bond_issue.as_str(), issue.lines.as_slice())).collect();
    put(out, html! { h2 id="beside" { "Each issue beside the days before" } })?;
    for kind in &KINDS {
        put(
            out,
            html! {
                (PreEscaped("<div class=\"scroll\"><table>"))
                caption { (kind.caption("each issue", report, before)) }
                (kind.heads())
            },
        )?;
        for (at, issue) in report.issues.iter().enumerate() {
            let way = format!("#issue-{at}");
            let those = those.get(issue.bond_issue.as_str()).copied().unwrap_or_default();
            put(
                out,
                html! {
                    tbody {
                        (group(issue, 1 + 2 * kind.figures.len(), Some(&way)))
                        (kind.rows(&issue.lines, those))
                    }
                },
            )?;
        }
        out.write_all(b"</table></div>")?;
    }
    Ok(())
}

impl Kind {
    fn caption(&self, of: &str, report: &RollforwardDocument, before: &ComparativeRollforward) -> String {
        format!(
            "{} beside the days before, of {of}: {} to {} beside {} to {}, in {}",
            self.name, report.from, report.to, before.from, before.to, report.currency
        )
    }

    fn heads(&self) -> Markup {
        html! {
            thead {
                tr {
                    th scope="col" { "Movement" }
                    @for (name, _) in &self.figures {
                        th scope="col" class="n" { (name) }
                        th scope="col" class="n" { (name) ", before" }
                    }
                }
            }
        }
    }

    fn rows(&self, these: &[RollforwardLine], those: &[RollforwardLine]) -> Markup {
        html! {
            @for pair in pairs(these, those) {
                @if let Some(line) = pair[0].or(pair[1]).filter(|line| self.holds_balances || !is_balance(line)) {
                    tr class=[is_balance(line).then_some("sum")] {
                        th scope="row" { (name(line)) }
                        @for (_, figure) in &self.figures {
                            @for line in pair { (figure::cell(line.map_or("0", *figure))) }
                        }
                    }
                }
            }
        }
    }
}

fn asked(beside: Beside) -> &'static str {
    match beside {
        Beside::PriorYear => "a year earlier",
        Beside::PriorPeriod => "just before these",
        Beside::None => "which were not asked for",
    }
}

fn address(report: &RollforwardDocument, before: &ComparativeRollforward) -> String {
    let days = (before.from.as_str(), before.to.as_str());
    let rollforward = rollforward_address(&report.entity, days, &report.known_at, &report.currency);
    format!("{rollforward}&comparative={}", report.beside.name())
}

/// Whether interest is about what it should be.
pub fn reasonableness(interest: &InterestReasonableness, currency: &str) -> Markup {
    let apart = interest.issues.iter().filter(|issue| !issue.interest.reasonable).count();
    let row = |first: Cell<'static>, rate: String, interest: &InterestExpectation| {
        vec![
            first,
            Cell::Number(rate),
            Cell::Amount(interest.average_carrying_amount.clone()),
            Cell::Amount(interest.expected.clone()),
            Cell::Amount(interest.booked.clone()),
            Cell::Amount(interest.difference.clone()),
            Cell::Markup(verdict(interest.reasonable)),
        ]
    };
    html! {
        h2 id="interest" { "Is interest reasonable?" }
        @if !interest.issues.is_empty() {
            p {
                "Interest that is booked, beside the average carrying amount at the effective rate. This is no tie, but a reason to look where the \
                 two are more than a twentieth apart: "
                @if apart == 0 { "no issue is." } @else { (apart) " of " (interest.issues.len()) " issues are." }
            }
            (totalled(
                &format!("Interest expected and booked, in {currency}"),
                &[
                    texts("Issue"),
                    figures("Effective rate, nominal a year"),
                    figures("Average carrying amount"),
                    figures("Expected"),
                    figures("Booked"),
                    figures("Difference"),
                    texts("Result"),
                ],
                interest.issues.iter().map(|issue| {
                    row(Cell::Markup(html! { (issue.reference) }), percent(&issue.effective_rate), &issue.interest)
                }),
                Some(row(Cell::Text("All issues"), String::new(), &interest.total)),
            ))
        } @else { p { "There is no interest to look at." } }
    }
}

fn verdict(is_reasonable: bool) -> Markup {
    html! {
        @if is_reasonable { span class="passed" { "within a twentieth" } } @else { span class="failed" { "more than a twentieth apart" } }
    }
}
