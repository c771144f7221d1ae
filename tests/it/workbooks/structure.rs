//! How a workbook is made: nothing hidden, nothing that runs, nothing that reaches out of it; and how it looks and prints.

use roxmltree::{Document, Node};

use super::cells::{Book, SHEETS, address, part, parts};
use super::portfolio::{issued, live};
use super::workbook;
use crate::support::client::Service;

/// The namespace of workbooks.
const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";

pub async fn made() -> Vec<u8> {
    let service = Service::sqlite().await;
    service.mapped_entity("ACME").await;
    let issues = issued(&service, "ACME", None).await;
    live(&service, "ACME", &issues).await;
    workbook(&service, "ACME", ("2025-06-01", "2025-12-31"), "USD").await
}

#[tokio::test]
async fn a_workbook_is_innocent_and_can_be_read_and_printed() {
    let bytes = made().await;
    for name in parts(&bytes) {
        for unwanted in ["vba", "externalLink", "connections", "embeddings", "activeX", "drawing"] {
            assert!(!name.contains(unwanted), "{name}");
        }
        if name.ends_with(".xml") || name.ends_with(".rels") {
            let xml = part(&bytes, &name);
            for unwanted in ["TargetMode=\"External\"", "<mergeCell", "hidden=\"1\"", "state=\"hidden\"", "veryHidden"]
            {
                assert!(!xml.contains(unwanted), "{unwanted} in {name}");
            }
        }
    }
    let workbook = part(&bytes, "xl/workbook.xml");
    let workbook = Document::parse(&workbook).expect("XML");
    let names: Vec<(&str, &str)> = workbook
        .descendants()
        .filter(|node| node.has_tag_name((MAIN, "definedName")))
        .map(|node| (node.attribute("name").expect("a name"), node.text().unwrap_or_default()))
        .collect();
    assert!(names.contains(&("Overall", "Checks!$B$2")), "{names:?}");
    let titles = names.iter().filter(|(name, _)| *name == "_xlnm.Print_Titles").count();
    assert_eq!(titles, SHEETS.len(), "{names:?}");
    for number in 1..=SHEETS.len() {
        let sheet = part(&bytes, &format!("xl/worksheets/sheet{number}.xml"));
        let sheet = Document::parse(&sheet).expect("XML");
        let one = |name: &str| sheet.descendants().find(|node| node.has_tag_name((MAIN, name)));
        let pane = one("pane").expect("a frozen pane");
        assert_eq!(pane.attribute("state"), Some("frozen"));
        let print = one("pageSetup").expect("how it prints");
        assert_eq!((print.attribute("orientation"), print.attribute("scale")), (Some("landscape"), Some("70")));
        assert_eq!((print.attribute("fitToWidth"), print.attribute("pageOrder")), (None, Some("overThenDown")));
        assert!(one("headerFooter").is_some_and(|node| node.descendants().count() > 2));
    }
    let book = Book::read(&bytes);
    let first: Vec<String> = (0..5).map(|row| book.at("Rollforward", (row, 0)).to_string()).collect();
    assert!(first[0].contains("ACME") && first[2].contains("review by qualified accountants"), "{first:?}");
}

#[tokio::test]
async fn figures_have_the_formats_of_their_kind() {
    let bytes = made().await;
    let book = Book::read(&bytes);
    for (sheet, heading, expected) in [
        ("Rollforward", "Carrying amount", "#,##0.00"),
        ("Events", "Premium or discount", "#,##0.00"),
        ("Events", "Effective date", "yyyy\\-mm\\-dd"),
        ("Journals", "Posting date", "yyyy\\-mm\\-dd"),
        ("Inputs", "Coupon rate", "0.0000000000"),
        ("Inputs", "Proceeds", "#,##0.00"),
        ("Inputs", "Gross rate a period", "0.000000000000"),
        ("Journals", "Account", "@"),
    ] {
        let column = book.column(sheet, heading);
        let row = book.rows(sheet).find(|row| !book.at(sheet, (*row, column)).to_string().is_empty()).expect("a cell");
        let found = format(&bytes, sheet, &address((row, column)));
        assert_eq!(found.replace('\\', ""), expected.replace('\\', ""), "{sheet} {heading}");
    }
    // What may be changed looks like nothing else.
    let column = book.column("Inputs", "Coupon rate");
    let style = |heading: &str| style(&bytes, "Inputs", &address((4, book.column("Inputs", heading))));
    assert_ne!(style("Coupon rate"), style("Recorded coupon rate"));
    assert_ne!(style("Proceeds"), style("Recorded proceeds"));
    assert!(column > 0);
}

fn style(bytes: &[u8], sheet: &str, cell: &str) -> usize {
    let number = SHEETS.iter().position(|name| *name == sheet).expect("a sheet") + 1;
    let sheet = part(bytes, &format!("xl/worksheets/sheet{number}.xml"));
    let sheet = Document::parse(&sheet).expect("XML");
    let cell = sheet.descendants().find(|node| node.attribute("r") == Some(cell) && node.has_tag_name((MAIN, "c")));
    cell.expect("a cell").attribute("s").map_or(0, |style| style.parse().expect("a number"))
}

/// The number format of a cell.
fn format(bytes: &[u8], sheet: &str, cell: &str) -> String {
    let style = style(bytes, sheet, cell);
    let styles = part(bytes, "xl/styles.xml");
    let styles = Document::parse(&styles).expect("XML");
    let styled = styles.descendants().find(|node| node.has_tag_name((MAIN, "cellXfs"))).expect("styles");
    let styled = styled.children().filter(Node::is_element).nth(style).expect("a style");
    let id = styled.attribute("numFmtId").expect("a number format");
    let own =
        styles.descendants().find(|node| node.has_tag_name((MAIN, "numFmt")) && node.attribute("numFmtId") == Some(id));
    // Those that every workbook has (ECMA-376, part 1, section 18.8.30).
    let builtin = [("0", "General"), ("3", "#,##0"), ("4", "#,##0.00"), ("49", "@")];
    let builtin = builtin.iter().find(|(number, _)| *number == id).map(|(_, format)| *format);
    own.and_then(|format| format.attribute("formatCode")).or(builtin).unwrap_or(id).to_owned()
}
