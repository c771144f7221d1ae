//! One attempt: a signed POST, and what came of it.

use std::error::Error;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Response, StatusCode, Url, redirect, retry};
use tokio::time::Instant;

use super::address::{Admission, Inadmissible, literal};
use super::key::Keyring;
use super::{Push, event, schedule, signature};
use crate::reading::ReleaseDocument;

/// How much of an answer is read. Only that it comes to an end is of interest.
const MOST_OF_AN_ANSWER: usize = 4096;
/// How long a connection may take to be made, TLS included.
const CONNECT: Duration = Duration::from_secs(10);
/// How much is kept of why an attempt failed.
const LONGEST_DETAIL: usize = 300;

/// What came of an attempt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    Delivered,
    /// Another status than the ones below.
    Refused,
    /// 410.
    Gone,
    /// 3xx.
    Redirected,
    TimedOut,
    /// No connection, or one that broke off.
    Unreachable,
    /// The host has no address that may be delivered to.
    AddressRefused,
    /// Whoever made it ended meanwhile.
    Interrupted,
}

impl Outcome {
    /// As it is stored and answered.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Delivered => "delivered",
            Self::Refused => "refused",
            Self::Gone => "gone",
            Self::Redirected => "redirected",
            Self::TimedOut => "timed_out",
            Self::Unreachable => "unreachable",
            Self::AddressRefused => "address_refused",
            Self::Interrupted => "interrupted",
        }
    }
}

/// What came of an attempt, in detail. It holds nothing that the receiver wrote.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Attempted {
    pub outcome: Outcome,
    pub status: Option<u16>,
    pub detail: Option<String>,
    /// How long the receiver asks to wait.
    pub retry_after: Option<Duration>,
}

/// Why nothing can be sent at all.
#[derive(Debug, thiserror::Error)]
pub enum SenderError {
    #[error("deliveries cannot be made: the certificates of this system cannot be used")]
    Client(#[source] reqwest::Error),
}

/// Sends releases.
#[derive(Debug)]
pub struct Sender {
    keyring: Arc<Keyring>,
    admission: Admission,
    with_tls: Client,
    plain: Client,
}

impl Sender {
    /// # Errors
    /// When the system has no certificates to trust.
    pub fn new(push: &Push, keyring: Arc<Keyring>) -> Result<Sender, SenderError> {
        // The first in a process to do so decides; any provider will do.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let admission = push.admission();
        let client = |tls| {
            let connect = CONNECT.min(push.timeout);
            let builder = Client::builder().user_agent(concat!("parwright/", env!("CARGO_PKG_VERSION")));
            let builder =
                builder.dns_resolver(Arc::new(Checked { admission, tls })).no_proxy().connect_timeout(connect);
            builder
                .redirect(redirect::Policy::none())
                .retry(retry::never())
                .http1_only()
                .build()
                .map_err(SenderError::Client)
        };
        Ok(Sender { keyring, admission, with_tls: client(true)?, plain: client(false)? })
    }

    /// Sends a release of an entity to an address, once.
    pub async fn send(&self, url: &str, entity: &str, release: &ReleaseDocument, deadline: Instant) -> Attempted {
        match tokio::time::timeout_at(deadline, self.answer(url, entity, release)).await {
            Ok(Ok(attempted)) => attempted,
            Ok(Err(error)) => failed(error.as_ref()),
            Err(_) => without_answer(Outcome::TimedOut, "there was no whole answer in time".to_owned()),
        }
    }

    async fn answer(
        &self,
        url: &str,
        entity: &str,
        release: &ReleaseDocument,
    ) -> Result<Attempted, Box<dyn Error + Send + Sync>> {
        let url = Url::parse(url)?;
        let tls = url.scheme() == "https";
        // No resolver sees an address that needs no resolving.
        if let Some(address) = literal(&url) {
            self.admission.permit(tls, address)?;
        }
        let body = event::of(entity, release)?;
        let headers = self.headers(&url, &event::id(release), &body)?;
        let client = if tls { &self.with_tls } else { &self.plain };
        let response =
            client.post(url).headers(headers).body(body).send().await.map_err(reqwest::Error::without_url)?;
        Ok(received(response).await?)
    }

