//! A workbook read by another library than wrote it, and how it looks by its parts.

use std::collections::BTreeMap;
use std::io::{Cursor, Read};

use calamine::{Data, Range, Reader, Xlsx};
use roxmltree::{Document, Node};
use serde_json::{Value, json};
use zip::ZipArchive;

use super::table::{self, Expected};
use crate::support::client::text;

/// The namespace of workbooks.
const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";

/// A workbook that was read.
pub struct Workbook {
    about: Range<Data>,
    lines: Range<Data>,
    /// The XML of each part.
    parts: BTreeMap<String, String>,
}

impl Workbook {
    pub fn read(bytes: &[u8]) -> Workbook {
        let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes.to_vec())).expect("a workbook");
        assert_eq!(book.sheet_names(), ["Batch", "Lines"]);
        let mut sheet = |name| {
            let formulas = book.worksheet_formula(name).expect("a sheet");
            assert!(formulas.used_cells().next().is_none(), "{formulas:?}");
            book.worksheet_range(name).expect("a sheet")
        };
        let (about, lines) = (sheet("Batch"), sheet("Lines"));
        let mut archive = ZipArchive::new(Cursor::new(bytes)).expect("an archive");
        let parts = (0..archive.len()).map(|at| {
            let mut part = archive.by_index(at).expect("a part");
            let mut xml = String::new();
            part.read_to_string(&mut xml).expect("text: nothing of it is a program or a picture");
            (part.name().expect("a name").into_owned(), xml)
        });
        Workbook { about, lines, parts: parts.collect() }
    }

    /// What stands beside a name on the first sheet.
    pub fn said(&self, name: &str) -> Data {
        let row = self.about.rows().find(|row| row[0] == Data::String(name.to_owned()));
        row.map_or(Data::Empty, |row| row[1].clone())
    }

    pub fn part(&self, name: &str) -> &str {
        &self.parts[name]
    }

    /// The number format of a cell.
    pub fn format(&self, sheet: &str, cell: &str) -> String {
        let number = if sheet == "Batch" { 1 } else { 2 };
        let sheet = Document::parse(self.part(&format!("xl/worksheets/sheet{number}.xml"))).expect("XML");
        let cell = sheet.descendants().find(|node| node.attribute("r") == Some(cell)).expect("a cell");
        let style: usize = cell.attribute("s").map_or(0, |style| style.parse().expect("a number"));
        let styles = Document::parse(self.part("xl/styles.xml")).expect("XML");
        let styled = styles.descendants().find(|node| node.has_tag_name((MAIN, "cellXfs"))).expect("styles");
        let styled = styled.children().filter(Node::is_element).nth(style).expect("a style");
        let id = styled.attribute("numFmtId").expect("a number format");
        let own = styles
            .descendants()
            .find(|node| node.has_tag_name((MAIN, "numFmt")) && node.attribute("numFmtId") == Some(id));
        let own = own.and_then(|format| format.attribute("formatCode"));
        // Those that every workbook has (ECMA-376, part 1, section 18.8.30).
        let builtin = [("0", "General"), ("3", "#,##0"), ("4", "#,##0.00"), ("49", "@")];
        let builtin = builtin.iter().find(|(number, _)| *number == id).map(|(_, format)| *format);
        own.or(builtin).unwrap_or(id).to_owned()
    }

    /// A part of a workbook that a mail filter stops, or that reaches out of it, is not there.
    pub fn check_innocence(&self) {
        for (name, xml) in &self.parts {
            for unwanted in ["vba", "externalLink", "connections", "embeddings", "activeX"] {
                assert!(!name.contains(unwanted), "{name}");
            }
            for unwanted in ["TargetMode=\"External\"", "<mergeCell", "<hyperlink", "<f>", "<f "] {
                assert!(!xml.contains(unwanted), "{unwanted} in {name}");
            }
        }
    }
}

/// The day of a cell that is a date, by its format too.
fn day(cell: &Data) -> String {
    let Data::DateTime(date) = cell else { panic!("{cell:?} is no date") };
    let (year, month, day, hour, minute, second, _) = date.to_ymd_hms_milli();
    assert!(date.is_datetime() && (hour, minute, second) == (0, 0, 0), "{date:?}");
    format!("{year:04}-{month:02}-{day:02}")
}

/// An amount as it is written: a number if 15 digits tell it, else text.
#[track_caller]
fn check_amount(cell: &Data, amount: &str) {
    let significant = amount.replace(['.', '-'], "");
    let decimals = amount.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    match cell {
        Data::Float(number) => {
            assert!(significant.trim_matches('0').len() <= 15, "{amount}");
            // A spreadsheet shows 15 digits of its number, and these are those of the amount.
            let shown = format!("{number:.14e}").parse::<rust_decimal::Decimal>();
            let shown = shown.or_else(|_| rust_decimal::Decimal::from_scientific(&format!("{number:.14e}")));
            let exact: rust_decimal::Decimal = amount.parse().expect("a figure");
            assert_eq!(shown.expect("a figure"), exact, "{number} with {decimals} decimals");
        }
        Data::String(text) => {
            assert!(text == amount && significant.trim_matches('0').len() > 15, "{text} for {amount}");
        }
        other => panic!("{other:?} for {amount}"),
    }
}

#[track_caller]
fn check_cell(cell: &Data, expected: &Expected) {
    match expected {
        Expected::Nothing => assert_eq!(*cell, Data::Empty),
        Expected::Text(text) => assert_eq!(*cell, Data::String(text.clone())),
        Expected::Date(date) => assert_eq!(day(cell), *date),
        Expected::Amount(amount) => check_amount(cell, amount),
        Expected::Count(count) => assert_eq!(*cell, Data::Float(f64::from(i32::try_from(*count).expect("a count")))),
    }
}

/// Compares a workbook with the JSON of its batch, cell by cell.
#[track_caller]
pub fn check(bytes: &[u8], batch: &Value) {
    let book = Workbook::read(bytes);
    book.check_innocence();
    for (name, field) in [
        ("Batch", "number"),
        ("Entity", "entity"),
        ("Status", "status"),
        ("Currency", "currency"),
        ("Recorded at", "recorded_at"),
        ("Id", "id"),
        ("Content SHA-256", "content_sha256"),
    ] {
        assert_eq!(json!(book.said(name).to_string()), batch[field], "{name}");
    }
    for (name, amount) in [
        ("Total debit", &batch["totals"]["debit"]),
        ("Total credit", &batch["totals"]["credit"]),
        ("Effect on assets", &batch["statement_effects"]["assets"]),
        ("of which net income", &batch["statement_effects"]["net_income"]),
    ] {
        check_amount(&book.said(name), text(amount));
    }
    assert_eq!(day(&book.said("Posting date")), text(&batch["posting_date"]));
    assert_eq!(book.said("Lines").to_string(), batch["totals"]["lines"].to_string());
    assert!(book.said("Caution").to_string().contains("review by qualified accountants"));
    assert!(book.said("Amounts").to_string().contains("15 significant digits"));
    let (header, rows) = table::of(batch);
    let mut found = book.lines.rows();
    let names: Vec<String> = found.next().expect("a header").iter().map(ToString::to_string).collect();
    assert_eq!(names, header);
    assert_eq!(book.lines.height(), rows.len() + 1);
    for (cells, row) in found.zip(&rows) {
        assert_eq!(cells.len(), row.len());
        cells.iter().zip(row).for_each(|(cell, expected)| check_cell(cell, expected));
    }
}
