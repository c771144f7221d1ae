//! What a case is: its source, its conventions, and figures with where they come from.

use std::fmt;

use rust_decimal::Decimal;
use serde::Deserialize;
use serde::de::DeserializeOwned;

/// A worked example of a source.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Case<R> {
    pub id: String,
    pub source: Source,
    /// What had to be assumed or chosen to run it.
    pub conventions: Vec<String>,
    pub notes: String,
    pub runs: Vec<R>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    pub title: String,
    pub section: String,
    pub address: String,
}

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Status {
    /// Read in the source, or in a copy that the source's address names.
    #[serde(rename = "published")]
    Published,
    /// The source is known, but its text could not be read: from memory.
    #[serde(rename = "recalled from memory")]
    Recalled,
    /// Computed from the source's inputs, outside this project's code.
    #[serde(rename = "derived here")]
    Derived,
}

/// A figure that differs from the source's for a reason that is known.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Difference {
    /// Which of the figures shown, counted from 1.
    pub row: usize,
    pub ours: String,
    pub because: String,
}

/// Figures as their source shows them. The tolerance is the source's own rounding: each figure must be met to half a unit of its
/// last digit shown, so that no case can be made looser than its source.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expectation<F> {
    pub figure: F,
    /// For figures on dates.
    #[serde(default)]
    pub dates: Vec<String>,
    /// For prices: the nominal annual rate.
    pub rate: Option<String>,
    pub shown: Vec<String>,
    pub status: Status,
    #[serde(default)]
    pub differs: Vec<Difference>,
}

/// One figure of ours that claims are put to.
pub trait Measured: fmt::Display {
    /// Whether the figure is `claim`, give or take `tolerance`.
    fn is(&self, claim: Decimal, tolerance: Decimal) -> Result<bool, String>;
}

impl Measured for Decimal {
    fn is(&self, claim: Decimal, tolerance: Decimal) -> Result<bool, String> {
        Ok((*self - claim).abs() <= tolerance)
    }
}

/// A family's data.
pub fn read<T: DeserializeOwned>(family: &str) -> T {
    serde_json::from_str(family).unwrap_or_else(|error| panic!("a family of published cases cannot be read: {error}"))
}

/// Half a unit of the last digit shown.
pub fn half_a_unit(shown: Decimal) -> Decimal {
    Decimal::new(5, shown.scale() + 1)
}

impl<R> Case<R> {
    /// What does not hold in any of its runs, each with all that the case says about itself.
    pub fn failures(&self, of: impl Fn(&R) -> Vec<String>) -> Vec<String> {
        let failures = self.runs.iter().flat_map(of);
        failures.map(|failure| format!("{}: {failure}\n{}", self.id, self.origin())).collect()
    }

    fn origin(&self) -> String {
        let Source { title, section, address } = &self.source;
        format!(
            "  source: {title}, {section} <{address}>\n  conventions: {}\n  notes: {}",
            self.conventions.join(" "),
            self.notes
        )
    }
}

impl<F: fmt::Debug> Expectation<F> {
    /// What of the figures shown does not hold against ours. Sources often show the first rows only; of ours, as many are taken.
    pub fn failures(&self, ours: &[&dyn Measured]) -> Vec<String> {
        if ours.len() < self.shown.len() || self.shown.is_empty() {
            return vec![format!("{:?}: {} figures shown, {} of ours", self.figure, self.shown.len(), ours.len())];
        }
        let stray = self.differs.iter().filter(|difference| !(1..=self.shown.len()).contains(&difference.row));
        let mut failures: Vec<String> =
            stray.map(|difference| format!("{:?}: no row {}", self.figure, difference.row)).collect();
        for (index, (shown, ours)) in self.shown.iter().zip(ours).enumerate() {
            let differs = self.differs.iter().find(|difference| difference.row == index + 1);
            if let Err(problem) = self.hold(shown, *ours, differs) {
                failures.push(format!("{:?} ({:?}), row {}: {problem}", self.figure, self.status, index + 1));
            }
        }
        failures
    }

    fn hold(&self, shown: &str, ours: &dyn Measured, differs: Option<&Difference>) -> Result<(), String> {
        let shown = decimal(shown)?;
        let tolerance = half_a_unit(shown);
        let as_shown = ours.is(shown, tolerance)?;
        match differs {
            None if as_shown => Ok(()),
            None => Err(format!("shown {shown} (+- {tolerance}), ours {ours}")),
            Some(difference) if as_shown => {
                Err(format!("shown {shown} is met after all; drop: {}", difference.because))
            }
            Some(difference) => {
                let exact = decimal(&difference.ours)?;
                let held = ours.is(exact, half_a_unit(exact))? && !difference.because.is_empty();
                if held { Ok(()) } else { Err(format!("shown {shown}, documented as {exact}, ours {ours}")) }
            }
        }
    }
}

pub fn decimal(text: &str) -> Result<Decimal, String> {
    text.parse().map_err(|error| format!("{text}: {error}"))
}
