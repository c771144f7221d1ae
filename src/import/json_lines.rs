//! JSON Lines: UTF-8, one JSON object a line. Empty lines are passed over, and so is a byte order mark.

use std::io::{BufRead, Read};

use super::MOST_OF_A_ROW;
use super::rows::{Row, too_long};
use crate::http::body::parse;
use crate::http::problem::Problem;

pub(super) struct JsonLines<R> {
    reader: R,
    line: u64,
    buffer: Vec<u8>,
}

impl<R: BufRead> JsonLines<R> {
    pub fn new(reader: R) -> JsonLines<R> {
        JsonLines { reader, line: 0, buffer: Vec::new() }
    }

    pub fn next(&mut self) -> Option<Result<Row, Problem>> {
        loop {
            self.buffer.clear();
            match self.reader.by_ref().take(MOST_OF_A_ROW + 1).read_until(b'\n', &mut self.buffer) {
                Ok(0) => return None,
                Ok(_) => self.line += 1,
                Err(error) => return Some(Err(Problem::internal(error))),
            }
            if self.buffer.len() as u64 > MOST_OF_A_ROW {
                return Some(Err(too_long(self.line)));
            }
            let text = self.buffer.strip_prefix(b"\xef\xbb\xbf").filter(|_| self.line == 1).unwrap_or(&self.buffer);
            let text = text.trim_ascii();
            if !text.is_empty() {
                return Some(Ok(Row { line: self.line, issue: parse(text) }));
            }
        }
    }
}
