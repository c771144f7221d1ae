//! What stands where on printed sheets, as pdftotext reads them (Debian's package `poppler-utils`).

use std::process::Command;

use super::python;

/// A word and where it stands, in points from the left and the top.
pub struct Word {
    pub text: String,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

/// A printed sheet.
pub struct Sheet {
    /// How wide and how high it is, in points.
    pub size: (f64, f64),
    pub words: Vec<Word>,
}

/// Whether there is what reads them; where it is not and `requirement` says that it is required, that is a failure.
///
/// # Panics
///
/// Then.
pub fn is_there(requirement: &str, left_undone: &str) -> bool {
    match Command::new("pdftotext").arg("-v").output() {
        Ok(_) => true,
        Err(error) => match python::left_undone(requirement, left_undone, &format!("pdftotext: {error}")) {
            Ok(()) => false,
            Err(reason) => panic!("{reason}"),
        },
    }
}

/// The sheets of a PDF.
pub fn words(pdf: &[u8]) -> Vec<Sheet> {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let file = directory.path().join("sheets.pdf");
    std::fs::write(&file, pdf).expect("a file");
    let output = Command::new("pdftotext").arg("-bbox").arg(&file).arg("-").output().expect("it runs");
    let read = String::from_utf8(output.stdout).expect("UTF-8");
    // It names its encoding by an entity of HTML, which is none of XML.
    let read = read.split_once("<body>").map_or("", |(_, body)| body).split("</body>").next().unwrap_or_default();
    let document = roxmltree::Document::parse(read.trim()).expect("what pdftotext writes is XML");
    let number = |node: roxmltree::Node<'_, '_>, name: &str| -> f64 {
        node.attribute(name).and_then(|value| value.parse().ok()).expect("a number")
    };
    let pages = document.descendants().filter(|node| node.tag_name().name() == "page");
    let sheet = |page: roxmltree::Node<'_, '_>| Sheet {
        size: (number(page, "width"), number(page, "height")),
        words: page
            .children()
            .filter(|node| node.tag_name().name() == "word")
            .map(|node| Word {
                text: node.text().unwrap_or_default().to_owned(),
                left: number(node, "xMin"),
                right: number(node, "xMax"),
                top: number(node, "yMin"),
                bottom: number(node, "yMax"),
            })
            .collect(),
    };
    pages.map(sheet).collect()
}
