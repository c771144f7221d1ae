//! The shape of the house: what imports what, read from the source files.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A file of `src`: its path from there, and its code without comments, without the text of literals and without what only tests see.
struct Source {
    path: String,
    code: String,
    lines: usize,
}

fn sources() -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    collect(&root, &mut files);
    files.sort();
    assert!(files.len() > 50, "the sources are where they are looked for");
    let read = |file: &PathBuf| {
        let text = std::fs::read_to_string(file).expect("a source file");
        let path = file.strip_prefix(&root).expect("a path below src").display().to_string();
        Source { path, lines: text.lines().count(), code: without_tests(&bare(&text)) }
    };
    files.iter().map(read).collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
}

/// The code with comments and the text of literals blanked; lines stay where they are.
fn bare(text: &str) -> String {
    let mut bare = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let skipped = match first {
            '/' if rest.starts_with("//") => rest.find('\n').unwrap_or(rest.len()),
            '/' if rest.starts_with("/*") => rest.find("*/").map_or(rest.len(), |end| end + 2),
            'r' if !ends_in_a_name(&bare) && raw_string(rest).is_some() => raw_string(rest).unwrap_or(rest.len()),
            '"' => string(rest),
            '\'' => character(rest).unwrap_or(0),
            _ => 0,
        };
        if skipped == 0 {
            bare.push(first);
            rest = &rest[first.len_utf8()..];
        } else {
            bare.extend(rest[..skipped].chars().filter(|blank| *blank == '\n'));
            // Something stays in its place, so that what stands around it does not run together.
            bare.push(' ');
            rest = &rest[skipped..];
        }
    }
    bare
}

fn ends_in_a_name(code: &str) -> bool {
    code.ends_with(|last: char| last.is_alphanumeric() || last == '_')
}

/// The length of the raw string that starts here.
fn raw_string(text: &str) -> Option<usize> {
    let hashes = text[1..].bytes().take_while(|byte| *byte == b'#').count();
    let body = text.get(1 + hashes..)?.strip_prefix('"')?;
    let end = format!("\"{}", "#".repeat(hashes));
    Some(1 + hashes + 1 + body.find(&end)? + end.len())
}

fn string(text: &str) -> usize {
    let mut escaped = false;
    for (at, char) in text.char_indices().skip(1) {
        match char {
            '"' if !escaped => return at + 1,
            '\\' => escaped = !escaped,
            _ => escaped = false,
        }
    }
    text.len()
}

/// The length of a character literal; a lifetime is none.
fn character(text: &str) -> Option<usize> {
    let body = &text[1..];
    let length = match body.strip_prefix('\\') {
        // The escaped character itself may be a quote.
        Some(escaped) => 1 + escaped.chars().next()?.len_utf8() + escaped[1..].find('\'')?,
        None => body.chars().next()?.len_utf8(),
    };
    body.get(length..)?.starts_with('\'').then_some(length + 2)
}

/// The code without the items under `#[cfg(test)]`.
fn without_tests(code: &str) -> String {
    let mut kept = String::new();
    let mut rest = code;
    while let Some(at) = rest.find("#[cfg(test)]") {
        kept.push_str(&rest[..at]);
        let item = &rest[at..];
        let end = match (item.find('{'), item.find(';')) {
            (Some(brace), semicolon) if semicolon.is_none_or(|semicolon| brace < semicolon) => closing(item, brace),
            (_, Some(semicolon)) => semicolon + 1,
            _ => item.len(),
        };
        rest = &item[end..];
    }
    kept + rest
}

/// The place behind the brace that closes the one at `open`.
fn closing(code: &str, open: usize) -> usize {
    let mut depth = 0;
    for (at, char) in code.char_indices().skip_while(|(at, _)| *at < open) {
        match char {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return at + 1;
        }
    }
    code.len()
}

/// The first names of paths in code (`a` of `a::b`, of `use a::b` too), with the name after `crate`.
fn roots(code: &str) -> BTreeSet<String> {
    let name = |char: char| char.is_alphanumeric() || char == '_';
    let (mut found, mut handled) = (BTreeSet::new(), 0);
    for (at, _) in code.match_indices("::").filter(|(at, _)| code[..*at].ends_with(name)) {
        let start = code[..at].rfind(|char| !name(char)).map_or(0, |place| place + 1);
        let (root, after) = (&code[start..at], &code[at + 2..]);
        // What stands behind a root, or in the braces of `crate::{...}`, is no root itself.
        if start < handled || code[..start].ends_with("::") {
            continue;
        }
        match root {
            "crate" if after.starts_with('{') => {
                handled = closing(code, at + 2);
                found.extend(first_names(&code[at + 3..handled - 1]).map(|part| format!("crate::{part}")));
            }
            "crate" => {
                let next: String = after.chars().take_while(|char| name(*char)).collect();
                found.insert(format!("crate::{next}"));
            }
            _ => {
                found.insert(root.to_owned());
            }
        }
    }
    found
}

/// The first names of the parts of a braced import.
fn first_names(group: &str) -> impl Iterator<Item = &str> {
    let mut depth = 0;
    let parts = group.split(move |char| {
        depth += i32::from(char == '{') - i32::from(char == '}');
        char == ',' && depth == 0
    });
    parts.filter_map(|part| part.trim().split("::").next()).filter(|first| !first.is_empty())
}

/// Crates that the manifest names, as code writes them.
fn dependencies() -> BTreeSet<String> {
    let manifest = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml")).expect("a manifest");
    let section = manifest.split("\n[dependencies]\n").nth(1).expect("dependencies");
    let section = section.split("\n[").next().expect("a section");
    let names =
        section.lines().filter(|line| !line.starts_with('#')).filter_map(|line| line.split([' ', '.', '=']).next());
    names.filter(|name| !name.is_empty()).map(|name| name.replace('-', "_")).collect()
}

