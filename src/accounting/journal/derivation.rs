//! How a line's amount came about.

use std::sync::Arc;

/// The rule behind a line's amount, with the paragraph that it follows and the figures that went into it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Derivation {
    /// The rule in words or as a formula over the figures.
    pub rule: &'static str,
    /// Standard and paragraph, or where else the rule comes from.
    pub paragraph: &'static str,
    /// Names and values, in the order in which the rule uses them. Lines of one rule share them.
    pub figures: Arc<Vec<(&'static str, String)>>,
}

impl Derivation {
    /// A rule of a paragraph, without figures yet.
    pub fn new(rule: &'static str, paragraph: &'static str) -> Derivation {
        Derivation { rule, paragraph, figures: Arc::default() }
    }

    /// The same with one figure more.
    #[must_use]
    pub fn with(mut self, name: &'static str, value: impl ToString) -> Derivation {
        Arc::make_mut(&mut self.figures).push((name, value.to_string()));
        self
    }
}
