//! The rows of a file, whatever their format.

use std::fs::File;
use std::io::BufReader;

use super::csv::CsvRows;
use super::json_lines::JsonLines;
use super::upload::Format;
use super::{MOST_OF_A_ROW, MOST_ROWS};
use crate::document::BondIssueDocument;
use crate::http::problem::{self, Problem};

/// A row: the bond issue that it states, or what is wrong with it.
#[derive(Debug)]
pub struct Row {
    /// The line of the file on which it begins, from 1.
    pub line: u64,
    pub issue: Result<BondIssueDocument, Problem>,
}

/// The rows of a file in order. After an error nothing more can be read.
pub struct Rows {
    inner: Inner,
    entity: String,
    read: u64,
    ended: bool,
}

enum Inner {
    JsonLines(JsonLines<BufReader<File>>),
    Csv(Box<CsvRows<BufReader<File>>>),
}

impl Rows {
    pub(super) fn of(reader: BufReader<File>, format: Format, entity: &str) -> Result<Rows, Problem> {
        let inner = match format {
            Format::JsonLines => Inner::JsonLines(JsonLines::new(reader)),
            Format::Csv => Inner::Csv(Box::new(CsvRows::new(reader, entity)?)),
        };
        Ok(Rows { inner, entity: entity.to_owned(), read: 0, ended: false })
    }
}

impl Iterator for Rows {
    type Item = Result<Row, Problem>;

    fn next(&mut self) -> Option<Result<Row, Problem>> {
        if self.ended {
            return None;
        }
        let next = match &mut self.inner {
            Inner::JsonLines(rows) => rows.next(),
            Inner::Csv(rows) => rows.next(),
        };
        let next = next.map(|row| {
            self.read += 1;
            if self.read > MOST_ROWS {
                let detail = format!("there are more than {MOST_ROWS} rows; import the rest as another file");
                return Err(Problem::new(problem::TOO_LARGE, detail));
            }
            let Row { line, issue } = row?;
            Ok(Row { line, issue: issue.and_then(|issue| of_entity(issue, &self.entity)) })
        });
        self.ended = !matches!(next, Some(Ok(_)));
        next
    }
}

fn of_entity(issue: BondIssueDocument, entity: &str) -> Result<BondIssueDocument, Problem> {
    if issue.entity == entity {
        return Ok(issue);
    }
    let detail = format!("this is an import for {entity}, and the row is of {:?}; import it there", issue.entity);
    Err(Problem::invalid_field("/entity", detail))
}

/// A row that would need more memory than any should: where it ends is not looked for.
pub(super) fn too_long(line: u64) -> Problem {
    let detail = format!(
        "the row that begins on line {line} is longer than {MOST_OF_A_ROW} bytes; perhaps a quote is not closed, or a line not ended"
    );
    Problem::new(problem::TOO_LARGE, detail)
}

#[cfg(test)]
mod tests {
    use std::io::{Seek, Write};

    use super::*;

    #[test]
    fn a_file_is_read_up_to_the_most_rows() {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all("1\n".repeat(usize::try_from(MOST_ROWS).unwrap() + 2).as_bytes()).unwrap();
        file.rewind().unwrap();
        let rows = Rows::of(BufReader::new(file), Format::JsonLines, "ACME").unwrap();
        let (mut lines, mut ends) = (0, Vec::new());
        for row in rows {
            match row {
                Ok(row) => lines = row.line,
                Err(problem) => ends.push(problem.code()),
            }
        }
        assert_eq!((lines, ends), (MOST_ROWS, vec!["body_too_large"]));
    }
}
