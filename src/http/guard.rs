//! The layer before every route that needs a token.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::accept::{Accept, Media};
use super::problem::{self, Problem};
use crate::auth::{Action, Authenticator, Principal};

/// Who may pass.
#[derive(Clone)]
pub enum Guard {
    /// Everybody, as the local operator; only ever on a loopback address.
    Open,
    /// Whoever has a token.
    Tokens(Arc<Authenticator>),
}

/// Lets a request pass with its principal, or answers 401 (RFC 6750, RFC 7617) or 403.
pub async fn guard(State(guard): State<Guard>, mut request: Request, next: Next) -> Response {
    match admit(&guard, request.headers(), request.method()).await {
        Ok(principal) => {
            request.extensions_mut().insert(principal.clone());
            let mut response = next.run(request).await;
            response.extensions_mut().insert(principal);
            response
        }
        Err(problem) => problem.into_response(),
    }
}

async fn admit(guard: &Guard, headers: &HeaderMap, method: &Method) -> Result<Principal, Problem> {
    let principal = match guard {
        Guard::Open => Principal::local(),
        Guard::Tokens(authenticator) => {
            let Some(credentials) = Credentials::find(headers, method)? else {
                let browses = Credentials::may_be_basic(method) && is_browser(headers);
                return Err(unauthorized("send a token in the header Authorization: Bearer", false, browses));
            };
            let found = authenticator.identify(credentials.token()).await.map_err(Problem::unavailable)?;
            found.ok_or_else(|| {
                let detail = "the token is not known here; make one with `parwright token create`";
                match credentials {
                    Credentials::Bearer(_) => unauthorized(detail, true, false),
                    Credentials::Basic(_) => unauthorized(detail, false, true),
                }
            })?
        }
    };
    let action = if method.is_safe() { Action::Read } else { Action::Record };
    if principal.may(action) {
        return Ok(principal);
    }
    let detail = format!("the role {} may not {action}", principal.role);
    Err(Problem::new(problem::FORBIDDEN, detail))
}

/// How a token was sent.
enum Credentials {
    Bearer(String),
    Basic(String),
}

impl Credentials {
    /// The token of the one `Authorization` header: of the scheme Bearer; or the password of the scheme Basic, with any user name, which is
    /// how a browser sends what a person typed. Another scheme counts as no token, as RFC 6750 section 3.1 has it.
    fn find(headers: &HeaderMap, method: &Method) -> Result<Option<Self>, Problem> {
        let mut values = headers.get_all(header::AUTHORIZATION).iter();
        let Some(value) = values.next() else {
            return Ok(None);
        };
        if values.next().is_some() {
            let detail = "the header authorization: it is given more than once";
            return Err(Problem::new(problem::MALFORMED_HEADER, detail));
        }
        let Some((scheme, value)) = value.to_str().ok().and_then(|text| text.trim().split_once(' ')) else {
            return Ok(None);
        };
        let value = value.trim();
        if scheme.eq_ignore_ascii_case("bearer") {
            return Ok(Some(value).filter(|token| !token.is_empty()).map(|token| Self::Bearer(token.to_owned())));
        }
        if scheme.eq_ignore_ascii_case("basic") && Self::may_be_basic(method) {
            let pair = STANDARD.decode(value).ok().and_then(|bytes| String::from_utf8(bytes).ok());
            let token = pair.as_deref().and_then(|pair| pair.split_once(':')).map(|(_, password)| password);
            return Ok(token.filter(|token| !token.is_empty()).map(|token| Self::Basic(token.to_owned())));
        }
        Ok(None)
    }

    /// A browser sends such credentials along with whatever another site makes it ask for, and so they are good for looking alone.
    fn may_be_basic(method: &Method) -> bool {
        matches!(*method, Method::GET | Method::HEAD)
    }

    fn token(&self) -> &str {
        match self {
            Self::Bearer(token) | Self::Basic(token) => token,
        }
    }
}

/// Whether the caller would rather have a page than anything else, and so is a browser that a person sits at.
fn is_browser(headers: &HeaderMap) -> bool {
    Accept::of(headers).choose(&[Media::Json, Media::Html]).is_ok_and(|media| media == Media::Html)
}

/// 401 with the challenges that the caller can answer.
fn unauthorized(detail: &str, token_was_sent: bool, browses: bool) -> Problem {
    let bearer = if token_was_sent {
        HeaderValue::from_static(r#"Bearer realm="parwright", error="invalid_token""#)
    } else {
        HeaderValue::from_static(r#"Bearer realm="parwright""#)
    };
    let problem = Problem::new(problem::UNAUTHORIZED, detail).with_header(header::WWW_AUTHENTICATE, bearer);
    if !browses {
        return problem;
    }
    let basic = HeaderValue::from_static(r#"Basic realm="parwright", charset="UTF-8""#);
    problem.with_header(header::WWW_AUTHENTICATE, basic)
}
