//! A workbook on paper, as LibreOffice prints it: in type that can be read, no column lost, and each page with what says of what it is.

use std::collections::BTreeSet;

use super::cells::{Book, SHEETS};
use super::structure::made;
use crate::support::office::{is_there, printed};
use crate::support::pdf::{self, Sheet, words};

/// Papers by their number (ECMA-376, part 1, section 18.3.1.63), and their size in landscape, in points.
const PAPERS: [(u8, f64, f64); 2] = [(9, 841.9, 595.3), (1, 792.0, 612.0)];
/// The least height of a line of type, in points: of 7.7 points it is nine, and of 7 eight.
const READABLE: f64 = 8.0;

#[tokio::test]
async fn a_workbook_prints_readably_and_whole_on_a4_and_on_letter() {
    if !is_there() || !pdf::is_there("PARWRIGHT_TEST_OFFICE", "workbooks were NOT printed") {
        return;
    }
    let bytes = made().await;
    let book = Book::read(&bytes);
    let files: Vec<Vec<u8>> = PAPERS.iter().map(|(paper, ..)| on_paper(&bytes, *paper)).collect();
    for (pdf, (_, width, height)) in printed(&files).expect("it is there").iter().zip(PAPERS) {
        // It ends some sheets with pages on which there is nothing at all.
        let sheets: Vec<Sheet> = words(pdf).into_iter().filter(|sheet| !sheet.words.is_empty()).collect();
        assert!(sheets.len() > 20, "{} pages", sheets.len());
        for sheet in &sheets {
            check_page(sheet, (width, height));
        }
        for name in SHEETS {
            check_sheet(name, &book, &sheets);
        }
    }
}

fn texts(sheet: &Sheet) -> Vec<&str> {
    sheet.words.iter().map(|word| word.text.as_str()).collect()
}

/// Within the margins, no type too small to be read, numbered, and of which report and sheet.
fn check_page(sheet: &Sheet, (width, height): (f64, f64)) {
    assert!((sheet.size.0 - width).abs() < 1.0 && (sheet.size.1 - height).abs() < 1.0, "{:?}", sheet.size);
    for word in &sheet.words {
        // Margins are of four tenths of an inch.
        assert!(word.left >= 28.0 && word.right <= width - 28.0, "{} from {} to {}", word.text, word.left, word.right);
        assert!(word.bottom - word.top >= READABLE, "{} is {} high", word.text, word.bottom - word.top);
    }
    let texts = texts(sheet).join(" ");
    assert!(texts.contains("Rollforward of ACME, 2025-06-01 to 2025-12-31, USD"), "{texts}");
    assert!(texts.contains("Page ") && texts.contains(" of "), "{texts}");
}

/// Every heading stands on some page of the sheet, and on every one the heading of the first column; and every figure stands somewhere.
fn check_sheet(name: &str, book: &Book, sheets: &[Sheet]) {
    // The header ends with the name of the sheet.
    let own: Vec<Vec<&str>> = sheets.iter().filter(|sheet| title(sheet) == name).map(texts).collect();
    assert!(!own.is_empty(), "{name} is printed");
    let all: BTreeSet<&str> = own.iter().flatten().copied().collect();
    let last = book.end(name).1;
    for column in 0..=last {
        for word in book.heading(name, column).split_whitespace() {
            assert!(all.contains(word), "{word} of a heading of {name}");
        }
    }
    let first = book.heading(name, 0);
    for page in &own {
        assert!(page.contains(&first.as_str()), "{name}: a page without {first}");
    }
    for row in book.rows(name) {
        for column in 0..=last {
            let cell = book.at(name, (row, column));
            let calamine::Data::Float(figure) = cell else { continue };
            let shown = amount(*figure);
            let is_amount = figure.fract() != 0.0 && figure.abs() >= 1_000.0;
            assert!(!is_amount || all.contains(shown.as_str()), "{shown} of row {} of {name}", row + 1);
        }
    }
}

/// What stands at the right of the header.
fn title(sheet: &Sheet) -> &str {
    let top = sheet.words.iter().map(|word| word.top).fold(f64::MAX, f64::min);
    let header = sheet.words.iter().filter(|word| word.top < top + 2.0);
    header.max_by(|one, other| one.right.total_cmp(&other.right)).map_or("", |word| word.text.as_str())
}

/// An amount as its cell shows it.
fn amount(figure: f64) -> String {
    let minor = (figure.abs() * 100.0).round();
    let digits = format!("{:.0}", (minor / 100.0).floor());
    let mut grouped = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at) % 3 == 0 {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    format!("{}{grouped}.{:02.0}", if figure < 0.0 { "-" } else { "" }, minor % 100.0)
}

/// The workbook for a printer that has this paper.
fn on_paper(bytes: &[u8], paper: u8) -> Vec<u8> {
    super::cells::rewritten(bytes, |_, text| text.replace("<pageSetup ", &format!("<pageSetup paperSize=\"{paper}\" ")))
}
