//! Finds a Python with what a test needs.
//!
//! It is the one that `PARWRIGHT_TEST_PYTHON` names, else `python3` if it has it. Without either nothing is done with it, which one
//! line on standard error says; where it is required that is a failure.

use std::io::Write;
use std::process::{Command, Stdio};

const INTERPRETER: &str = "PARWRIGHT_TEST_PYTHON";

/// What a test needs of a Python.
pub struct Wanted {
    /// The modules, as a statement imports them.
    pub modules: &'static str,
    /// The file that lists them.
    pub requirements: &'static str,
    /// The variable that makes it a failure when they are not there.
    pub requirement: &'static str,
    /// What is not done without them, as a sentence.
    pub left_undone: &'static str,
}

impl Wanted {
    /// The Python that has it; none where there is none and none is required.
    ///
    /// # Errors
    ///
    /// When there is none and one is required, and when one is named that has it not: that is never passed over.
    pub fn find(&self) -> Result<Option<String>, String> {
        let Self { modules, requirements, .. } = self;
        if let Some(named) = setting(INTERPRETER) {
            return match imports(&named, modules) {
                Ok(()) => Ok(Some(named)),
                Err(why) => Err(format!("{INTERPRETER} is {named}, which has not what {requirements} lists: {why}")),
            };
        }
        let Err(why) = imports("python3", modules) else { return Ok(Some("python3".to_owned())) };
        let why = format!("{INTERPRETER} is not set and python3 has not what {requirements} lists: {why}");
        left_undone(self.requirement, self.left_undone, &why).map(|()| None)
    }
}

/// Says loudly, in one line, what is not done and why.
///
/// # Errors
///
/// Where it is required.
pub fn left_undone(requirement: &str, what: &str, why: &str) -> Result<(), String> {
    if setting(requirement).as_deref() == Some("required") {
        return Err(format!("{what}, and it is required here ({requirement} is set): {why}"));
    }
    // Written to the stream itself, because what is printed with a macro is hidden when the test passes.
    let why = why.lines().last().unwrap_or_default();
    writeln!(std::io::stderr(), "{what}: {why}").ok();
    Ok(())
}

fn imports(python: &str, modules: &str) -> Result<(), String> {
    let output = Command::new(python)
        .args(["-c", &format!("import {modules}")])
        .stdin(Stdio::null())
        .output()
        .map_err(|error| error.to_string())?;
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).trim().to_owned()) }
}

/// A variable of the environment that is not empty.
pub fn setting(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}
