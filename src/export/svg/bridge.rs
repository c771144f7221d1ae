//! A bridge: from an opening balance by its movements to the closing one, a row each, so that names and figures have room.

use maud::{Markup, html};

use super::{Scale, number, place, range, width_of};
use crate::export::page::figure::printed;

/// A row of a bridge.
#[derive(Clone, Debug)]
pub struct Step<'a> {
    pub label: String,
    /// A balance, or by how much a movement changes it.
    pub figure: &'a str,
    /// Whether it is a balance.
    pub is_balance: bool,
}

const WIDTH: f64 = 960.0;
const ROW: f64 = 24.0;
const TOP: f64 = 22.0;

/// The drawing. Rising movements are hatched upwards and falling ones downwards, and each has its figure beside it.
pub fn bridge(title: &str, description: &str, steps: &[Step<'_>]) -> Markup {
    let mut level = 0.0;
    let spans: Vec<(f64, f64)> = steps
        .iter()
        .map(|step| {
            let figure = number(step.figure);
            let span = if step.is_balance { (0.0, figure) } else { (level, level + figure) };
            level = span.1;
            span
        })
        .collect();
    let (shown, is_cut) = range(spans.iter().map(|(_, level)| *level));
    let names = steps.iter().map(|step| width_of(&step.label)).fold(60.0, f64::max) + 12.0;
    let figures = steps.iter().map(|step| width_of(&printed(step.figure))).fold(60.0, f64::max) + 12.0;
    let scale = Scale::new(shown, (names, WIDTH - figures));
    let height = TOP + ROW * f64::from(u16::try_from(steps.len()).unwrap_or(u16::MAX)) + 6.0;
    let ticks = scale.ticks(((WIDTH - figures - names) / 140.0).clamp(2.0, 5.0));
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-labelledby="bridge-title bridge-description" {
            title id="bridge-title" { (title) }
            desc id="bridge-description" {
                (description)
                @if is_cut { " The axis does not begin at zero, so that the movements can be seen." }
            }
            defs {
                pattern id="rising" patternUnits="userSpaceOnUse" width="6" height="6" {
                    rect class="ground" width="6" height="6" {}
                    path class="rise-line" d="M-1 7 L7 -1 M-1 1 L1 -1 M5 7 L7 5" {}
                }
                pattern id="falling" patternUnits="userSpaceOnUse" width="5" height="5" {
                    rect class="ground" width="5" height="5" {}
                    path class="fall-line" d="M0 1 L5 1" {}
                }
            }
            @for (tick, label) in &ticks {
                @let x = place(scale.at(*tick));
                line class="grid" x1=(x) x2=(x) y1=(place(TOP - 4.0)) y2=(place(height - 4.0)) {}
                text class="quiet" x=(x) y="12" text-anchor="middle" { (label) }
            }
            @for (at, (step, (from, to))) in steps.iter().zip(&spans).enumerate() {
                @let y = TOP + ROW * f64::from(u16::try_from(at).unwrap_or(u16::MAX));
                @let (left, right) = (scale.at(from.min(*to)), scale.at(from.max(*to)));
                @let width = place((right - left).max(1.5));
                text x=(place(names - 10.0)) y=(place(y + 15.0)) text-anchor="end" { (step.label) }
                @if step.is_balance {
                    rect class="level" x=(place(left)) y=(place(y + 3.0)) width=(width) height="17" {}
                } @else if to >= from {
                    rect class="rise" fill="url(#rising)" x=(place(left)) y=(place(y + 3.0)) width=(width) height="17" {}
                } @else {
                    rect class="fall" fill="url(#falling)" x=(place(left)) y=(place(y + 3.0)) width=(width) height="17" {}
                }
                @if at + 1 < steps.len() {
                    @let x = place(scale.at(*to));
                    line class="join" x1=(x) x2=(x) y1=(place(y + 20.0)) y2=(place(y + ROW + 3.0)) {}
                }
                text x=(place(WIDTH - 2.0)) y=(place(y + 15.0)) text-anchor="end" { (printed(step.figure)) }
            }
            @if is_cut {
                // The break in the axis, across the balances.
                @let x = scale.at(shown.0) + 8.0;
                path class="axis" d=(format!("M{} {} l-3 6 l6 6 l-3 6", place(x), place(TOP + 2.0))) {}
                path class="axis" d=(format!("M{} {} l-3 6 l6 6 l-3 6", place(x), place(height - 6.0 - ROW + 2.0))) {}
            }
        }
    }
}
