//! Which figures of an entry's row are computed and which are stated, and how a figure is written.

use super::columns::Event;
use super::figures::Figure;
use crate::export::xlsx::cell::{Column, Held, Row};

/// Which figures of a row have a formula.
#[derive(Default)]
pub(super) struct Basis {
    live: u32,
    stated: Vec<&'static str>,
}

impl Basis {
    pub fn note(&mut self, name: &'static str, figure: &Figure) {
        if figure.formula.is_some() {
            self.live += 1;
        } else if !figure.value.is_zero() {
            self.stated.push(name);
        }
    }

    pub fn is_short(&self, is_led: bool) -> bool {
        !is_led || !self.stated.is_empty()
    }

    pub fn text(&self, is_led: bool, why: Option<&'static str>) -> String {
        match (is_led, self.stated.as_slice(), why) {
            (false, _, Some(why)) => format!("stated: {why}"),
            (false, _, None) => "stated".to_owned(),
            (true, [], _) => "computed".to_owned(),
            (true, stated, _) => format!("computed; stated: {}", stated.join(", ")),
        }
    }
}

/// The heading of a column.
pub(super) fn heading(column: Event) -> &'static str {
    let found = Event::ALL.iter().find(|(known, ..)| *known == column);
    found.map_or("", |(_, heading, _)| heading)
}

/// Writes a figure; one of nothing without a formula is left out.
pub(super) fn write(row: &mut Row, column: Event, figure: &Figure) {
    if figure.formula.is_some() || !figure.value.is_zero() {
        write_always(row, column, figure);
    }
}

/// Writes a figure, whatever it is.
pub(super) fn write_always(row: &mut Row, column: Event, figure: &Figure) {
    match &figure.formula {
        Some(formula) => row.live(column, formula.clone(), Held::Amount(figure.value)),
        None => row.value(column, Held::Amount(figure.value)),
    }
}
