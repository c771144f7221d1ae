//! Finds a Python with the libraries.
//!
//! It is the one that `PARWRIGHT_TEST_PYTHON` names, else `python3` if it has them. Without either nothing is compared, which one
//! line on standard error says; where the libraries are required it is a failure.

use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

const INTERPRETER: &str = "PARWRIGHT_TEST_PYTHON";
const REQUIREMENT: &str = "PARWRIGHT_TEST_LIBRARIES";
const REQUIREMENTS: &str = "tests/libraries/requirements.txt";

/// The Python of this test process, or `None` where the libraries cannot be compared with.
///
/// # Panics
///
/// When there is none and one is required, and when one is named that has not the libraries: that is never passed over.
pub fn interpreter() -> Option<&'static str> {
    static INTERPRETER: OnceLock<Result<Option<String>, String>> = OnceLock::new();
    match INTERPRETER.get_or_init(find) {
        Ok(interpreter) => interpreter.as_deref(),
        Err(reason) => panic!("{reason}"),
    }
}

fn find() -> Result<Option<String>, String> {
    if let Some(named) = setting(INTERPRETER) {
        return match imports(&named) {
            Ok(()) => Ok(Some(named)),
            Err(why) => Err(format!("{INTERPRETER} is {named}, which has not what {REQUIREMENTS} lists: {why}")),
        };
    }
    let Err(why) = imports("python3") else { return Ok(Some("python3".to_owned())) };
    if setting(REQUIREMENT).as_deref() == Some("required") {
        return Err(format!(
            "the libraries are required here ({REQUIREMENT} is set) and were not compared: {INTERPRETER} is not set and python3 has not \
             what {REQUIREMENTS} lists: {why}"
        ));
    }
    // Written to the stream itself, because what is printed with a macro is hidden when the test passes.
    writeln!(
        std::io::stderr(),
        "QuantLib and mpmath were NOT compared: {INTERPRETER} is not set and python3 has not what {REQUIREMENTS} lists"
    )
    .ok();
    Ok(None)
}

fn imports(python: &str) -> Result<(), String> {
    let output = Command::new(python)
        .args(["-c", "import QuantLib, mpmath"])
        .stdin(Stdio::null())
        .output()
        .map_err(|error| error.to_string())?;
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).trim().to_owned()) }
}

fn setting(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}
