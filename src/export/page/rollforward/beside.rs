//! What stands beside the figures of a rollforward: the days before, and whether interest is about what is expected.

use maud::{Markup, html};

use super::lines::{is_balance, name};
use crate::export::page::figure::{self, percent};
use crate::export::page::table::{Cell, figures, texts, totalled};
use crate::reading::{
    ComparativeRollforward, InterestExpectation, InterestReasonableness, RollforwardDocument, RollforwardLine,
};

/// The figures of a line that are compared.
type Compared = (&'static str, fn(&RollforwardLine) -> &str);

// More would not fit on paper.
const COMPARED: [Compared; 4] = [
    ("Carrying amount", |line| &line.carrying_amount),
    ("Interest payable", |line| &line.interest_payable),
    ("All expense", |line| &line.expense),
    ("Cash received (paid)", |line| &line.cash),
];

/// The total beside that of the days before.
pub fn comparative(report: &RollforwardDocument) -> Markup {
    html! {
        @if let Some(before) = &report.comparative {
            h2 id="comparative" { "Beside the days before" }
            p {
                "The days before are those from " (before.from) " to " (before.to) ", as known at the same time. "
                @let failed = before.tie_out.iter().filter(|check| !check.passed).count();
                @if failed == 0 {
                    span class="passed" { "All " (before.tie_out.len()) " checks of them passed." }
                } @else {
                    span class="failed" { (failed) " of " (before.tie_out.len()) " checks of them failed." }
                }
                " " a href=(address(report, before)) { "Their own rollforward" } " has every issue and check."
            }
            (side_by_side(report, before))
        }
    }
}

fn address(report: &RollforwardDocument, before: &ComparativeRollforward) -> String {
    format!(
        "/v1/entities/{}/rollforward?from={}&to={}&known_at={}&currency={}&format=html",
        report.entity, before.from, before.to, report.known_at, report.currency
    )
}

/// The movements of both, in the order of these days; those of the days before alone come before the closing balance.
fn side_by_side(report: &RollforwardDocument, before: &ComparativeRollforward) -> Markup {
    let mut names: Vec<String> = report.total.iter().map(name).collect();
    for line in &before.total {
        let name = name(line);
        if !names.contains(&name) {
            names.insert(names.len().saturating_sub(1), name);
        }
    }
    let of = |lines: &'_ [RollforwardLine], wanted: &str, figure: fn(&RollforwardLine) -> &str| {
        let line = lines.iter().find(|line| name(line) == wanted);
        line.map_or_else(|| "0".to_owned(), |line| figure(line).to_owned())
    };
    let balances: Vec<String> = report.total.iter().filter(|line| is_balance(line)).map(name).collect();
    html! {
        div class="scroll keep" {
            table {
                caption { "Total from " (report.from) " to " (report.to) " beside " (before.from) " to " (before.to) ", in " (report.currency) }
                thead {
                    tr {
                        th scope="col" { "Movement" }
                        @for (name, _) in &COMPARED {
                            th scope="col" class="n" { (name) }
                            th scope="col" class="n" { (name) ", before" }
                        }
                    }
                }
                tbody {
                    @for name in &names {
                        tr class=[balances.contains(name).then_some("sum")] {
                            th scope="row" { (name) }
                            @for (_, figure) in &COMPARED {
                                (figure::cell(&of(&report.total, name, *figure)))
                                (figure::cell(&of(&before.total, name, *figure)))
                            }
                        }
                    }
                }
            }
        }
    }
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
