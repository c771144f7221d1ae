//! Workbooks as cells: read by another library than wrote them, compared, and changed by hand.

use std::io::{Cursor, Read, Write};

use calamine::{Data, Range, Reader, Xlsx};
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// The sheets, in order.
pub const SHEETS: [&str; 6] = ["Rollforward", "Checks", "Inputs", "Schedule", "Events", "Journals"];

/// A workbook that was read.
pub struct Book {
    sheets: Vec<Range<Data>>,
}

impl Book {
    pub fn read(bytes: &[u8]) -> Book {
        let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes.to_vec())).expect("a workbook");
        assert_eq!(book.sheet_names(), SHEETS);
        Book { sheets: SHEETS.map(|name| book.worksheet_range(name).expect("a sheet")).into() }
    }

    fn range(&self, sheet: &str) -> &Range<Data> {
        &self.sheets[SHEETS.iter().position(|name| *name == sheet).expect("a sheet")]
    }

    /// A cell by its row and column, counted from 0.
    pub fn at(&self, sheet: &str, (row, column): (u32, u32)) -> &Data {
        self.range(sheet).get_value((row, column)).unwrap_or(&Data::Empty)
    }

    /// The last row and column that hold something.
    pub fn end(&self, sheet: &str) -> (u32, u32) {
        self.range(sheet).end().unwrap_or_default()
    }

    /// The row of the headings of a sheet.
    pub fn head(sheet: &str) -> u32 {
        match sheet {
            "Rollforward" => 7,
            "Checks" => 5,
            _ => 3,
        }
    }

    /// The heading of a column.
    pub fn heading(&self, sheet: &str, column: u32) -> String {
        self.at(sheet, (Book::head(sheet), column)).to_string()
    }

    /// The column of a heading.
    #[track_caller]
    pub fn column(&self, sheet: &str, heading: &str) -> u32 {
        let found = (0..=self.end(sheet).1).find(|column| self.heading(sheet, *column) == heading);
        found.unwrap_or_else(|| panic!("{sheet} has no column {heading}"))
    }

    /// The rows below the headings.
    pub fn rows(&self, sheet: &str) -> std::ops::RangeInclusive<u32> {
        Book::head(sheet) + 1..=self.end(sheet).0
    }

    /// The cell of a row under a heading.
    #[track_caller]
    pub fn under(&self, sheet: &str, row: u32, heading: &str) -> &Data {
        self.at(sheet, (row, self.column(sheet, heading)))
    }

    /// What the cell says that is for everything.
    pub fn overall(&self) -> String {
        self.at("Checks", (1, 1)).to_string()
    }
}

/// The number of a cell; nothing is zero.
pub fn number(cell: &Data) -> Option<f64> {
    match cell {
        Data::Float(number) => Some(*number),
        Data::Int(number) => Some(*number as f64),
        Data::Empty => Some(0.0),
        _ => None,
    }
}

/// Whether two cells are alike: amounts to the minor unit, rates and what is carried for a unit to twelve decimals, all else exactly.
pub fn are_alike(one: &Data, other: &Data, heading: &str, decimals: i32) -> bool {
    let is_fine = ["unit", "rate", "step", "price", "Effective"].iter().any(|word| heading.contains(word));
    match (number(one), number(other)) {
        (Some(one), Some(other)) if is_fine => (one - other).abs() < 1e-12,
        (Some(one), Some(other)) => {
            let minor = |number: f64| (number * 10_f64.powi(decimals)).round();
            minor(one) == minor(other) && (one - other).abs() < 10_f64.powi(-decimals - 2)
        }
        _ => one == other || (one.to_string() == other.to_string() && !matches!(one, Data::Error(_))),
    }
}

/// What differs between two workbooks, but for cells that are left out, given by sheet, heading and row.
pub fn differences(
    one: &Book,
    other: &Book,
    decimals: i32,
    is_left_out: impl Fn(&str, &str, u32) -> bool,
) -> Vec<String> {
    let mut found = Vec::new();
    for sheet in SHEETS {
        let (rows, columns) = {
            let (first, second) = (one.end(sheet), other.end(sheet));
            (first.0.max(second.0), first.1.max(second.1))
        };
        for row in 0..=rows {
            for column in 0..=columns {
                let (a, b) = (one.at(sheet, (row, column)), other.at(sheet, (row, column)));
                let heading = one.heading(sheet, column);
                if !is_left_out(sheet, &heading, row) && !are_alike(a, b, &heading, decimals) {
                    let of = one.at(sheet, (row, 0)).to_string();
                    found.push(format!("{sheet} row {} ({of}) under {heading}: {a:?} and {b:?}", row + 1));
                }
            }
        }
    }
    found
}

/// The address of a cell.
pub fn address((row, column): (u32, u32)) -> String {
    let mut letters = String::new();
    let mut left = column + 1;
    while left > 0 {
        let letter = char::from(b'A' + u8::try_from((left - 1) % 26).expect("a letter"));
        letters.insert(0, letter);
        left = (left - 1) / 26;
    }
    format!("{letters}{}", row + 1)
}

/// The text of a part.
pub fn part(bytes: &[u8], name: &str) -> String {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).expect("an archive");
    let mut text = String::new();
    archive.by_name(name).expect("a part").read_to_string(&mut text).expect("text");
    text
}

/// The names of all parts.
pub fn parts(bytes: &[u8]) -> Vec<String> {
    let archive = ZipArchive::new(Cursor::new(bytes)).expect("an archive");
    archive.file_names().map(|name| name.expect("a name").into_owned()).collect()
}

/// The workbook with numbers written into cells, as a person would: what stood there goes, a formula too.
pub fn edited(bytes: &[u8], sheet: &str, cells: &[((u32, u32), f64)]) -> Vec<u8> {
    let number = SHEETS.iter().position(|name| *name == sheet).expect("a sheet") + 1;
    let name = format!("xl/worksheets/sheet{number}.xml");
    let mut xml = part(bytes, &name);
    for (place, value) in cells {
        let begin = xml.find(&format!("<c r=\"{}\"", address(*place))).expect("a cell that holds something");
        let inner = begin + xml[begin..].find('>').expect("the end of a tag") + 1;
        let end = inner + xml[inner..].find("</c>").expect("the end of a cell");
        let tag = xml[begin..inner].replace(" t=\"str\"", "").replace(" t=\"s\"", "").replace(" t=\"b\"", "");
        xml.replace_range(begin..end, &format!("{tag}<v>{value}</v>"));
    }
    rewritten(bytes, |known, text| if known == name { xml.clone() } else { text })
}

/// The workbook with other texts in its parts.
pub fn rewritten(bytes: &[u8], text: impl Fn(&str, String) -> String) -> Vec<u8> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).expect("an archive");
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for at in 0..archive.len() {
        let mut file = archive.by_index(at).expect("a part");
        let known = file.name().expect("a name").into_owned();
        let mut content = String::new();
        file.read_to_string(&mut content).expect("a part of text");
        writer.start_file(known.clone(), SimpleFileOptions::default()).expect("a part");
        writer.write_all(text(&known, content).as_bytes()).expect("a part");
    }
    writer.finish().expect("an archive").into_inner()
}
