//! What stands around every page: its style, its title, what it is of and how far was known, the way back, and the caution.

use std::io;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{entity_address, put};
use crate::document::EntityDocument;

/// The one style sheet, which stands in each page.
pub const STYLE: &str = include_str!("page.css");

/// What stands around a page.
#[derive(Clone, Debug, Default)]
pub struct Shell<'a> {
    pub title: String,
    /// Entity, currency, time known and the like, each with its name.
    pub facts: Vec<(&'a str, String)>,
    /// Other representations of the same, and the way back: name and address.
    pub links: Vec<(&'a str, String)>,
    pub caution: &'a str,
    /// How wide the longest figure is: how small tables are printed.
    pub longest_figure: usize,
}

/// The way back to an entity's books, other representations of the same, and the documentation.
pub fn ways<'a>(entity: &str, others: impl IntoIterator<Item = (&'a str, String)>) -> Vec<(&'a str, String)> {
    let back = ("All books of the entity", entity_address(entity));
    std::iter::once(back).chain(others).chain([("Documentation", "/docs/".to_owned())]).collect()
}

/// Whose a page is, as its facts begin.
pub fn whose(entity: &EntityDocument) -> (&'static str, String) {
    ("Entity", format!("{} ({})", entity.name, entity.code))
}

/// What a report of one currency leaves out, as its facts end.
pub fn left_out(other_currencies: &[String]) -> Option<(&'static str, String)> {
    (!other_currencies.is_empty()).then(|| ("Not in this report: issues in", other_currencies.join(", ")))
}

/// The ways to the parts of a long page: their ids and names.
pub fn contents<'a>(parts: impl IntoIterator<Item = (&'a str, &'a str)>) -> Markup {
    html! {
        nav aria-label="On this page" {
            ul { @for (id, name) in parts { li { a href=(format!("#{id}")) { (name) } } } }
        }
    }
}

impl Shell<'_> {
    /// Everything up to the content.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn begin(&self, out: &mut impl io::Write) -> io::Result<()> {
        let head: Markup = html! {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (self.title) }
                style { (PreEscaped(STYLE)) }
            }
        };
        let width = match self.longest_figure {
            0..=15 => "",
            16..=19 => "wide",
            _ => "widest",
        };
        let header = html! {
            header {
                nav aria-label="This page" {
                    ul {
                        @for (name, address) in &self.links { li { a href=(address) { (name) } } }
                    }
                }
                h1 { (self.title) }
                dl class="facts" {
                    @for (name, value) in &self.facts { div { dt { (name) } dd { (value) } } }
                }
                p class="caution" { (self.caution) }
            }
        };
        // A document begins and ends far apart, and so its outermost elements are written as they are.
        write!(out, "{}<html lang=\"en\">{}<body class=\"{width}\">", DOCTYPE.0, head.0)?;
        put(out, header)?;
        out.write_all(b"<main>")
    }

    /// Everything after the content.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn end(&self, out: &mut impl io::Write) -> io::Result<()> {
        out.write_all(b"</main>")?;
        put(out, html! { footer { p { (self.title) } p { (self.caution) } } })?;
        out.write_all(b"</body></html>\n")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The colours by their names, from the one place where they are.
    fn palette() -> Vec<(&'static str, [f64; 3])> {
        let root = STYLE.split_once(":root {").and_then(|(_, rest)| rest.split_once('}')).map_or("", |(root, _)| root);
        let channel = |digits: &str| {
            let part = f64::from(u8::from_str_radix(digits, 16).unwrap()) / 255.0;
            if part <= 0.040_45 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
        };
        root.lines()
            .filter_map(|line| line.trim().strip_prefix("--")?.strip_suffix(';')?.split_once(": #"))
            .map(|(name, hex)| (name, [0, 2, 4].map(|at| channel(&hex[at..at + 2]))))
            .collect()
    }

    /// The contrast ratio of two colours (WCAG 2.2, relative luminance of sRGB).
    fn contrast(one: &str, other: &str) -> f64 {
        let luminance = |name: &str| {
            let (_, [red, green, blue]) = palette().into_iter().find(|(known, _)| *known == name).unwrap();
            0.2126 * red + 0.7152 * green + 0.0722 * blue
        };
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn what_is_written_and_drawn_stands_out_from_what_is_behind_it() {
        assert_eq!(palette().len(), STYLE.matches('#').count() - STYLE.matches("url(#").count());
        for (text, ground) in [
            ("ink", "paper"),
            ("quiet", "paper"),
            ("link", "paper"),
            ("rise", "paper"),
            ("alarm", "alarm-band"),
            ("alarm", "paper"),
            ("ink", "band"),
            ("link", "band"),
            ("quiet", "band"),
            ("level", "paper"),
            ("fall", "paper"),
        ] {
            assert!(contrast(text, ground) >= 4.5, "{text} on {ground}: {}", contrast(text, ground));
        }
        // What only bounds (WCAG 2.2, 1.4.11).
        assert!(contrast("line", "paper") >= 2.9, "{}", contrast("line", "paper"));
        assert!((contrast("paper", "paper") - 1.0).abs() < 1e-9 && contrast("ink", "paper") < 21.0);
    }

    #[test]
    fn a_page_is_printed_in_landscape_and_its_heads_on_every_sheet() {
        for rule in ["@page", "size: landscape", "table-header-group", "tabular-nums", "break-inside: avoid"] {
            assert!(STYLE.contains(rule), "{rule}");
        }
    }
}
