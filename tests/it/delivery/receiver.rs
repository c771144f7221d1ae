//! A receiver of deliveries that does what a test tells it, well-behaved or not. It speaks HTTP by hand, so that it can misbehave in
//! the middle of an answer, and checks each request before anything else.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::{Notify, mpsc, watch};

use super::signature;

/// Far beyond what any delivery takes on a loaded machine: reaching it is a failure, never a way to wait.
const DEADLINE: Duration = Duration::from_secs(60);

/// What a receiver does with a request.
#[derive(Clone)]
pub enum Reply {
    /// Answers with a status and headers.
    Answer(u16, Vec<(&'static str, String)>),
    /// Answers 200 once it is told to.
    Later(Arc<Notify>),
    /// Never answers.
    Stall,
    /// Closes the connection without a word.
    Close,
    /// Begins an answer of 200 and closes the connection in the middle of it.
    BreakOff,
    /// Answers 200 and then never ends.
    Endless,
}

impl Reply {
    pub fn status(status: u16) -> Reply {
        Reply::Answer(status, Vec::new())
    }

    pub fn with(status: u16, name: &'static str, value: impl ToString) -> Reply {
        Reply::Answer(status, vec![(name, value.to_string())])
    }
}

/// A request as it came, whole.
#[derive(Clone, Debug)]
pub struct Request {
    /// The address that it was sent to.
    pub target: String,
    pub method: String,
    pub path: String,
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
    /// Requests to the same path that were not answered when this one came.
    pub others: usize,
    /// When it came, in seconds since 1970.
    pub came_at: i64,
}

impl Request {
    /// The one value of a header.
    #[track_caller]
    pub fn header(&self, name: &str) -> &str {
        let values: Vec<&str> =
            self.headers.iter().filter(|(at, _)| at == name).map(|(_, value)| value.as_str()).collect();
        assert_eq!(values.len(), 1, "{name} in {:?}", self.headers);
        values[0]
    }

    /// The event, which is checked to be one.
    #[track_caller]
    pub fn event(&self) -> Value {
        assert_eq!(self.header("content-type"), "application/cloudevents+json");
        let event: Value = serde_json::from_slice(&self.body).expect("the body is JSON");
        assert_eq!(event["specversion"], "1.0");
        assert_eq!(event["type"], "parwright.journal-batch.released.v1");
        assert_eq!(event["datacontenttype"], "application/json");
        let data = &event["data"];
        assert_eq!(event["subject"], data["number"]);
        assert_eq!(event["time"], data["released_at"]);
        let entity = data["journal_batch"]["entity"].as_str().expect("a batch has an entity");
        assert_eq!(event["source"], format!("/v1/entities/{entity}/releases"));
        assert_eq!(event["id"], format!("{}.{}", data["number"].as_str().expect("a number"), data["revision"]));
        assert_eq!(event["sequence"], format!("{:019}", data["release"].as_i64().expect("a release")));
        assert_eq!(self.header("idempotency-key"), format!("\"{}\"", event["id"].as_str().expect("an id")));
        event
    }

    /// The number of the release in it.
    #[track_caller]
    pub fn release(&self) -> i64 {
        self.event()["data"]["release"].as_i64().expect("a release has a number")
    }
}

type Script = Box<dyn FnMut(&Request) -> Reply + Send>;

/// What was answered, in the order in which it was.
#[derive(Default)]
struct State {
    script: Option<Script>,
    accepted: Vec<Request>,
    /// Requests under way, by path.
    open: Vec<String>,
    wrong: VecDeque<String>,
}

/// A receiver on a port of its own, until the test ends.
pub struct Receiver {
    pub address: String,
    heard: mpsc::UnboundedReceiver<Request>,
    taken: watch::Receiver<()>,
    state: Arc<Mutex<State>>,
}

impl Receiver {
    /// A receiver that answers 200 to everything.
    pub async fn start() -> Receiver {
        Receiver::scripted(|_| Reply::status(200)).await
    }

    /// A receiver that takes every release, and answers one of them when it is told to.
    pub async fn holding(release: i64) -> (Receiver, Arc<Notify>) {
        let go = Arc::new(Notify::new());
        let later = Arc::clone(&go);
        let receiver = Receiver::scripted(move |request| match request.release() {
            held if held == release => Reply::Later(Arc::clone(&later)),
            _ => Reply::status(200),
        });
        (receiver.await, go)
    }

    /// A receiver that does what the script says.
    pub async fn scripted(script: impl FnMut(&Request) -> Reply + Send + 'static) -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = format!("http://{}", listener.local_addr().expect("an address"));
        let (receiver, accept) = Receiver::parts(&address, script);
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(accept.clone().serve(stream));
            }
        });
        receiver
    }

    /// A receiver without a socket, and what serves connections for it.
    pub fn parts(address: &str, script: impl FnMut(&Request) -> Reply + Send + 'static) -> (Receiver, Connections) {
        let state = Arc::new(Mutex::new(State { script: Some(Box::new(script)), ..State::default() }));
        let (told, heard) = mpsc::unbounded_channel();
        let (took, taken) = watch::channel(());
        let connections = Connections { address: address.to_owned(), told, took, state: Arc::clone(&state) };
        (Receiver { address: address.to_owned(), heard, taken, state }, connections)
    }

    /// Does something else from now on.
    pub fn now(&self, script: impl FnMut(&Request) -> Reply + Send + 'static) {
        self.state.lock().expect("no script panicked").script = Some(Box::new(script));
    }

    /// The next request, as it came and before it is answered.
    pub async fn hear(&mut self) -> Request {
        let heard = tokio::time::timeout(DEADLINE, self.heard.recv()).await;
        self.check();
        heard.expect("a request comes in time").expect("the receiver is there")
    }

    /// Hears requests up to the first that delivers this release.
    pub async fn hear_until(&mut self, release: i64) {
        while self.hear().await.release() != release {}
    }

    /// Waits until this can be said of what was accepted.
    pub async fn until(&mut self, said: impl Fn(&[Request]) -> bool) {
        while !said(&self.accepted()) {
            let more = tokio::time::timeout(DEADLINE, self.taken.changed()).await;
            more.expect("a request is accepted in time").expect("the receiver is there");
        }
    }

    /// What came and was not heard yet.
    pub fn unheard(&mut self) -> Vec<Request> {
        std::iter::from_fn(|| self.heard.try_recv().ok()).collect()
    }

    /// What was answered 200, whole, in order.
    pub fn accepted(&self) -> Vec<Request> {
        self.check();
        self.state.lock().expect("no script panicked").accepted.clone()
    }

    /// Fails if any request was wrong.
    #[track_caller]
    pub fn check(&self) {
        let wrong = self.state.lock().expect("no script panicked").wrong.clone();
        assert!(wrong.is_empty(), "{wrong:?}");
    }
}

