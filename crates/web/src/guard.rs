//! Who may ask, and what every answer says about itself.

use std::sync::Arc;

use axum::extract::{Request, State as Shared};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, LOCATION, ORIGIN, REFERRER_POLICY,
    SET_COOKIE, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::error::PageError;
use crate::html;
use crate::state::State;

/// Nothing but the server's own files, and no page around this one.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; \
     img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// The cookie that carries the key of an address other than the loopback one.
const KEY_COOKIE: &str = "settlepoint-key";

/// Checks a request before anything else sees it, and writes the headers of its answer.
pub(crate) async fn guard(
    Shared(state): Shared<Arc<State>>,
    request: Request,
    next: Next,
) -> Response {
    let asset = request.uri().path().starts_with("/assets/");
    let mut response = match check(&state, &request) {
        Ok(()) => next.run(request).await,
        Err(Refusal::Plain(error)) => html::error_page(&state, &error).into_response(),
        Err(Refusal::TakeKey(target)) => take_key(&state, &target),
    };
    let headers = response.headers_mut();
    let fixed = [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // "no-referrer" would take the origin from the page's own forms.
        (REFERRER_POLICY, "same-origin"),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("permissions-policy"),
            "camera=(), microphone=(), geolocation=()",
        ),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let cache = if asset {
        "private, max-age=31536000, immutable"
    } else {
        "no-store"
    };
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static(cache));
    response
}

enum Refusal {
    Plain(PageError),
    /// The key stands in the address: it becomes a cookie, and the address loses it.
    TakeKey(String),
}

fn check(state: &State, request: &Request) -> Result<(), Refusal> {
    let plain = |status, message: &str| Err(Refusal::Plain(PageError::new(status, message)));
    let headers = request.headers();
    if !host_is_own(state, headers) {
        return plain(
            StatusCode::MISDIRECTED_REQUEST,
            "This server answers under its own address only. Open the address that it printed.",
        );
    }
    if !origin_is_own(state, headers) {
        return plain(
            StatusCode::FORBIDDEN,
            "Another site asked for this. Open the page itself and ask from there.",
        );
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD | Method::POST) {
        return plain(
            StatusCode::METHOD_NOT_ALLOWED,
            "This server knows no such method.",
        );
    }
    match &state.key {
        None => Ok(()),
        Some(key) => check_key(key, request),
    }
}

fn check_key(key: &str, request: &Request) -> Result<(), Refusal> {
    if cookie(request.headers(), KEY_COOKIE).is_some_and(|own| same(own, key)) {
        return Ok(());
    }
    let query = request.uri().query().unwrap_or("");
    let given = query.split('&').find_map(|pair| pair.strip_prefix("key="));
    if request.method() == Method::GET && given.is_some_and(|own| same(own, key)) {
        return Err(Refusal::TakeKey(request.uri().path().to_owned()));
    }
    Err(Refusal::Plain(PageError::new(
        StatusCode::UNAUTHORIZED,
        "The address lacks its key. Open the whole address that the server printed.",
    )))
}

fn take_key(state: &State, path: &str) -> Response {
    let key = state.key.as_deref().unwrap_or("");
    let cookie = format!("{KEY_COOKIE}={key}; Path=/; HttpOnly; SameSite=Strict");
    // Two slashes would begin the address of another server.
    let target = format!("/{}", path.trim_start_matches(['/', '\\']));
    let mut response = StatusCode::SEE_OTHER.into_response();
    for (name, value) in [(SET_COOKIE, cookie), (LOCATION, target)] {
        if let Ok(value) = HeaderValue::try_from(value) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

/// Whether a request names the server itself. A name that an attacker's resolver points here does
/// not pass.
fn host_is_own(state: &State, headers: &HeaderMap) -> bool {
    let mut all = headers.get_all(HOST).iter();
    match (all.next(), all.next()) {
        (Some(host), None) => state
            .hosts
            .iter()
            .any(|own| own.as_bytes().eq_ignore_ascii_case(host.as_bytes())),
        _ => false,
    }
}

/// Whether a request comes from one of the server's own pages, or from no page at all.
fn origin_is_own(state: &State, headers: &HeaderMap) -> bool {
    if let Some(origin) = headers.get(ORIGIN) {
        let own = |host: &String| {
            origin
                .as_bytes()
                .strip_prefix(b"http://")
                .is_some_and(|o| o.eq_ignore_ascii_case(host.as_bytes()))
        };
        return state.hosts.iter().any(own);
    }
    let fetch = |name: &str| headers.get(name).map(HeaderValue::as_bytes);
    match fetch("sec-fetch-site") {
        None | Some(b"same-origin" | b"none") => true,
        // A link from elsewhere may lead here; nothing of the page is seen there.
        Some(_) => fetch("sec-fetch-mode") == Some(b"navigate"),
    }
}

/// A cookie's value.
pub(crate) fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|line| line.split(';'))
        .find_map(|pair| pair.trim().strip_prefix(name)?.strip_prefix('='))
}

/// Compares secrets in a time that does not tell where they differ.
pub(crate) fn same(a: &str, b: &str) -> bool {
    a.len() == b.len()
        && a.bytes()
            .zip(b.bytes())
            .fold(0, |differ, (x, y)| differ | (x ^ y))
            == 0
}

/// Forms that change something carry the server's token.
pub(crate) fn check_token(state: &State, given: &str) -> Result<(), PageError> {
    if same(given, &state.token) {
        return Ok(());
    }
    Err(PageError::new(
        StatusCode::FORBIDDEN,
        "This form is not from the running server, or the server was started anew since it was loaded. \
         Nothing was changed. Go back, load the page again and send the form once more.",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_are_the_same_only_whole() {
        assert!(same("abc", "abc"));
        assert!(!same("abc", "abd") && !same("abc", "ab") && !same("", "a"));
    }

    #[test]
    fn cookies_are_found_by_their_whole_name() {
        let mut headers = HeaderMap::new();
        headers.insert(
            COOKIE,
            HeaderValue::from_static("settlepoint-keys=no; settlepoint-key=yes"),
        );
        assert_eq!(cookie(&headers, KEY_COOKIE), Some("yes"));
        assert_eq!(cookie(&headers, "settlepoint"), None);
    }
}
