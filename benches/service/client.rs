//! A client of little overhead: one HTTP/1.1 connection, kept alive, one request at a time. It shares the machine with the
//! service, so what it costs is taken from what is measured.

use std::time::{Duration, Instant};

use tokio::net::TcpStream;

/// One connection.
pub struct Client {
    stream: TcpStream,
    buffer: Vec<u8>,
}

/// What a request was answered with.
pub struct Answer<'c> {
    pub status: u16,
    pub body: &'c [u8],
}

impl Answer<'_> {
    /// The body, if the status is a 2xx; a benchmark of refusals would measure nothing.
    pub fn ok(&self) -> &[u8] {
        assert!((200..300).contains(&self.status), "{}: {}", self.status, String::from_utf8_lossy(self.body));
        self.body
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(self.ok()).expect("a 2xx answer is JSON")
    }
}

impl Client {
    /// Connects to `http://127.0.0.1:PORT`.
    pub async fn connect(address: &str) -> Client {
        let address = address.strip_prefix("http://").unwrap_or(address);
        let stream = TcpStream::connect(address).await.expect("the service accepts connections");
        stream.set_nodelay(true).expect("a socket on loopback can be set");
        Client { stream, buffer: Vec::with_capacity(64 << 10) }
    }

    pub async fn send(&mut self, request: &[u8]) -> Answer<'_> {
        let mut written = 0;
        while written < request.len() {
            match self.stream.try_write(&request[written..]) {
                Ok(bytes) => written += bytes,
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    self.stream.writable().await.expect("the connection stays open");
                }
                Err(error) => panic!("the service closed the connection: {error}"),
            }
        }
        self.buffer.clear();
        let mut head = None;
        loop {
            if head.is_none() {
                head = Head::find(&self.buffer);
            }
            if let Some(head) = &head
                && self.buffer.len() >= head.length + head.body
            {
                return Answer { status: head.status, body: &self.buffer[head.length..head.length + head.body] };
            }
            match self.stream.try_read_buf(&mut self.buffer) {
                Ok(0) => panic!("the service closed the connection"),
                Ok(_) => {}
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    self.stream.readable().await.expect("the connection stays open");
                }
                Err(error) => panic!("the service closed the connection: {error}"),
            }
        }
    }

    pub async fn get(&mut self, path: &str) -> Answer<'_> {
        self.send(&get(path)).await
    }

    pub async fn post(&mut self, path: &str, key: &str, body: &serde_json::Value) -> Answer<'_> {
        self.send(&write("POST", path, key, &body.to_string())).await
    }

    pub async fn put(&mut self, path: &str, body: &serde_json::Value) -> Answer<'_> {
        self.send(&write("PUT", path, "put", &body.to_string())).await
    }
}

/// The bytes of a request that reads.
pub fn get(path: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nhost: bench\r\n\r\n").into_bytes()
}

/// The bytes of a request that records.
pub fn write(method: &str, path: &str, key: &str, body: &str) -> Vec<u8> {
    format!(
        "{method} {path} HTTP/1.1\r\nhost: bench\r\ncontent-type: application/json\r\nidempotency-key: \"{key}\"\r\n\
         content-length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

/// The head of an answer, as far as it matters here.
struct Head {
    status: u16,
    length: usize,
    body: usize,
}

impl Head {
    fn find(bytes: &[u8]) -> Option<Head> {
        let length = bytes.windows(4).position(|window| window == b"\r\n\r\n")? + 4;
        let text = std::str::from_utf8(&bytes[..length]).expect("a head is ASCII");
        let status = text.get(9..12).and_then(|status| status.parse().ok()).expect("a status line");
        let body = text
            .split("\r\n")
            .filter_map(|line| line.split_once(':'))
            .find(|(name, _)| name.eq_ignore_ascii_case("content-length"))
            .and_then(|(_, value)| value.trim().parse().ok())
            .expect("an answer with its length");
        Some(Head { status, length, body })
    }
}

/// What a load came to.
pub struct Load {
    pub per_second: f64,
    /// Sorted.
    latencies: Vec<Duration>,
}

impl Load {
    pub fn p99(&self) -> Duration {
        self.latencies.get(self.latencies.len() * 99 / 100).copied().unwrap_or_default()
    }
}

/// Time limits of one load: requests answered before the end of `warm` do not count.
#[derive(Clone, Copy)]
pub struct Span {
    pub warm: Duration,
    pub measured: Duration,
}

/// Sends the requests of each source on a connection of its own, each as soon as the one before it is answered.
pub async fn load<S>(address: &str, span: Span, sources: Vec<S>) -> Load
where
    S: FnMut() -> Vec<u8> + Send + 'static,
{
    let mut connections = Vec::new();
    for source in sources {
        connections.push((Client::connect(address).await, source));
    }
    let started = Instant::now();
    let (from, to) = (started + span.warm, started + span.warm + span.measured);
    let clients = connections.into_iter().map(|(mut client, mut source)| {
        tokio::spawn(async move {
            let mut latencies = Vec::new();
            loop {
                let request = source();
                let sent = Instant::now();
                if sent >= to {
                    return latencies;
                }
                client.send(&request).await.ok();
                let answered = Instant::now();
                if answered >= from && answered < to {
                    latencies.push(answered - sent);
                }
            }
        })
    });
    let mut latencies = Vec::new();
    for client in clients.collect::<Vec<_>>() {
        latencies.extend(client.await.expect("a client does not panic"));
    }
    latencies.sort_unstable();
    Load { per_second: latencies.len() as f64 / span.measured.as_secs_f64(), latencies }
}
