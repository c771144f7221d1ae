//! The life of an issue: the chart, with its figures beside it.

use maud::{Markup, html};

use super::label::words;
use super::table::{Cell, figures, table, texts};
use crate::export::svg;
use crate::reading::{Life, LifePoint};

/// The chart of one issue, the `key`-th of the page.
pub fn life(life: &Life, key: usize) -> Markup {
    let title = format!("Carrying amount of {} over its life, in {}", life.reference, life.currency);
    let marks = life.points.iter().filter(|point| !point.events.is_empty()).count();
    let ends = (life.points.first(), life.points.last());
    let description = match ends {
        (Some(first), Some(last)) => format!(
            "From {} to its maturity on {}. The line is solid up to {}, the day of the last record that is known, and dashed after \
             it, as it will be if nothing more happens. {}",
            first.date,
            last.date,
            life.known_on,
            match marks {
                0 => "No event moved it at once.".to_owned(),
                1 => "A numbered mark shows the day whose events moved it at once.".to_owned(),
                count => format!("{count} numbered marks show the days whose events moved it at once."),
            }
        ),
        _ => String::new(),
    };
    let mut mark = 0;
    let rows: Vec<(String, String, &LifePoint)> = life
        .points
        .iter()
        .map(|point| {
            mark += usize::from(!point.events.is_empty());
            let number = if point.events.is_empty() { String::new() } else { mark.to_string() };
            (number, happened(point), point)
        })
        .collect();
    html! {
        figure class="chart" {
            div {
                (svg::life(life, &title, &description, key))
                figcaption {
                    (description)
                    @if life.days_left_out > 0 {
                        " Those are the days that moved it most; " (life.days_left_out) " more are in the line without a mark."
                    }
                }
            }
            (table(
                &format!("{title}: the figures of the chart"),
                &[texts("At the close of"), figures("Mark"), texts("What happened"), figures("Principal"), figures("Carrying amount")],
                rows.iter().map(|(number, happened, point)| vec![
                    Cell::Date(&point.date),
                    Cell::Number(number.clone()),
                    Cell::Text(happened),
                    Cell::Figure(&point.principal),
                    Cell::Figure(&point.carrying_amount),
                ]),
            ))
        }
    }
}

fn happened(point: &LifePoint) -> String {
    let mut parts: Vec<String> = point
        .events
        .iter()
        .map(|(kind, count)| if *count == 1 { words(kind) } else { format!("{} ({count} times)", words(kind)) })
        .collect();
    if point.is_future {
        parts.push("expected".to_owned());
    }
    parts.join(", ")
}
