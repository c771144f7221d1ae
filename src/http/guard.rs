//! The layer before every route that needs a token.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

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

/// Lets a request pass with its principal, or answers 401 (RFC 6750) or 403.
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
            let Some(token) = bearer(headers)? else {
                return Err(unauthorized("send a token in the header Authorization: Bearer", false));
            };
            let found = authenticator.identify(token).await.map_err(Problem::unavailable)?;
            found.ok_or_else(|| {
                unauthorized("the token is not known here; make one with `parwright token create`", true)
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

/// The token of the one `Authorization` header. Another scheme counts as no token, as RFC 6750 section 3.1 has it.
fn bearer(headers: &HeaderMap) -> Result<Option<&str>, Problem> {
    let mut values = headers.get_all(header::AUTHORIZATION).iter();
    let Some(value) = values.next() else {
        return Ok(None);
    };
    if values.next().is_some() {
        let detail = "the header authorization: it is given more than once";
        return Err(Problem::new(problem::MALFORMED_HEADER, detail));
    }
    let Some((scheme, token)) = value.to_str().ok().and_then(|text| text.trim().split_once(' ')) else {
        return Ok(None);
    };
    Ok(scheme.eq_ignore_ascii_case("bearer").then(|| token.trim()).filter(|token| !token.is_empty()))
}

fn unauthorized(detail: &str, token_was_sent: bool) -> Problem {
    let challenge = if token_was_sent {
        HeaderValue::from_static(r#"Bearer realm="parwright", error="invalid_token""#)
    } else {
        HeaderValue::from_static(r#"Bearer realm="parwright""#)
    };
    Problem::new(problem::UNAUTHORIZED, detail).with_header(header::WWW_AUTHENTICATE, challenge)
}
