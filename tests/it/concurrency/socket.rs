//! A bare socket, for clients that do what no library lets them do.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::time::Duration;

use serde_json::Value;

/// Far beyond what an answer takes on a loaded machine.
const DEADLINE: Duration = Duration::from_secs(30);

pub struct Socket(TcpStream);

impl Socket {
    /// Connects to an address as the service writes it.
    pub fn connect(address: &str) -> std::io::Result<Socket> {
        let stream = TcpStream::connect(address.strip_prefix("http://").expect("an address of the service"))?;
        stream.set_read_timeout(Some(DEADLINE))?;
        stream.set_write_timeout(Some(DEADLINE))?;
        Ok(Socket(stream))
    }

    pub fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).expect("the service takes what is sent");
    }

    /// Reads the head of an answer and its body, if it has one; returns the status and the body.
    pub fn answer(&mut self) -> (u16, String) {
        read_answer(&mut BufReader::new(&self.0))
    }

    /// Reads as many answers as were asked for, one after the other.
    pub fn answers(&mut self, count: usize) -> Vec<(u16, String)> {
        let mut reader = BufReader::new(&self.0);
        (0..count).map(|_| read_answer(&mut reader)).collect()
    }
}

fn read_answer(reader: &mut impl BufRead) -> (u16, String) {
    let mut status = String::new();
    reader.read_line(&mut status).expect("an answer comes");
    let status = status.split(' ').nth(1).and_then(|code| code.parse().ok());
    let status = status.unwrap_or_else(|| panic!("the connection ended without an answer"));
    let mut length = 0;
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).expect("a head has an end");
        match line.trim_end().split_once(':') {
            Some((name, value)) if name.eq_ignore_ascii_case("content-length") => {
                length = value.trim().parse().expect("a length is a number");
            }
            Some(_) => {}
            None => break,
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).expect("a body is as long as it says");
    (status, String::from_utf8(body).expect("an answer is text"))
}

/// The head of a POST, with more headers if any are given, and its body.
pub fn post(path: &str, key: &str, more: &str, body: &Value) -> (Vec<u8>, Vec<u8>) {
    let body = body.to_string();
    let length = body.len();
    let head = format!(
        "POST {path} HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\nidempotency-key: {key}\r\n{more}\
         content-length: {length}\r\n\r\n"
    );
    (head.into_bytes(), body.into_bytes())
}