#[track_caller]
fn assert_none(wrong: &[String]) {
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

fn imports_of(folder: &str, allowed: &[&str]) -> Vec<String> {
    let dependencies = dependencies();
    let sources = sources();
    let within: Vec<_> = sources.iter().filter(|source| source.path.starts_with(folder)).collect();
    assert!(!within.is_empty());
    let mut wrong = Vec::new();
    for source in within {
        for root in roots(&source.code) {
            let outside = root.starts_with("crate::") || dependencies.contains(&root);
            if outside && !allowed.contains(&root.as_str()) {
                wrong.push(format!("src/{} uses {root}", source.path));
            }
        }
    }
    wrong
}

#[test]
fn the_core_imports_nothing_outside_itself_but_decimals_and_dates() {
    assert_none(&imports_of("accounting/", &["crate::accounting", "rust_decimal", "jiff"]));
}

#[test]
fn reports_import_the_core_and_themselves() {
    assert_none(&imports_of("reports/", &["crate::accounting", "crate::reports", "rust_decimal", "jiff"]));
}

#[test]
fn the_core_and_the_reports_know_no_clock_input_or_randomness() {
    let mut wrong = Vec::new();
    for source in
        sources().iter().filter(|source| ["accounting/", "reports/"].iter().any(|pure| source.path.starts_with(pure)))
    {
        let outside = [
            "std::fs",
            "std::io",
            "std::net",
            "std::time",
            "std::env",
            "std::process",
            "std::thread",
            "Zoned::now",
            "Timestamp::now",
            "async ",
            ".await",
            "println!",
            "unsafe",
        ];
        let found = outside.iter().filter(|name| source.code.contains(**name));
        wrong.extend(found.map(|name| format!("src/{} has {name}", source.path)));
    }
    assert_none(&wrong);
}

#[test]
fn the_database_is_spoken_to_in_the_store_alone_http_at_the_edge_and_receivers_by_deliveries() {
    let mut wrong = Vec::new();
    for source in &sources() {
        for (library, places) in [
            ("sqlx", &["store/"][..]),
            ("axum", &["http/", "app.rs", "accept.rs", "service.rs"]),
            ("reqwest", &["delivery/"]),
        ] {
            if roots(&source.code).contains(library) && !places.iter().any(|place| source.path.starts_with(place)) {
                wrong.push(format!("src/{} uses {library}", source.path));
            }
        }
    }
    assert_none(&wrong);
}

/// The solver's first guess is the one place for binary floating point.
#[test]
fn figures_are_decimal() {
    let mut wrong = Vec::new();
    let pure = |source: &&Source| ["accounting/", "reports/"].iter().any(|pure| source.path.starts_with(pure));
    let sources = sources();
    for source in sources.iter().filter(pure) {
        let code = match source.code.find("fn first_guess").filter(|_| source.path.ends_with("effective_rate.rs")) {
            Some(guess) => {
                let body = source.code[guess..].find('{').map_or(source.code.len(), |brace| guess + brace);
                format!("{} {}", &source.code[..guess], &source.code[closing(&source.code, body)..])
            }
            None => source.code.clone(),
        };
        let mut words = code.split(|char: char| !(char.is_alphanumeric() || char == '_'));
        if words.any(|word| ["f64", "f32", "to_f64", "from_f64", "to_f32", "from_f32"].contains(&word)) {
            wrong.push(format!("src/{} uses binary floating point", source.path));
        }
    }
    assert_none(&wrong);
}

#[test]
fn nothing_panics_by_its_own_words_outside_tests() {
    let mut wrong = Vec::new();
    for source in &sources() {
        for (number, line) in source.code.lines().enumerate() {
            let words = [
                ".unwrap()",
                ".expect(",
                "panic!",
                "todo!",
                "unimplemented!",
                "unreachable!",
                ".unwrap_err()",
                ".expect_err(",
            ];
            if let Some(word) = words.iter().find(|word| line.contains(**word)) {
                // Tests that were taken out move what stands behind them, so the line is quoted too.
                wrong.push(format!("src/{} near line {}: {word} in {}", source.path, number + 1, line.trim()));
            }
        }
    }
    assert_none(&wrong);
}

#[test]
fn a_file_can_be_read_in_one_sitting() {
    let long = sources().into_iter().filter(|source| source.lines >= 400);
    assert_none(
        &long
            .map(|source| format!("src/{} has {} lines; 400 are too many", source.path, source.lines))
            .collect::<Vec<_>>(),
    );
}

#[test]
fn comments_and_literals_are_no_code() {
    let code = bare(
        "let a = \"sqlx::x\"; // axum::y\nlet b = r#\"f64\"#; /* todo!\n */ let c = ['x', '\\'', '\\u{7f}']; fn d<'a>(e: &'a str) {}\n",
    );
    for gone in ["sqlx", "axum", "f64", "todo", "'x'", "7f"] {
        assert!(!code.contains(gone), "{gone} in {code}");
    }
    assert!(code.contains("fn d<'a>(e: &'a str) {}") && code.lines().count() == 3, "{code}");
    let kept =
        without_tests("a::b(); #[cfg(test)] mod tests { fn f() { c::d() } } e::f(); #[cfg(test)] use g::h; i::j();");
    assert_eq!(roots(&kept).into_iter().collect::<Vec<_>>(), ["a", "e", "i"]);
    let found = roots("use crate::{store, http::{wire, page}, audit}; use crate::auth::x; sqlx::query().bind(a::b::c)");
    let expected = ["a", "crate::audit", "crate::auth", "crate::http", "crate::store", "sqlx"];
    assert_eq!(found.into_iter().collect::<Vec<_>>(), expected);
}
