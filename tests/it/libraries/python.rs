//! The Python that has the libraries.

use std::sync::OnceLock;

use crate::support::python::Wanted;

const LIBRARIES: Wanted = Wanted {
    modules: "QuantLib, mpmath",
    requirements: "tests/libraries/requirements.txt",
    requirement: "PARWRIGHT_TEST_LIBRARIES",
    left_undone: "QuantLib and mpmath were NOT compared",
};

/// The Python of this test process, or `None` where the libraries cannot be compared with.
///
/// # Panics
///
/// When there is none and one is required, and when one is named that has not the libraries.
pub fn interpreter() -> Option<&'static str> {
    static INTERPRETER: OnceLock<Result<Option<String>, String>> = OnceLock::new();
    match INTERPRETER.get_or_init(|| LIBRARIES.find()) {
        Ok(interpreter) => interpreter.as_deref(),
        Err(reason) => panic!("{reason}"),
    }
}