    fn headers(&self, url: &Url, id: &str, body: &[u8]) -> Result<HeaderMap, Box<dyn Error + Send + Sync>> {
        let digest = signature::content_digest(body);
        let key = format!("\"{id}\"");
        let components = [
            ("@method", "POST"),
            ("@target-uri", url.as_str()),
            ("content-type", event::MEDIA_TYPE),
            ("content-digest", &digest),
            ("idempotency-key", &key),
        ];
        let signer = self.keyring.signer().ok_or(Inadmissible::NoKey)?;
        let signed = signature::sign(signer, &components, jiff::Timestamp::now().as_second());
        let mut headers = HeaderMap::new();
        headers.insert(CONTENT_TYPE, HeaderValue::from_static(event::MEDIA_TYPE));
        for (name, value) in [
            ("content-digest", digest),
            ("idempotency-key", key),
            ("signature-input", signed.signature_input),
            ("signature", signed.signature),
        ] {
            headers.insert(HeaderName::from_static(name), HeaderValue::try_from(value)?);
        }
        Ok(headers)
    }
}

/// What an answer means. One of success counts when it has ended: a receiver that broke off may not have kept anything.
async fn received(mut response: Response) -> Result<Attempted, reqwest::Error> {
    let status = response.status();
    let outcome = match status {
        status if status.is_success() => Outcome::Delivered,
        status if status.is_redirection() => Outcome::Redirected,
        StatusCode::GONE => Outcome::Gone,
        _ => Outcome::Refused,
    };
    let asked = response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok());
    let retry_after = asked.and_then(|value| schedule::retry_after(value, SystemTime::now()));
    let mut read = 0;
    while outcome == Outcome::Delivered && read < MOST_OF_AN_ANSWER {
        match response.chunk().await.map_err(reqwest::Error::without_url)? {
            Some(chunk) => read += chunk.len(),
            None => break,
        }
    }
    let status = status.as_u16();
    let detail = (outcome != Outcome::Delivered).then(|| format!("the receiver answered {status}"));
    Ok(Attempted { outcome, status: Some(status), detail, retry_after })
}

/// What an error means that kept an attempt from an answer.
fn failed(error: &(dyn Error + Send + Sync + 'static)) -> Attempted {
    let mut chain: Vec<&(dyn Error + 'static)> = vec![error];
    let mut next = error.source();
    while let Some(source) = next {
        chain.push(source);
        next = source.source();
    }
    if let Some(refused) = chain.iter().find_map(|error| error.downcast_ref::<Inadmissible>()) {
        let outcome = match refused {
            Inadmissible::Unknown => Outcome::Unreachable,
            _ => Outcome::AddressRefused,
        };
        return without_answer(outcome, refused.to_string());
    }
    let timed_out =
        chain.iter().any(|error| error.downcast_ref::<reqwest::Error>().is_some_and(reqwest::Error::is_timeout));
    let outcome = if timed_out { Outcome::TimedOut } else { Outcome::Unreachable };
    without_answer(outcome, crate::app::chain(error).chars().take(LONGEST_DETAIL).collect())
}

fn without_answer(outcome: Outcome, detail: String) -> Attempted {
    Attempted { outcome, status: None, detail: Some(detail), retry_after: None }
}

/// Resolves names to the addresses among theirs that may be connected to: the connection is made to one of these, so that a name
/// which resolves to others a moment later gains nothing.
struct Checked {
    admission: Admission,
    tls: bool,
}

impl Resolve for Checked {
    fn resolve(&self, name: Name) -> Resolving {
        let (admission, tls) = (self.admission, self.tls);
        Box::pin(async move {
            let found: Vec<SocketAddr> = tokio::net::lookup_host((name.as_str(), 0)).await?.collect();
            let (permitted, refused): (Vec<_>, Vec<_>) = found
                .into_iter()
                .map(|address| (address, admission.permit(tls, address.ip())))
                .partition(|(_, permitted)| permitted.is_ok());
            match (permitted.is_empty(), refused.into_iter().next()) {
                (false, _) => Ok(Box::new(permitted.into_iter().map(|(address, _)| address)) as Addrs),
                (true, Some((_, Err(refused)))) => Err(refused.into()),
                (true, _) => Err(Inadmissible::Unknown.into()),
            }
        })
    }
}
