//! The carrying amount of an issue from its start to its maturity: a line as far as is known, dashed from there on, and a numbered mark at
//! each day whose events moved it.

use jiff::civil::Date;
use maud::{Markup, html};

use super::{Scale, number, place, range, width_of};
use crate::reading::{Life, LifePoint};

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 280.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 250.0;

/// The drawing, whose names in the page end with `key`.
pub fn life(life: &Life, title: &str, description: &str, key: usize) -> Markup {
    let amounts = life.points.iter().map(|point| number(&point.carrying_amount)).filter(|amount| *amount != 0.0);
    let (shown, is_cut) = range(amounts);
    let vertical = Scale::new(shown, (BOTTOM, TOP));
    let ticks = vertical.ticks(5.0);
    let left = ticks.iter().map(|(_, label)| width_of(label)).fold(30.0, f64::max) + 8.0;
    let days = |point: Option<&LifePoint>| point.map_or(0.0, |point| day(&point.date));
    let ends = (days(life.points.first()), days(life.points.last()));
    let horizontal = Scale::new(ends, (left, WIDTH - 16.0));
    let place_of = |point: &LifePoint| {
        let (x, y) = (horizontal.at(day(&point.date)), vertical.at(number(&point.carrying_amount)));
        format!("{} {}", place(x), place(y))
    };
    let known = life.points.iter().take_while(|point| !point.is_future).count();
    let line = |points: &[LifePoint]| format!("M{}", points.iter().map(place_of).collect::<Vec<_>>().join(" L"));
    let (past, future) =
        (life.points.get(..known).unwrap_or_default(), life.points.get(known.saturating_sub(1)..).unwrap_or_default());
    let marks = life.points.iter().filter(|point| !point.events.is_empty()).enumerate();
    let now = horizontal.at(day(&life.known_on));
    let (title_id, description_id) = (format!("life-title-{key}"), format!("life-description-{key}"));
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-labelledby=(format!("{title_id} {description_id}")) {
            title id=(title_id) { (title) }
            desc id=(description_id) {
                (description)
                @if is_cut { " The vertical axis does not begin at zero." }
            }
            @for (tick, label) in &ticks {
                @let y = vertical.at(*tick);
                line class="grid" x1=(place(left)) x2=(place(WIDTH - 16.0)) y1=(place(y)) y2=(place(y)) {}
                text class="quiet" x=(place(left - 6.0)) y=(place(y + 4.0)) text-anchor="end" { (label) }
            }
            path class="axis" d=(format!("M{} {TOP} V{BOTTOM} H{}", place(left), place(WIDTH - 16.0))) {}
            @for (x, year) in years(ends, &horizontal) {
                line class="axis" x1=(place(x)) x2=(place(x)) y1=(place(BOTTOM)) y2=(place(BOTTOM + 4.0)) {}
                text class="quiet" x=(place(x)) y=(place(BOTTOM + 18.0)) text-anchor="middle" { (year) }
            }
            @if known > 0 && known < life.points.len() {
                @let anchor = if now > WIDTH / 2.0 { "end" } else { "start" };
                line class="now" x1=(place(now)) x2=(place(now)) y1=(place(TOP - 10.0)) y2=(place(BOTTOM)) {}
                text class="quiet" x=(place(if now > WIDTH / 2.0 { now - 4.0 } else { now + 4.0 })) y=(place(TOP - 14.0)) text-anchor=(anchor) {
                    "known on " (life.known_on)
                }
            }
            @if past.len() > 1 { path class="past" d=(line(past)) {} }
            @if known < life.points.len() && future.len() > 1 { path class="future" d=(line(future)) {} }
            @for (at, point) in marks {
                @let (x, y) = (horizontal.at(day(&point.date)), vertical.at(number(&point.carrying_amount)));
                path class="mark" d=(format!("M{} {} l5 5 l-5 5 l-5 -5 z", place(x), place(y - 5.0))) {}
                text x=(place(x + 5.0)) y=(place(y - 6.0 - if at % 2 == 0 { 0.0 } else { 11.0 })) { (at + 1) }
            }
        }
    }
}

/// A day as a coordinate.
fn day(date: &str) -> f64 {
    date.parse::<Date>().map_or(0.0, |date| f64::from(date.year()) + f64::from(date.day_of_year() - 1) / 366.0)
}

/// The beginnings of years, as many as have room, with their names.
fn years((first, last): (f64, f64), scale: &Scale) -> Vec<(f64, String)> {
    let step = [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|step| (last - first) / step <= 11.0).unwrap_or(50.0);
    let begin = (first / step).ceil();
    (0..13)
        .map(|count| (begin + f64::from(count)) * step)
        .take_while(|year| *year <= last)
        .map(|year| (scale.at(year), format!("{year:.0}")))
        .collect()
}
