//! Random issues in the core and in general-purpose libraries, QuantLib for calendars and mpmath for figures: day counts, coupon
//! dates, rates and balances must be the same.
//!
//! The core's figures are written to a file, which `tests/libraries/compare.py` compares with its own. It shares no code with `src`
//! and says what it compared and what it left out, and why. `PARWRIGHT_LIBRARY_ISSUES` is the number of issues. A long run, two
//! minutes in release:
//!
//! ```text
//! PARWRIGHT_LIBRARY_ISSUES=10000 cargo test --release --test it libraries -- --nocapture
//! ```

mod issue;
mod python;

use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use issue::LeftOut;

/// Issues of a run that is not told a number: less than half a minute in a debug build.
const ISSUES: u64 = 1_000;
/// Where the seeds of a run begin; each issue has its own.
const FIRST_SEED: u64 = 20_270_101;
/// Enough for each kind of comparison to be among them, with every figure changed in turn.
const SELF_TEST_ISSUES: u64 = 60;

#[test]
fn the_core_and_the_libraries_agree_on_every_issue() {
    let issues = match std::env::var("PARWRIGHT_LIBRARY_ISSUES") {
        Ok(text) => text.parse().unwrap_or_else(|_| panic!("PARWRIGHT_LIBRARY_ISSUES is {text}, which is no number")),
        Err(_) => ISSUES,
    };
    compare(issues, &[]);
}

/// A comparison that could not fail would say nothing.
#[test]
fn the_comparison_with_the_libraries_sees_the_least_change_of_every_figure() {
    compare(SELF_TEST_ISSUES, &["--self-test"]);
}

fn compare(issues: u64, options: &[&str]) {
    let Some(python) = python::interpreter() else { return };
    let directory = tempfile::tempdir().expect("a temporary directory");
    let file = write(directory.path(), issues);
    let output = Command::new(python)
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/libraries/compare.py"))
        .args(options)
        .arg(file)
        // The folder of the script is the repository's, where compiled modules have no place.
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|error| panic!("cannot run {python}: {error}"));
    let report = String::from_utf8_lossy(&output.stdout);
    println!("{report}");
    assert!(output.status.success(), "{}\n{report}\n{}", output.status, String::from_utf8_lossy(&output.stderr));
}

/// The file of so many issues, one a line.
fn write(directory: &Path, issues: u64) -> PathBuf {
    let path = directory.join("issues.jsonl");
    let mut file = BufWriter::new(std::fs::File::create(&path).expect("a file"));
    let (mut written, mut left_out) = (0, BTreeMap::<LeftOut, u64>::new());
    for seed in FIRST_SEED..FIRST_SEED + 3 * issues {
        if written == issues {
            break;
        }
        match issue::found(seed) {
            Ok(line) => {
                writeln!(file, "{line}").expect("room for an issue");
                written += 1;
            }
            Err(why) => *left_out.entry(why).or_default() += 1,
        }
    }
    println!("{written} issues written, seeds left out: {left_out:?}");
    file.flush().expect("room for an issue");
    assert_eq!(written, issues, "too few of the terms drawn are possible");
    path
}