/// What serves connections.
#[derive(Clone)]
pub struct Connections {
    address: String,
    told: mpsc::UnboundedSender<Request>,
    took: watch::Sender<()>,
    state: Arc<Mutex<State>>,
}

impl Connections {
    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.state.lock().expect("no script panicked")
    }

    fn accept(&self, request: &Request) {
        self.state().accepted.push(request.clone());
        self.took.send_replace(());
    }

    /// Serves a connection to its end.
    pub async fn serve(self, mut stream: impl AsyncRead + AsyncWrite + Unpin) {
        let mut buffer = Vec::new();
        while let Some(mut request) = read(&mut stream, &mut buffer, &self.address).await {
            let reply = {
                let mut state = self.state();
                request.others = state.open.iter().filter(|path| **path == request.path).count();
                state.open.push(request.path.clone());
                if let Err(wrong) = signature::check_form(&request) {
                    state.wrong.push_back(wrong);
                }
                match &mut state.script {
                    Some(script) => script(&request),
                    None => Reply::status(200),
                }
            };
            // The test may have heard enough.
            self.told.send(request.clone()).ok();
            let goes_on = self.answer(&mut stream, &request, reply).await;
            let mut state = self.state();
            if let Some(at) = state.open.iter().position(|path| *path == request.path) {
                state.open.remove(at);
            }
            drop(state);
            if !goes_on {
                return;
            }
        }
    }

    /// Whether the connection goes on after it.
    async fn answer(
        &self,
        stream: &mut (impl AsyncRead + AsyncWrite + Unpin),
        request: &Request,
        reply: Reply,
    ) -> bool {
        let (status, headers) = match reply {
            Reply::Answer(status, headers) => (status, headers),
            Reply::Later(notify) => {
                notify.notified().await;
                (200, Vec::new())
            }
            Reply::Close => return false,
            Reply::Stall => {
                // Until the other side gives up.
                let mut rest = [0; 64];
                while stream.read(&mut rest).await.is_ok_and(|read| read > 0) {}
                return false;
            }
            Reply::BreakOff => {
                stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\nbroken").await.ok();
                stream.shutdown().await.ok();
                return false;
            }
            Reply::Endless => {
                self.accept(request);
                let head = "HTTP/1.1 200 OK\r\nContent-Length: 1000000000\r\n\r\n";
                if stream.write_all(head.as_bytes()).await.is_ok() {
                    while stream.write_all(&[b' '; 4096]).await.is_ok() {}
                }
                return false;
            }
        };
        if (200..300).contains(&status) {
            self.accept(request);
        }
        let headers: String = headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
        // A body that must not reach anybody.
        let answer = format!("HTTP/1.1 {status} Scripted\r\n{headers}Content-Length: 14\r\n\r\nRECEIVER-WORDS");
        stream.write_all(answer.as_bytes()).await.is_ok()
    }
}

/// The next request of a connection; none when the other side is done, or went away in the middle of one.
async fn read(stream: &mut (impl AsyncRead + Unpin), buffer: &mut Vec<u8>, address: &str) -> Option<Request> {
    loop {
        if let Some(request) = parse(buffer, address) {
            return Some(request);
        }
        let mut part = [0; 16 * 1024];
        match stream.read(&mut part).await {
            Ok(read) if read > 0 => buffer.extend_from_slice(&part[..read]),
            _ => return None,
        }
    }
}

fn parse(buffer: &mut Vec<u8>, address: &str) -> Option<Request> {
    let end = buffer.windows(4).position(|window| window == b"\r\n\r\n")?;
    let head = String::from_utf8(buffer[..end].to_vec()).expect("a head is ASCII");
    let mut lines = head.split("\r\n");
    let (method, rest) = lines.next()?.split_once(' ').expect("a request line");
    let path = rest.strip_suffix(" HTTP/1.1").expect("HTTP/1.1");
    let header = |line: &str| {
        let (name, value) = line.split_once(':').expect("a header");
        (name.to_ascii_lowercase(), value.trim().to_owned())
    };
    let headers: Vec<(String, String)> = lines.map(header).collect();
    let length = headers
        .iter()
        .find(|(name, _)| name == "content-length")
        .map_or(0, |(_, value)| value.parse().expect("a length"));
    let body = buffer.get(end + 4..end + 4 + length)?.to_vec();
    let request = Request {
        target: format!("{address}{path}"),
        method: method.to_owned(),
        path: path.to_owned(),
        headers,
        body,
        others: 0,
        came_at: jiff::Timestamp::now().as_second(),
    };
    buffer.drain(..end + 4 + length);
    Some(request)
}
