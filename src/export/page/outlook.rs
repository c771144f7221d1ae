//! What lies ahead as pages: the forecast month by month, and the calendar of dates.

use std::io;

use maud::{Markup, html};

use super::figure::{printed, said, sum};
use super::label::words;
use super::shell::{Shell, left_out, ways, whose};
use super::table::{Cell, Column, Group, figures, table, texts, totalled, write, write_groups};
use super::{issue, put};
use crate::document::EntityDocument;
use crate::reading::{CalendarDocument, CalendarEntry, ForecastDocument, ForecastMonth};

/// A column of a month's figures.
type Figure = (Column, fn(&ForecastMonth) -> &str, Added);

/// A part of a month's figures, so that they fit on paper.
struct Part {
    name: &'static str,
    columns: &'static [Figure],
}

/// What the last row of the total says of a column.
#[derive(Clone, Copy)]
enum Added {
    /// The sum of the months.
    Sum,
    First,
    Last,
}

const PARTS: [Part; 2] = [
    Part {
        name: "Carrying amount",
        columns: &[
            (figures("Opening carrying amount"), |month| &month.opening_carrying_amount, Added::First),
            (figures("Amortization"), |month| &month.amortization, Added::Sum),
            (figures("Other movements"), |month| &month.other_movements, Added::Sum),
            (figures("Closing carrying amount"), |month| &month.carrying_amount, Added::Last),
            (figures("of it principal"), |month| &month.principal, Added::Last),
            (figures("premium (discount)"), |month| &month.premium_discount, Added::Last),
            (figures("issue costs"), |month| &month.issue_costs, Added::Last),
        ],
    },
    Part {
        name: "Interest and payments",
        columns: &[
            (figures("Coupon interest"), |month| &month.coupon_interest, Added::Sum),
            (figures("Amortization"), |month| &month.amortization, Added::Sum),
            (figures("Interest expense"), |month| &month.interest_expense, Added::Sum),
            (figures("Coupons due"), |month| &month.coupons_due, Added::Sum),
            (figures("Repaid at maturity"), |month| &month.repayment, Added::Sum),
        ],
    },
];

impl Part {
    fn columns(&self) -> Vec<Column> {
        [texts("From"), texts("To")].into_iter().chain(self.columns.iter().map(|(column, _, _)| *column)).collect()
    }

    fn row<'a>(&self, month: &'a ForecastMonth) -> Vec<Cell<'a>> {
        let days = [Cell::Date(&month.from), Cell::Date(&month.to)];
        days.into_iter().chain(self.columns.iter().map(|(_, of, _)| Cell::Figure(of(month)))).collect()
    }

    /// Of all months together.
    fn last_row<'a>(&self, months: &'a [ForecastMonth]) -> Option<Vec<Cell<'a>>> {
        let (first, last) = (months.first()?, months.last()?);
        let figures = self.columns.iter().map(|(_, of, added)| {
            Cell::Amount(match added {
                Added::Sum => sum(months.iter().map(of)),
                Added::First => of(first).to_owned(),
                Added::Last => of(last).to_owned(),
            })
        });
        Some([Cell::Date(&first.from), Cell::Date(&last.to)].into_iter().chain(figures).collect())
    }
}

/// Writes the page of a forecast, with the address of the same without its format and its place in the list.
///
/// # Errors
/// When it cannot be written.
pub fn forecast(
    report: &ForecastDocument,
    entity: &EntityDocument,
    address: &str,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let facts = facts(entity, &report.currency, (&report.from, &report.to), &report.known_at, &report.other_currencies);
    let longest = report.total.iter().map(|month| printed(&month.principal).chars().count()).max();
    let shell = Shell {
        title: format!("Forecast of bonds payable, {}", report.entity),
        facts,
        links: ways(&report.entity, [("JSON", format!("{address}&format=json"))]),
        caution: &report.caution,
        longest_figure: longest.unwrap_or_default(),
    };
    shell.begin(out)?;
    put(out, expected(report))?;
    put(out, html! { h2 id="issues" { "Each issue" } })?;
    if report.items.is_empty() {
        put(out, html! { p { "There is no issue in " (report.currency) " in these days." } })?;
    } else {
        for part in &PARTS {
            let groups = report.items.iter().map(|item| Group {
                name: issue(&item.bond_issue, &item.reference),
                rows: item.months.iter().map(|month| part.row(month)).collect(),
            });
            let caption = format!("{} of each issue by month, in {}", part.name, report.currency);
            write_groups(out, &caption, &part.columns(), groups)?;
        }
    }
    if let Some(cursor) = &report.next_cursor {
        let next = format!("{address}&cursor={cursor}&format=html");
        put(out, html! { p { "The total is that of all issues. " a href=(next) { "More issues" } } })?;
    }
    shell.end(out)
}

