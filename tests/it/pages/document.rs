//! A page as a parser of HTML reads it, and what holds for all of them.

use std::collections::BTreeSet;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use parwright::reading::CAUTION;
use scraper::{ElementRef, Html, Selector};
use sha2::{Digest, Sha256};

use crate::support::client::Answer;

/// A page.
pub struct Page {
    html: Html,
    /// Its bytes as text.
    pub source: String,
    policy: String,
}

/// A table of a page.
#[derive(Debug)]
pub struct Table {
    pub caption: String,
    pub header: Vec<String>,
    /// Rows under the name of their group, if they have one.
    pub groups: Vec<(Option<String>, Vec<Vec<String>>)>,
}

impl Table {
    /// What a row holds in a column; none where there is no such column.
    pub fn cell<'r>(&self, row: &'r [String], column: &str) -> Option<&'r str> {
        self.header.iter().position(|name| name == column).map(|at| row[at].as_str())
    }
}

fn selector(text: &str) -> Selector {
    Selector::parse(text).expect("a selector")
}

fn text_of(element: ElementRef<'_>) -> String {
    element.text().collect::<String>().split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Page {
    /// A page that was answered and is as all pages are.
    #[track_caller]
    pub fn of(answer: &Answer) -> Page {
        let source = String::from_utf8(answer.bytes.clone()).expect("UTF-8");
        assert_eq!((answer.status, answer.header("content-type")), (200, "text/html; charset=utf-8"), "{source}");
        assert_eq!((answer.header("vary"), answer.header("cache-control")), ("accept", "private, no-cache"));
        assert!(answer.header("etag").starts_with('"'));
        let policy = answer.header("content-security-policy").to_owned();
        let page = Page { html: Html::parse_document(&source), source, policy };
        page.check();
        page
    }

    pub fn all(&self, wanted: &str) -> Vec<ElementRef<'_>> {
        self.html.select(&selector(wanted)).collect()
    }

    /// The text that a reader sees, in one line.
    pub fn text(&self) -> String {
        self.all("body").into_iter().map(text_of).collect()
    }

    /// The text of each element.
    pub fn texts(&self, wanted: &str) -> Vec<String> {
        self.all(wanted).into_iter().map(text_of).collect()
    }

    /// Where it links to and sends its forms, without what lies on the page itself.
    pub fn links(&self) -> BTreeSet<String> {
        let links =
            self.all("[href], [action]").into_iter().filter_map(|link| link.attr("href").or(link.attr("action")));
        links.filter(|address| !address.starts_with('#')).map(str::to_owned).collect()
    }

    /// The address behind the first link with a text.
    #[track_caller]
    pub fn link(&self, text: &str) -> String {
        let link = self.all("a").into_iter().find(|link| text_of(*link) == text);
        let link = link.unwrap_or_else(|| panic!("there is no link {text} in {}", self.text()));
        link.attr("href").expect("an address").to_owned()
    }

    pub fn tables(&self) -> Vec<Table> {
        let (caption, column, body, row) =
            (selector("caption"), selector("thead th"), selector("tbody"), selector("tr"));
        let cell = selector("th, td");
        let cells = |row: ElementRef<'_>| row.select(&cell).map(text_of).collect::<Vec<_>>();
        self.all("table")
            .into_iter()
            .map(|table| Table {
                caption: table.select(&caption).map(text_of).collect(),
                header: table.select(&column).map(text_of).collect(),
                groups: table
                    .select(&body)
                    .map(|body| {
                        let group = body.select(&selector("th[scope=rowgroup]")).next();
                        let rows = body
                            .select(&row)
                            .filter(|row| row.select(&selector("th[scope=rowgroup]")).next().is_none());
                        (group.map(text_of), rows.map(cells).collect())
                    })
                    .collect(),
            })
            .collect()
    }

    /// The one table whose caption begins so.
    #[track_caller]
    pub fn table(&self, caption: &str) -> Table {
        let mut found: Vec<Table> =
            self.tables().into_iter().filter(|table| table.caption.starts_with(caption)).collect();
        assert_eq!(found.len(), 1, "tables {caption:?} in {}", self.text());
        found.remove(0)
    }

    /// What holds for every page.
    #[track_caller]
    fn check(&self) {
        assert!(self.source.starts_with("<!DOCTYPE html>"), "{}", &self.source[..100]);
        let language: Vec<_> = self.all("html").into_iter().filter_map(|html| html.attr("lang")).collect();
        assert_eq!(language, ["en"]);
        assert!(self.texts("title").iter().all(|title| !title.is_empty()));
        assert!(self.text().contains(CAUTION) && self.text().contains("Known at"), "{}", self.text());
        self.check_that_it_runs_and_fetches_nothing();
        self.check_headings();
        self.check_names();
        for table in self.all("table") {
            check_table(table);
        }
        for drawing in self.all("svg") {
            assert_eq!(drawing.attr("role"), Some("img"));
            let (title, description) =
                (drawing.select(&selector("title")).next(), drawing.select(&selector("desc")).next());
            let names = [title, description].map(|element| {
                let element = element.expect("a chart has a title and a description");
                assert!(!text_of(element).is_empty());
                element.attr("id").expect("a name")
            });
            assert_eq!(drawing.attr("aria-labelledby"), Some(names.join(" ").as_str()));
        }
    }

    fn check_that_it_runs_and_fetches_nothing(&self) {
        assert!(self.all("script, iframe, img, link, object, embed, base, image, use, foreignObject").is_empty());
        for element in self.all("*") {
            for (name, value) in element.value().attrs() {
                assert!(name != "style" && !name.starts_with("on"), "{name}={value}");
                let stays_here = value.starts_with('#') || value.starts_with('/') && !value.starts_with("//");
                assert!(!matches!(name, "href" | "src" | "action") || stays_here, "{name}={value}");
            }
        }
        let styles: Vec<String> = self.all("style").into_iter().map(|style| style.text().collect()).collect();
        let [style] = styles.as_slice() else { panic!("one style sheet") };
        assert!(!style.contains("url(") && !style.contains("@import"));
        let hash = STANDARD.encode(Sha256::digest(style));
        let policy = format!(
            "default-src 'none'; style-src 'sha256-{hash}'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        );
        assert_eq!(self.policy, policy);
    }

    /// One heading of the first level comes first, and none is more than one level below the one before.
    fn check_headings(&self) {
        let level = |heading: &ElementRef<'_>| heading.value().name()[1..].parse::<u32>().expect("a level");
        let levels: Vec<u32> = self.all("h1, h2, h3, h4").iter().map(level).collect();
        assert_eq!((levels.first(), levels.iter().filter(|level| **level == 1).count()), (Some(&1), 1));
        assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{levels:?}");
    }

    /// Names are unique, and what lies on the page itself is there.
    fn check_names(&self) {
        let names: Vec<&str> = self.all("[id]").into_iter().filter_map(|element| element.attr("id")).collect();
        let unique: BTreeSet<&str> = names.iter().copied().collect();
        assert_eq!(unique.len(), names.len(), "{names:?}");
        for link in self.all("a[href^='#']") {
            assert!(unique.contains(&link.attr("href").unwrap_or_default()[1..]));
        }
        for input in self.all("input:not([type=hidden]), select") {
            assert!(input.parent().and_then(ElementRef::wrap).is_some_and(|parent| parent.value().name() == "label"));
        }
    }
}

/// A caption first, a scope at each header cell, and as many cells in a row as there are columns.
fn check_table(table: ElementRef<'_>) {
    let first = table.children().find_map(ElementRef::wrap).expect("an element");
    assert!(first.value().name() == "caption" && !text_of(first).is_empty(), "{}", table.html());
    let columns = table.select(&selector("thead th")).count();
    assert!(columns > 0);
    for header in table.select(&selector("th")) {
        let scope = header.attr("scope").unwrap_or_default();
        assert!(["col", "row", "rowgroup"].contains(&scope), "{}", header.html());
    }
    for row in table.select(&selector("tr")) {
        let cell = selector("th, td");
        let cells = row.select(&cell);
        let width: usize =
            cells.map(|cell| cell.attr("colspan").map_or(1, |span| span.parse().expect("a number"))).sum();
        assert_eq!(width, columns, "{}", row.html());
        assert!(row.select(&selector("th")).next().is_some(), "{}", row.html());
    }
}

/// A decimal as it is printed: in groups of three, a negative one in parentheses, zero as a dash.
pub fn printed(decimal: &str) -> String {
    let digits = decimal.trim_start_matches('-');
    if digits.chars().all(|char| matches!(char, '0' | '.')) {
        return "\u{2013}".to_owned();
    }
    let (whole, fraction) = digits.find('.').map_or((digits, ""), |at| digits.split_at(at));
    let mut groups: Vec<&str> = Vec::new();
    let mut rest = whole;
    while rest.len() > 3 {
        let (before, group) = rest.split_at(rest.len() - 3);
        groups.push(group);
        rest = before;
    }
    groups.push(rest);
    groups.reverse();
    let text = groups.join(",") + fraction;
    if decimal.starts_with('-') { format!("({text})") } else { text }
}

/// A figure that may be null, as it is printed.
pub fn shown(figure: &serde_json::Value, instead: &str) -> String {
    figure.as_str().map_or_else(|| instead.to_owned(), printed)
}

/// The rows of a table that has one group of them.
pub fn rows(table: &Table) -> &[Vec<String>] {
    assert_eq!(table.groups.len(), 1);
    &table.groups[0].1
}
