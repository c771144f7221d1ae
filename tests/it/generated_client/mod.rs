//! A client that a general-purpose generator makes of `openapi/v1.json` creates an issue, converts, follows the feed and acknowledges.
//!
//! `tests/client/session.py` is what it does. `PARWRIGHT_TEST_CLIENT=required` makes it a failure where the generator
//! (`tests/client/requirements.txt`) is not there.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::support::process::Process;
use crate::support::python::Wanted;

const WANTED: Wanted = Wanted {
    modules: "openapi_python_client, httpx, attrs",
    requirements: "tests/client/requirements.txt",
    requirement: "PARWRIGHT_TEST_CLIENT",
    left_undone: "No client was generated from openapi/v1.json",
};

#[test]
fn a_generated_client_creates_converts_follows_the_feed_and_acknowledges() {
    let Some(python) = WANTED.find().expect("a Python with the generator") else { return };
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let directory = tempfile::tempdir().expect("a temporary directory");
    // The generator's own settings: no package around it, no formatter that need not be there, and files of rows as the bytes they are.
    let rows = ["application/jsonl", "application/x-ndjson", "text/csv"];
    let bytes = rows.map(|media_type| format!("  {media_type}: application/octet-stream\n")).concat();
    let settings = format!("post_hooks: []\ncontent_type_overrides:\n{bytes}");
    std::fs::write(directory.path().join("settings.yml"), settings).expect("writes");
    let document = root.join("openapi/v1.json");
    let generated = run(Command::new(&python)
        .args(["-m", "openapi_python_client", "generate", "--meta", "none", "--config", "settings.yml"])
        .args(["--output-path", "parwright_client", "--path"])
        .arg(document)
        .current_dir(&directory));
    assert!(!generated.contains("WARNING"), "something of the document was left out:\n{generated}");

    let database = format!("sqlite:{}", directory.path().join("books.sqlite").display());
    let service = Process::serve(&database, "off");
    let session = Command::new(&python)
        .arg(root.join("tests/client/session.py"))
        .arg(service.address())
        .env("PYTHONPATH", directory.path())
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .current_dir(&directory)
        .stdin(Stdio::null())
        .output();
    let session = session.expect("Python runs");
    let (told, wrong) = (String::from_utf8_lossy(&session.stdout), String::from_utf8_lossy(&session.stderr));
    assert!(session.status.success(), "{told}\n{wrong}");
    assert!(told.contains("through the generated client"), "{told}");
}

fn run(command: &mut Command) -> String {
    let output = command.stdin(Stdio::null()).output().expect("the generator runs");
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{text}");
    text
}
