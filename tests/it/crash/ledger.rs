//! The clients' own record of what was acknowledged, outside the service and its database.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// One acknowledged post.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acknowledged {
    pub key: String,
    pub issue: String,
    pub kind: String,
    /// Bonds converted; 0 of other kinds.
    pub bonds: i64,
    pub event: String,
    pub sequence: i64,
}

/// A file with a line for each acknowledged post, on the disk before its client posts again.
pub struct Ledger {
    path: PathBuf,
    file: File,
}

impl Ledger {
    pub fn create(path: &Path) -> Ledger {
        let file = OpenOptions::new().create_new(true).append(true).open(path).expect("a new file");
        Ledger { path: path.to_owned(), file }
    }

    /// Callable from several clients at once: a line is one write to a file opened for appending.
    pub fn append(&self, row: &Acknowledged) {
        let Acknowledged { key, issue, kind, bonds, event, sequence } = row;
        let line = format!("{key} {issue} {kind} {bonds} {event} {sequence}\n");
        (&self.file).write_all(line.as_bytes()).expect("the file takes a line");
        self.file.sync_data().expect("the line reaches the disk");
    }

    /// What the file holds.
    pub fn read(&self) -> Vec<Acknowledged> {
        let text = std::fs::read_to_string(&self.path).expect("the file can be read");
        text.lines().map(parse).collect()
    }
}

fn parse(line: &str) -> Acknowledged {
    let parts: Vec<&str> = line.split(' ').collect();
    let [key, issue, kind, bonds, event, sequence] = parts[..] else { panic!("{line:?} is no line of the ledger") };
    Acknowledged {
        key: key.to_owned(),
        issue: issue.to_owned(),
        kind: kind.to_owned(),
        bonds: bonds.parse().expect("a number of bonds"),
        event: event.to_owned(),
        sequence: sequence.parse().expect("a sequence"),
    }
}

#[test]
fn the_ledger_reads_back_what_was_appended() {
    let directory = tempfile::tempdir().expect("a directory");
    let ledger = Ledger::create(&directory.path().join("acknowledged"));
    let row = |key: &str, sequence| Acknowledged {
        key: key.to_owned(),
        issue: "ROPE.i".to_owned(),
        kind: "conversion".to_owned(),
        bonds: 3,
        event: "ROPE.e".to_owned(),
        sequence,
    };
    let rows = [row("a", 4), row("b", 5)];
    rows.iter().for_each(|row| ledger.append(row));
    assert_eq!(ledger.read(), rows);
}
