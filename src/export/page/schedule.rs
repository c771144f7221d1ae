//! An issue's schedule as a page: what it is carried at over its life, and a row a coupon period.

use std::io;

use maud::html;

use super::figure::{percent, printed};
use super::shell::{Shell, ways, whose};
use super::table::{Cell, figures, table, texts};
use super::{life, put};
use crate::document::EntityDocument;
use crate::reading::{CAUTION, Life, ScheduleDocument};

/// Writes the page.
///
/// # Errors
/// When it cannot be written.
pub fn schedule(
    schedule: &ScheduleDocument,
    entity: &EntityDocument,
    life_of: Option<&Life>,
    known_at: &str,
    out: &mut impl io::Write,
) -> io::Result<()> {
    let of = |what: &str| format!("/v1/bond-issues/{}{what}", schedule.bond_issue);
    let rate = &schedule.effective_rate;
    let shell = Shell {
        title: format!("Schedule of {}", schedule.reference),
        facts: vec![
            whose(entity),
            ("Issue", schedule.reference.clone()),
            ("Currency", schedule.currency.clone()),
            ("Principal of the schedule", printed(&schedule.principal)),
            ("Effective rate, nominal a year", percent(&rate.nominal_annual)),
            ("compounded over a year", percent(&rate.effective_annual)),
            ("Known at", known_at.to_owned()),
        ],
        links: ways(
            &entity.code,
            [
                ("Of the original principal", of("/schedule?format=html")),
                ("Of what is outstanding", of("/schedule?principal=outstanding&format=html")),
                ("JSON", of("/schedule")),
                ("Terms", of("")),
                ("Events", of("/events")),
            ],
        ),
        caution: CAUTION,
        longest_figure: printed(&schedule.principal).chars().count(),
    };
    shell.begin(out)?;
    put(
        out,
        html! {
            @if let Some(of_issue) = life_of {
                h2 id="life" { "Carrying amount over its life" }
                (life::life(of_issue, 0))
            }
            h2 id="schedule" { "Schedule" }
            (table(
                &format!("A row a coupon period, of a principal of {}, in {}", printed(&schedule.principal), schedule.currency),
                &[
                    figures("Period"),
                    texts("From"),
                    texts("To"),
                    figures("Coupon"),
                    figures("Interest expense"),
                    figures("Amortization"),
                    figures("Premium (discount)"),
                    figures("Issue costs"),
                    figures("Carrying amount"),
                ],
                schedule.rows.iter().map(|row| vec![
                    Cell::Markup(html! { (row.period) }),
                    Cell::Date(&row.start),
                    Cell::Date(&row.end),
                    Cell::Figure(&row.coupon),
                    Cell::Figure(&row.interest_expense),
                    Cell::Figure(&row.amortization),
                    Cell::Figure(&row.premium_discount),
                    Cell::Figure(&row.issue_costs),
                    Cell::Figure(&row.carrying_amount),
                ]),
            ))
        },
    )?;
    shell.end(out)
}
