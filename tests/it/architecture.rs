//! What the code may not do, read from the code itself.

use std::fs;
use std::path::{Path, PathBuf};

/// The source files below a folder of `src`, each with its text up to its unit tests, without comments.
fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    let mut files = Vec::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a folder of src") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let text = fs::read_to_string(&path).expect("a source file");
                let code = text.split("#[cfg(test)]").next().unwrap_or_default();
                let code =
                    code.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n");
                files.push((path, code));
            }
        }
    }
    assert!(!files.is_empty(), "{folder} has no source files");
    files
}

#[track_caller]
fn none_says(folder: &str, words: &[&str], but_in: &[&str]) {
    for (path, code) in sources(folder) {
        if but_in.iter().any(|part| path.to_string_lossy().contains(part)) {
            continue;
        }
        for word in words {
            assert!(!code.contains(word), "{} says {word:?}", path.display());
        }
    }
}

const OUTSIDE: [&str; 14] = [
    "sqlx",
    "axum",
    "tokio",
    "reqwest",
    "serde",
    "utoipa",
    "tracing",
    "std::time",
    "SystemTime",
    "std::fs",
    "std::net",
    "std::env",
    "uuid",
    "async ",
];

#[test]
fn the_core_imports_nothing_but_decimals_and_dates() {
    none_says("accounting", &OUTSIDE, &[]);
    for (path, code) in sources("accounting") {
        for line in code.lines().filter(|line| line.trim_start().starts_with("use ")) {
            let name = line.trim_start().trim_start_matches("use ").trim_start_matches("pub ");
            let known = [
                "std::",
                "rust_decimal::",
                "jiff::",
                "super::",
                "crate::accounting",
                "settlement::",
                "money::",
                "refusal::",
            ];
            let own = known.iter().any(|start| name.starts_with(start));
            assert!(own, "{}: {line}", path.display());
        }
    }
}

#[test]
fn reports_import_nothing_but_the_core() {
    none_says("reports", &OUTSIDE, &[]);
    let others = [
        "crate::store",
        "crate::http",
        "crate::posting",
        "crate::reading",
        "crate::document",
        "crate::export",
        "crate::auth",
    ];
    none_says("reports", &others, &[]);
}

#[test]
fn there_is_no_floating_point_in_the_core_but_in_a_first_guess() {
    for folder in ["accounting", "reports"] {
        none_says(folder, &["f64", "f32"], &["effective_rate.rs"]);
    }
    let rate =
        sources("accounting").into_iter().find(|(path, _)| path.ends_with("effective_rate.rs")).expect("the solver").1;
    let (before, after) = rate.split_once("fn first_guess").expect("the first guess");
    assert!(!before.contains("f64::") && !before.contains(": f64"), "floating point outside the first guess");
    assert!(after.contains("f64"), "the first guess is what floating point is for");
}

#[test]
fn only_the_store_knows_sql_and_only_the_edge_knows_http() {
    none_says("", &["sqlx"], &["/src/store/"]);
    none_says("", &["axum"], &["/src/http/", "/src/app.rs", "/src/accept.rs", "/src/service.rs", "/src/demo/"]);
}

#[test]
fn nothing_in_the_source_panics_on_purpose() {
    none_says("", &[".unwrap()", ".expect(", "todo!", "unimplemented!", "panic!(", "unreachable!"], &[]);
}