fn expected(report: &ForecastDocument) -> Markup {
    let flow = |of: fn(&ForecastMonth) -> &str| said(&sum(report.total.iter().map(of)));
    html! {
        h2 id="total" { "All issues" }
        @if let (Some(first), Some(last)) = (report.total.first(), report.total.last()) {
            p class="lead" {
                "Interest expense from " (report.from) " to " (report.to) " is " strong { (flow(|month| &month.interest_expense)) } ", of which coupons "
                strong { (flow(|month| &month.coupon_interest)) } " and amortization " strong { (flow(|month| &month.amortization)) } "."
            }
            p {
                "The carrying amount goes from " (said(&first.opening_carrying_amount)) " to " (said(&last.carrying_amount)) "; coupons of "
                (flow(|month| &month.coupons_due)) " fall due, and " (flow(|month| &month.repayment)) " is repaid at maturity, in " (report.currency) "."
            }
        }
        p { "So it will be if nothing happens but what is recorded, what is assumed here, and repayment at maturity. Nothing of it is posted." }
        @if !report.assumed_conversions.is_empty() { (assumed(report)) }
        @for part in &PARTS {
            (totalled(
                &format!("{} of all issues by month, in {}", part.name, report.currency),
                &part.columns(),
                report.total.iter().map(|month| part.row(month)),
                part.last_row(&report.total),
            ))
        }
    }
}

fn assumed(report: &ForecastDocument) -> Markup {
    let reference = |id: &str| {
        let item = report.items.iter().find(|item| item.bond_issue == id);
        item.map_or_else(|| id.to_owned(), |item| item.reference.clone())
    };
    table(
        &format!("Conversions that are assumed, in {}", report.currency),
        &[texts("Issue"), texts("On"), figures("Principal")],
        report.assumed_conversions.iter().map(|assumed| {
            vec![
                Cell::Markup(issue(&assumed.bond_issue, &reference(&assumed.bond_issue))),
                Cell::Date(&assumed.effective_date),
                Cell::Figure(&assumed.principal),
            ]
        }),
    )
}

/// What dates of a calendar are of, in the order in which they are summed.
const OCCASIONS: [&str; 4] = ["coupon_date", "put_date", "maturity_date", "record_date"];

/// Writes the page of a calendar, with the address of the same without its format.
///
/// # Errors
/// When it cannot be written.
pub fn calendar(
    report: &CalendarDocument,
    entity: &EntityDocument,
    address: &str,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let longest = report.items.iter().map(|entry| printed(&entry.amount).chars().count()).max();
    let shell = Shell {
        title: format!("Calendar of bonds payable, {}", report.entity),
        facts: facts(entity, &report.currency, (&report.from, &report.to), &report.known_at, &report.other_currencies),
        links: ways(
            &report.entity,
            [("JSON", format!("{address}&format=json")), ("iCalendar", format!("{address}&format=ics"))],
        ),
        caution: &report.caution,
        longest_figure: longest.unwrap_or_default(),
    };
    shell.begin(out)?;
    put(out, by_occasion(report))?;
    put(out, html! { h2 id="dates" { "Dates" } })?;
    if report.items.is_empty() {
        put(out, html! { p { "There is none from " (report.from) " to " (report.to) "." } })?;
        return shell.end(out);
    }
    let columns = [
        texts("Date"),
        texts("What"),
        texts("Issue"),
        texts("Of the coupon on"),
        figures("Principal outstanding before"),
        figures("Amount"),
    ];
    let rows = || {
        report.items.iter().map(|entry| {
            vec![
                Cell::Date(&entry.date),
                Cell::Markup(html! { (words(&entry.occasion)) }),
                Cell::Markup(issue(&entry.bond_issue, &entry.reference)),
                Cell::Date(entry.coupon_date.as_deref().unwrap_or_default()),
                Cell::Figure(&entry.principal),
                Cell::Figure(&entry.amount),
            ]
        })
    };
    write(out, &format!("Dates from {} to {}, in {}", report.from, report.to, report.currency), &columns, rows, None)?;
    shell.end(out)
}

fn by_occasion(report: &CalendarDocument) -> Markup {
    let of = |occasion: &'static str| move |entry: &&CalendarEntry| entry.occasion == occasion;
    let amount = |occasion| sum(report.items.iter().filter(of(occasion)).map(|entry| entry.amount.as_str()));
    let figure = |occasion| said(&amount(occasion));
    html! {
        h2 id="total" { "What is to be paid" }
        p class="lead" {
            "From " (report.from) " to " (report.to) " there is " strong { (figure("coupon_date")) } " to be paid as coupons and "
            strong { (figure("maturity_date")) } " at maturity, in " (report.currency) ". Holders may put bonds for "
            strong { (figure("put_date")) } "."
        }
        p {
            "By what is outstanding as far as it is recorded. A put is of all that is outstanding, whether holders will use it or not; a record "
            "date names the coupon that goes to who holds the bonds then, and adds nothing to it."
        }
        (table(
            &format!("Dates by what they are of, from {} to {}, in {}", report.from, report.to, report.currency),
            &[texts("What"), figures("Dates"), figures("Amount")],
            OCCASIONS.into_iter().map(|occasion| vec![
                Cell::Markup(html! { (words(occasion)) }),
                Cell::Number(report.items.iter().filter(of(occasion)).count().to_string()),
                Cell::Amount(Some(amount(occasion)).filter(|sum| !sum.is_empty()).unwrap_or_else(|| "0".to_owned())),
            ]),
        ))
    }
}

fn facts(
    entity: &EntityDocument,
    currency: &str,
    (from, to): (&str, &str),
    known_at: &str,
    others: &[String],
) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        whose(entity),
        ("Currency", currency.to_owned()),
        ("From", from.to_owned()),
        ("To", to.to_owned()),
        ("Known at", known_at.to_owned()),
    ];
    facts.extend(left_out(others));
    facts
}
