//! LibreOffice, which computes a workbook anew without a screen.
//!
//! It is the program that `PARWRIGHT_TEST_OFFICE_PROGRAM` names, else `soffice`. Without it nothing is computed, which one line says;
//! `PARWRIGHT_TEST_OFFICE=required` makes that a failure.

use std::process::{Command, Stdio};
use std::sync::OnceLock;

use super::python::{left_undone, setting};

const REQUIREMENT: &str = "PARWRIGHT_TEST_OFFICE";
const LEFT_UNDONE: &str = "workbooks were NOT computed anew";

/// Has every formula computed when a file is opened, whoever wrote it and whatever it says it came to.
const ALWAYS: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry" xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item>
</oor:items>
"#;

fn program() -> Option<&'static str> {
    static FOUND: OnceLock<Result<Option<String>, String>> = OnceLock::new();
    let find = || {
        let named = setting("PARWRIGHT_TEST_OFFICE_PROGRAM").unwrap_or_else(|| "soffice".to_owned());
        match Command::new(&named).arg("--version").stdin(Stdio::null()).output() {
            Ok(output) if output.status.success() => Ok(Some(named)),
            Ok(output) => {
                left_undone(REQUIREMENT, LEFT_UNDONE, &String::from_utf8_lossy(&output.stderr)).map(|()| None)
            }
            Err(error) => left_undone(REQUIREMENT, LEFT_UNDONE, &format!("{named}: {error}")).map(|()| None),
        }
    };
    match FOUND.get_or_init(find) {
        Ok(program) => program.as_deref(),
        Err(reason) => panic!("{reason}"),
    }
}

/// Whether there is one to compute with.
///
/// # Panics
///
/// Where it is required and not there.
pub fn is_there() -> bool {
    program().is_some()
}

/// The workbooks with every formula computed anew; none where there is nothing to compute with.
pub fn recalculated(workbooks: &[Vec<u8>]) -> Option<Vec<Vec<u8>>> {
    converted(workbooks, "xlsx:Calc MS Excel 2007 XML", "xlsx")
}

/// The workbooks as they print, in PDF.
pub fn printed(workbooks: &[Vec<u8>]) -> Option<Vec<Vec<u8>>> {
    converted(workbooks, "pdf:calc_pdf_Export", "pdf")
}

fn converted(workbooks: &[Vec<u8>], to: &str, extension: &str) -> Option<Vec<Vec<u8>>> {
    let program = program()?;
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (profile, out) = (directory.path().join("profile"), directory.path().join("out"));
    std::fs::create_dir_all(profile.join("user")).expect("a directory");
    std::fs::write(profile.join("user/registrymodifications.xcu"), ALWAYS).expect("a file");
    let names: Vec<String> = (0..workbooks.len()).map(|at| format!("{at}.xlsx")).collect();
    for (name, bytes) in names.iter().zip(workbooks) {
        std::fs::write(directory.path().join(name), bytes).expect("a file");
    }
    let output = Command::new(program)
        .current_dir(directory.path())
        .arg(format!("-env:UserInstallation=file://{}", profile.display()))
        .args(["--headless", "--convert-to", to, "--outdir"])
        .arg(&out)
        .args(&names)
        .stdin(Stdio::null())
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stderr);
    let made = |name: &String| out.join(name).with_extension(extension);
    Some(names.iter().map(|name| std::fs::read(made(name)).unwrap_or_else(|why| panic!("{why}: {said}"))).collect())
}
