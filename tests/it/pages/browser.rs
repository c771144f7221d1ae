//! Pages in a browser: printed in landscape on A4 and on Letter no column is cut, and on a screen nothing is wider than it.
//!
//! The browser is Chromium without a window (Debian's package `chromium`), and what it prints is read by pdftotext (`poppler-utils`).
//! Without one of them one line says so; with `PARWRIGHT_TEST_BROWSER=required`, as in CI, it is a failure.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use serde_json::{Value, json};

use super::document::Page;
use crate::renderings::books::{address, kept};
use crate::support::client::{Service, array, on, text};
use crate::support::pdf::{Word, words};
use crate::support::python::left_undone;

const REQUIREMENT: &str = "PARWRIGHT_TEST_BROWSER";
const LEFT_UNDONE: &str = "Pages were NOT printed by a browser";
/// As it asks for no paper, the page takes what the reader has; here it is told.
const ANY_PAPER: &str = "size: landscape;";
/// Papers with the width of a sheet in landscape, in points.
const PAPERS: [(&str, f64); 2] = [("A4", 841.9), ("Letter", 792.0)];

/// Whether the programs are there.
///
/// # Panics
///
/// Where one is not there and is required.
fn is_there() -> bool {
    static FOUND: OnceLock<Result<bool, String>> = OnceLock::new();
    let found = FOUND.get_or_init(|| {
        for (program, argument) in [("chromium", "--version"), ("pdftotext", "-v")] {
            let ran = Command::new(program).arg(argument).stdin(Stdio::null()).output();
            if let Err(error) = ran {
                return left_undone(REQUIREMENT, LEFT_UNDONE, &format!("{program} cannot be run: {error}"))
                    .map(|()| false);
            }
        }
        Ok(true)
    });
    match found {
        Ok(found) => *found,
        Err(reason) => panic!("{reason}"),
    }
}

