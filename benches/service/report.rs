//! What is printed: each figure beside its ceiling of the same run, their ratio, and whether the target is met.

use std::time::Duration;

/// How often everything is measured.
pub const RUNS: usize = 5;

/// The middle one.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Which side of the target is good.
#[derive(Clone, Copy)]
pub enum Target {
    AtLeast(f64),
    Under(f64),
}

impl Target {
    fn is_met(self, value: f64) -> bool {
        match self {
            Target::AtLeast(least) => value >= least,
            Target::Under(most) => value < most,
        }
    }

    fn text(self, unit: &str) -> String {
        match self {
            Target::AtLeast(least) => format!(">= {least}{unit}"),
            Target::Under(most) => format!("< {most}{unit}"),
        }
    }
}

/// The table, filled as sections end.
#[derive(Default)]
pub struct Report(Vec<[String; 6]>);

impl Report {
    /// A figure and its ceiling, measured in turn; the ratio is the median of the runs' own ratios, so that what slowed a whole
    /// run down slowed both.
    pub fn ratio(&mut self, name: &str, unit: &str, figures: &[f64], ceilings: &[f64], target: Target) {
        let ratios: Vec<f64> = figures.iter().zip(ceilings).map(|(figure, ceiling)| figure / ceiling).collect();
        let ratio = median(&ratios);
        let spread = ratios.iter().fold((f64::MAX, f64::MIN), |(low, high), ratio| (low.min(*ratio), high.max(*ratio)));
        self.add([
            name.to_owned(),
            format!("{} {unit}", figure(median(figures))),
            format!("{} {unit}", figure(median(ceilings))),
            format!("{ratio:.2} ({:.2}-{:.2})", spread.0, spread.1),
            target.text(""),
            met(target.is_met(ratio)),
        ]);
    }

    /// A figure with no ceiling but its target.
    pub fn figure(&mut self, name: &str, unit: &str, figures: &[f64], target: Target) {
        let middle = median(figures);
        let unit = format!(" {unit}");
        self.add([
            name.to_owned(),
            format!("{}{unit}", figure(middle)),
            "-".to_owned(),
            "-".to_owned(),
            target.text(&unit),
            met(target.is_met(middle)),
        ]);
    }

    /// A figure for information.
    pub fn note(&mut self, name: &str, value: String) {
        self.add([name.to_owned(), value, "-".to_owned(), "-".to_owned(), "-".to_owned(), "-".to_owned()]);
    }

    fn add(&mut self, row: [String; 6]) {
        eprintln!("  {}", row.join(" | "));
        self.0.push(row);
    }

    pub fn print(&self) {
        println!("| figure | service | ceiling | ratio, median (range) | target | met |");
        println!("| --- | --- | --- | --- | --- | --- |");
        for row in &self.0 {
            println!("| {} |", row.join(" | "));
        }
    }
}

fn met(is_met: bool) -> String {
    if is_met { "yes" } else { "NO" }.to_owned()
}

fn figure(value: f64) -> String {
    if value >= 100.0 { format!("{value:.0}") } else { format!("{value:.2}") }
}

pub fn milliseconds(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1000.0
}
