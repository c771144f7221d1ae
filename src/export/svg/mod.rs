//! Charts as SVG, drawn without a script: pure functions of figures that are already decided. Coordinates alone are floats; every figure
//! that is written on a chart is the decimal as it came.

mod bridge;
mod life;

pub use bridge::{Step, bridge};
pub use life::life;

use crate::export::page::figure::printed;

/// A line of numbers laid along a stretch of the drawing.
#[derive(Clone, Copy, Debug)]
struct Scale {
    from: f64,
    to: f64,
    start: f64,
    end: f64,
}

impl Scale {
    /// From the numbers of a range to the stretch from `start` to `end`. A range of nothing is made to hold something.
    fn new((from, to): (f64, f64), (start, end): (f64, f64)) -> Scale {
        let to = if to > from { to } else { from + 1.0 };
        Scale { from, to, start, end }
    }

    /// Where a number lies; what lies beyond the range is at its end.
    fn at(&self, number: f64) -> f64 {
        let part = ((number - self.from) / (self.to - self.from)).clamp(0.0, 1.0);
        self.start + part * (self.end - self.start)
    }

    /// Round numbers of the range, about as many as asked for, with their labels.
    fn ticks(&self, about: f64) -> Vec<(f64, String)> {
        let rough = (self.to - self.from) / about;
        let magnitude = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * magnitude).into_iter().find(|step| *step >= rough);
        let step = step.unwrap_or(rough);
        let decimals = if step < 1.0 { 4 } else { 0 };
        let first = (self.from / step).ceil();
        (0..12)
            .map(|count| (first + f64::from(count)) * step)
            .take_while(|tick| *tick <= self.to)
            .map(|tick| {
                let text = format!("{tick:.decimals$}");
                let text = if decimals > 0 { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
                (tick, if tick == 0.0 { "0".to_owned() } else { printed(text) })
            })
            .collect()
    }
}

/// A decimal as a coordinate; nothing where it is none.
fn number(decimal: &str) -> f64 {
    decimal.parse().unwrap_or_default()
}

/// A coordinate in the drawing, to a tenth.
fn place(coordinate: f64) -> String {
    format!("{coordinate:.1}")
}

/// About how wide a text is at the size of the charts.
fn width_of(text: &str) -> f64 {
    6.8 * f64::from(u16::try_from(text.chars().count()).unwrap_or(u16::MAX))
}

/// The range to show of some numbers: from zero, unless all of them are so far from it that their differences could not be seen. The second
/// is whether it is not from zero.
fn range(numbers: impl Iterator<Item = f64> + Clone) -> ((f64, f64), bool) {
    let low = numbers.clone().fold(f64::INFINITY, f64::min);
    let high = numbers.fold(f64::NEG_INFINITY, f64::max);
    if !low.is_finite() || !high.is_finite() {
        return ((0.0, 1.0), false);
    }
    let spread = high - low;
    let near = low.abs().min(high.abs());
    if low * high > 0.0 && spread > 0.0 && spread < near / 2.0 {
        return ((low - spread / 5.0, high + spread / 10.0), true);
    }
    ((low.min(0.0), high.max(0.0)), false)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_lie_in_the_range() {
        for (from, to, expected) in [
            (0.0, 25_000_000.0, &["0", "10,000,000", "20,000,000"][..]),
            (-30.0, 95.0, &["0", "50"]),
            (0.0, 0.004, &["0", "0.001", "0.002", "0.003", "0.004"]),
            (7.0, 7.0, &["7", "7.5", "8"]),
        ] {
            let about = if to - from < 1.0 && to > from { 4.0 } else { 3.0 };
            let ticks = Scale::new((from, to), (0.0, 100.0)).ticks(about);
            let labels: Vec<&str> = ticks.iter().map(|(_, label)| label.as_str()).collect();
            assert_eq!(labels, expected, "{from} {to}");
        }
    }

    #[test]
    fn a_range_begins_at_zero_unless_nothing_could_be_seen() {
        assert_eq!(range([0.0, 10.0].into_iter()), ((0.0, 10.0), false));
        assert_eq!(range([-5.0, 10.0].into_iter()), ((-5.0, 10.0), false));
        assert_eq!(range([100.0, 110.0].into_iter()), ((98.0, 111.0), true));
        assert_eq!(range([5.0].into_iter()), ((0.0, 5.0), false));
        assert_eq!(range(std::iter::empty()), ((0.0, 1.0), false));
    }
}