fn chromium(directory: &Path, arguments: &[&str]) -> String {
    let profile = format!("--user-data-dir={}", directory.join("profile").display());
    // In a container there is no sandbox to be had, and what is shown is this service's own.
    let always = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", &profile];
    let output = Command::new("chromium").args(always).args(arguments).stdin(Stdio::null()).output().expect("it runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The words of each sheet that a page is printed on, and how wide the sheets are.
fn printed_on(paper: &str, source: &str) -> (Vec<Word>, f64) {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (page, sheets) = (directory.path().join("page.html"), directory.path().join("page.pdf"));
    assert_eq!(source.matches(ANY_PAPER).count(), 1);
    std::fs::write(&page, source.replace(ANY_PAPER, &format!("size: {paper} landscape;"))).expect("writes");
    let to = format!("--print-to-pdf={}", sheets.display());
    chromium(directory.path(), &["--no-pdf-header-footer", &to, &format!("file://{}", page.display())]);
    let sheets = words(&std::fs::read(sheets).expect("it was printed"));
    let width = sheets.last().map_or(0.0, |sheet| sheet.size.0);
    (sheets.into_iter().flat_map(|sheet| sheet.words).collect(), width)
}

/// Printed, every figure of its tables is there, and nothing reaches over the margins.
fn check(page: &Page, papers: &[(&str, f64)]) {
    for (paper, expected) in papers {
        let (words, width) = printed_on(paper, &page.source);
        assert!((width - expected).abs() < 1.0, "{paper} is {width} points wide");
        assert!(words.len() > 20, "there are words on it");
        for word in &words {
            // The margin is of 10 mm, which are 28 points.
            assert!(
                word.left >= 27.0 && word.right <= width - 27.0,
                "{} from {} to {} of {width}",
                word.text,
                word.left,
                word.right
            );
        }
        let mut printed: Vec<&str> = words.iter().map(|word| word.text.as_str()).collect();
        printed.sort_unstable();
        let mut figures = page.texts("td.n");
        figures.retain(|figure| !figure.is_empty());
        figures.sort_unstable();
        for same in figures.chunk_by(|one, next| one == next) {
            let first = printed.partition_point(|word| *word < same[0].as_str());
            let count = printed[first..].iter().take_while(|word| **word == same[0]).count();
            assert!(
                count >= same.len(),
                "{} stands {} times in the page, and {count} times on {paper}",
                same[0],
                same.len()
            );
        }
    }
}

/// On a screen of this width the page does not scroll sideways, and neither do its tables where they are to be seen whole.
fn check_screen(page: &Page, width: u32, are_tables_whole: bool) {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let file = directory.path().join("page.html");
    let measure = r#"<script>
        const wide = [...document.querySelectorAll('.scroll, table')].filter(part => part.scrollWidth > part.parentElement.clientWidth);
        const names = wide.map(part => part.querySelector('caption').textContent + ' ' + part.scrollWidth);
        const root = document.documentElement;
        document.title = [root.scrollWidth, root.clientWidth, document.querySelectorAll('table').length, ...names].join('|');
        </script></body>"#;
    std::fs::write(&file, page.source.replace("</body>", measure)).expect("writes");
    let window = format!("--window-size={width},900");
    let shown = chromium(directory.path(), &[&window, "--dump-dom", &format!("file://{}", file.display())]);
    let title = shown.split_once("<title>").and_then(|(_, rest)| rest.split_once("</title>")).map(|(title, _)| title);
    let mut measured = title.expect("it measured").split('|');
    let mut number = || measured.next().and_then(|width| width.parse::<u32>().ok()).expect("a number");
    let (scroll, client, tables) = (number(), number(), number());
    assert!(scroll <= client && client > width / 2, "{scroll} of {client} at {width}");
    let wide: Vec<&str> = measured.collect();
    assert!(tables > 0 && (!are_tables_whole || wide.is_empty()), "at {width} these are cut: {wide:#?}");
}

/// Amounts of 15 digits among them, long references, and every kind of entry.
#[tokio::test]
async fn no_column_is_cut_on_paper_and_no_page_is_wider_than_the_screen() {
    if !is_there() {
        return;
    }
    let service = Service::sqlite().await;
    let books = kept(&service).await;
    let long = json!({"reference": format!("CB-{}", "1234567890".repeat(6)), "proceeds": "970000.00"});
    let issue = service.issue(long).await;
    let widest = books[0]
        .batches
        .iter()
        .max_by_key(|batch| array(&batch["entries"]).len() * 100 + text(&batch["totals"]["debit"]).len());
    let largest = books[0].batches.iter().max_by_key(|batch| text(&batch["totals"]["debit"]).len());
    let rollforward = |currency: &str| {
        format!("/v1/entities/ACME/rollforward?from=2025-01-01&to=2027-06-30&currency={currency}&format=html")
    };
    let of = |what: &str| format!("/v1/entities/ACME/{what}&format=html");
    let batch = |batch: Option<&Value>| format!("{}?format=html", address(batch.expect("a batch")));
    // Letter is the narrower of the two, and so the harder one.
    let (both, letter) = (&PAPERS[..], &PAPERS[1..]);
    for (path, papers, screen) in [
        (rollforward("USD"), both, Some(800)),
        // The days before have large balances too.
        (rollforward("KWD").replace("2025-01-01", "2026-01-01").replace("2027-06-30", "2026-12-31"), both, None),
        (batch(widest), letter, Some(800)),
        (batch(largest), letter, None),
        (format!("{}?format=html", on(&issue, "schedule")), letter, None),
        ("/?entity=ACME".to_owned(), letter, Some(800)),
        (of("disclosures?period_from=2025-04-01&as_of=2025-05-31&share_price=62.5"), both, Some(800)),
        (of("disclosures?period_from=2025-01-01&as_of=2026-12-31&currency=KWD"), letter, None),
        (of("disclosures?period_from=2025-01-01&as_of=2025-12-31").replace("ACME", "BETA"), letter, None),
        (
            of(
                "if-converted?from=2025-01-01&to=2025-12-31&tax_rate=0.25&average_share_price=60&income=1000000&weighted_average_shares=500000",
            ),
            both,
            Some(800),
        ),
        (of("forecast?from=2025-01-01&to=2025-12-31&currency=KWD"), both, Some(800)),
        (of("calendar?from=2025-01-01&to=2027-12-31&currency=JPY"), letter, Some(800)),
    ] {
        let page = Page::of(&service.get(&path).await);
        check(&page, papers);
        if let Some(width) = screen {
            check_screen(&page, width, false);
        }
        check_screen(&page, 1280, true);
        if screen.is_some() {
            check_screen(&page, 1500, true);
        }
    }
}
