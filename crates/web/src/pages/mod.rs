//! Routes, and one module a page.

mod add;
mod charts;
mod choose;
mod compare;
pub(crate) mod dropped;
mod live;
mod models;
mod plan;
mod report;
mod run;
mod runs;
mod start;
mod what_if;
mod words;

use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Form, Path, Query, RawPathParams, Request, State as Shared};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_LENGTH, CONTENT_TYPE, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};

use maud::{Markup, html};
use settlepoint_views::gather::Pick;

use crate::error::PageError;
use crate::field::Fields;
use crate::guard;
use crate::html::{self as page, Reader};
use crate::number::Degrees;
use crate::state::{State, Study};

/// Answers a request: everything that it needs, checked for length, and nothing of the network.
type Handler = fn(&State, &Reader, &Fields) -> Result<Response, PageError>;

/// Most bytes of a form.
const FORM_BYTES: usize = 256 << 10;
/// The cookie that keeps the unit of temperatures.
const DEGREES_COOKIE: &str = "settlepoint-degrees";

/// All routes under the guard.
pub(crate) fn router(state: &Arc<State>) -> Router {
    let forms = Router::new()
        .route("/degrees", send(degrees))
        .route("/new", send(start::new))
        .route("/open", send(start::open))
        .route("/example", send(start::example))
        .route("/run/{id}/leave-out", send(runs::leave_out))
        .route("/run/{id}/take-in", send(runs::take_in))
        .route("/run/{id}/undo", send(add::undo))
        .route("/add/run", send(add::run))
        .route("/add/scores", send(add::scores))
        .route("/add/log/{id}/read", send(dropped::read))
        .route("/add/log/{id}/keep", send(dropped::keep))
        .route("/add/log/{id}/drop", send(dropped::let_go))
        .layer(middleware::from_fn_with_state(
            (FORM_BYTES, state.config.patience),
            within_limits,
        ));
    let files = Router::new()
        .route("/add/log", post(dropped::take))
        // The limit is the layer's below, which counts the whole body.
        .layer(DefaultBodyLimit::disable())
        .layer(middleware::from_fn_with_state(
            (state.config.upload_bytes, 4 * state.config.patience),
            within_limits,
        ));
    Router::new()
        .route("/", show(start::show))
        .route("/add", show(add::show))
        .route("/add/log/{id}", show(dropped::show))
        .route("/runs", show(runs::show))
        .route("/runs.csv", show(runs::file))
        .route("/run/{id}", show(run::show))
        .route("/models", show(models::show))
        .route("/models.csv", show(models::file))
        .route("/what-if", show(what_if::show))
        .route("/what-if.csv", show(what_if::file))
        .route("/what-if/live", show(what_if::live))
        .route("/choose", show(choose::show))
        .route("/choose.csv", show(choose::file))
        .route("/report.html", show(report::file))
        .route("/compare", show(compare::show))
        .route("/compare.csv", show(compare::file))
        .route("/plan", show(plan::show))
        .route("/plan/{name}", show(plan::file))
        .route("/live/{id}", show(live::show))
        .route("/live/{id}/events", get(live::events))
        .route("/chart/{name}", show(charts::file))
        .route("/assets/{name}", get(asset))
        .merge(forms)
        .merge(files)
        .fallback(nothing_here)
        .layer(middleware::from_fn_with_state(
            Arc::clone(state),
            guard::guard,
        ))
        .with_state(Arc::clone(state))
}

/// Begins with the fit of the notebook that is open, so that the first page that needs it has it.
pub(crate) fn warm(state: &Arc<State>) {
    let state = Arc::clone(state);
    tokio::task::spawn_blocking(move || {
        if let Ok(study) = state.study(&settlepoint_views::gather::Pick::default()) {
            // Whoever asks for the fit is told what is wrong with it.
            let _ = study.fit();
        }
    });
}

/// A page that only shows.
fn show(handler: Handler) -> MethodRouter<Arc<State>> {
    get(
        move |Shared(state): Shared<Arc<State>>,
              path: RawPathParams,
              uri: Uri,
              headers: HeaderMap,
              Query(query): Query<Vec<(String, String)>>| {
            answer(state, reader(&headers, &uri), fields(&path, query), handler)
        },
    )
}

/// A form that changes something: it must carry the token.
fn send(handler: Handler) -> MethodRouter<Arc<State>> {
    post(
        move |Shared(state): Shared<Arc<State>>,
              path: RawPathParams,
              uri: Uri,
              headers: HeaderMap,
              Form(form): Form<Vec<(String, String)>>| async move {
            let fields = fields(&path, form);
            match guard::check_token(&state, fields.raw("token")) {
                Ok(()) => answer(state, reader(&headers, &uri), fields, handler).await,
                Err(error) => page::error_page(&state, &error),
            }
        },
    )
}

/// Parts of the path come first, so that nothing in a form can stand in for them.
fn fields(path: &RawPathParams, rest: Vec<(String, String)>) -> Fields {
    let own = path.iter().map(|(n, v)| (n.to_owned(), v.to_owned()));
    Fields(own.chain(rest).collect())
}

fn reader(headers: &HeaderMap, uri: &Uri) -> Reader {
    let degrees = match guard::cookie(headers, DEGREES_COOKIE) {
        Some("f") => Degrees::Fahrenheit,
        _ => Degrees::Celsius,
    };
    let here = uri.path_and_query().map_or("/", |p| p.as_str());
    Reader {
        degrees,
        here: here.to_owned(),
    }
}

/// Computes on a thread of its own; a panic there is an error page here.
async fn answer(state: Arc<State>, reader: Reader, fields: Fields, handler: Handler) -> Response {
    let shared = Arc::clone(&state);
    let asker = reader.clone();
    let done = tokio::task::spawn_blocking(move || handler(&shared, &asker, &fields)).await;
    match done {
        Ok(Ok(response)) => response,
        Ok(Err(error)) => page::error_for(&state, &reader, &error),
        Err(_) => page::error_for(&state, &reader, &PageError::inside()),
    }
}

/// Takes a body whole, within a size and a time, before anything is made of it.
async fn within_limits(
    Shared((most, patience)): Shared<(usize, std::time::Duration)>,
    request: Request,
    next: Next,
) -> Response {
    let refuse = |status: StatusCode, text: &'static str| (status, text).into_response();
    let too_large = || {
        refuse(
            StatusCode::PAYLOAD_TOO_LARGE,
            "This is larger than the page takes. Add it with 'settlepoint add log' instead.\n",
        )
    };
    let announced = request
        .headers()
        .get(CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok()?.parse::<usize>().ok());
    if announced.is_some_and(|length| length > most) {
        return too_large();
    }
    let (parts, body) = request.into_parts();
    match tokio::time::timeout(patience, axum::body::to_bytes(body, most)).await {
        Ok(Ok(bytes)) => {
            next.run(Request::from_parts(parts, Body::from(bytes)))
                .await
        }
        Ok(Err(_)) => too_large(),
        Err(_) => refuse(
            StatusCode::REQUEST_TIMEOUT,
            "This took too long to arrive; nothing was changed. Send it again.\n",
        ),
    }
}

async fn asset(Path(name): Path<String>) -> Response {
    match page::asset(&name) {
        Some((kind, bytes)) => ([(CONTENT_TYPE, kind)], bytes).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

async fn nothing_here(Shared(state): Shared<Arc<State>>) -> Response {
    let error = PageError::not_found("There is no such page. Choose one above.");
    page::error_page(&state, &error)
}

/// A file to keep.
pub(crate) fn download(name: &str, kind: &'static str, bytes: Vec<u8>) -> Response {
    let safe: String = name
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || "-._".contains(c) {
                c
            } else {
                '-'
            }
        })
        .collect();
    let disposition = format!("attachment; filename=\"{safe}\"");
    let mut response = ([(CONTENT_TYPE, kind)], bytes).into_response();
    if let Ok(value) = HeaderValue::try_from(disposition) {
        response.headers_mut().insert(CONTENT_DISPOSITION, value);
    }
    response
}

/// Sends the reader on, so that loading the page again does not send a form again.
pub(crate) fn go_to(target: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    let target = own_path(target);
    if let Ok(value) = HeaderValue::try_from(target) {
        response.headers_mut().insert(LOCATION, value);
    }
    response
}

/// The path if it is one of this server, else the first page: `//host` would lead elsewhere.
fn own_path(target: &str) -> &str {
    let second = target.as_bytes().get(1);
    let own = target.starts_with('/')
        && !matches!(second, Some(b'/' | b'\\'))
        && !target.contains(|c: char| c.is_control());
    if own { target } else { "/" }
}

/// Switches the unit of temperatures.
#[expect(clippy::unnecessary_wraps, reason = "a handler like the others")]
fn degrees(_: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let unit = if fields.raw("unit") == "f" { "f" } else { "c" };
    let mut response = go_to(fields.raw("back"));
    let cookie = format!("{DEGREES_COOKIE}={unit}; Path=/; SameSite=Strict; Max-Age=31536000");
    if let Ok(value) = HeaderValue::try_from(cookie) {
        response.headers_mut().insert(SET_COOKIE, value);
    }
    Ok(response)
}

/// Which machine and cooling an address means.
pub(crate) fn pick(fields: &Fields) -> Pick {
    let name = |n: &str| fields.text(n).map(str::to_owned);
    Pick {
        machine: name("machine"),
        cooling: name("cooling"),
        ..Pick::default()
    }
}

/// The same, carried along by a form.
pub(crate) fn hidden_pick(fields: &Fields) -> Markup {
    html! {
        @for name in ["machine", "cooling"] {
            @if let Some(value) = fields.text(name) { input type="hidden" name=(name) value=(value); }
        }
    }
}

/// A choice of cooling, where there are several; each is fitted by itself.
pub(crate) fn cooling_picker(
    state: &State,
    study: &Study,
    path: &str,
) -> Result<Markup, PageError> {
    let (machines, coolings, runs) =
        state.with(|book| Ok((book.machines()?, book.coolings()?, book.runs()?)))?;
    let used: Vec<_> = coolings
        .iter()
        .filter(|c| runs.iter().any(|r| r.cooling == c.id))
        .filter_map(|c| Some((machines.iter().find(|m| m.id == c.machine)?, c)))
        .collect();
    let several = machines.len() > 1;
    Ok(html! {
        @if used.len() > 1 {
            nav .coolings aria-label="Cooling" { ul { @for (machine, cooling) in used {
                @let address = query(&[("machine", &machine.id.to_string()), ("cooling", &cooling.id.to_string())]);
                li { a href={ (path) "?" (address) } aria-current=[(cooling.id == study.gathered.cooling.id).then_some("true")] {
                    @if several { (machine.name) ", " } (cooling.name)
                } }
            } } }
        }
    })
}

/// Runs that are under way count in nothing yet.
pub(crate) fn warm_notice(study: &Study) -> Markup {
    html! {
        @for (id, name) in &study.recording {
            p .aside { "‘" (name) "’ is " a href={ "/live/" (id) } { "being recorded" } " and counts here when it has ended." }
        }
    }
}

/// Percent-encodes a value for an address (RFC 3986, unreserved characters stay).
pub(crate) fn encoded(text: &str) -> String {
    text.bytes()
        .map(|b| match b {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                char::from(b).to_string()
            }
            _ => format!("%{b:02X}"),
        })
        .collect()
}

/// Names and values as the query of an address.
pub(crate) fn query(pairs: &[(&str, &str)]) -> String {
    let pairs: Vec<String> = pairs
        .iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| format!("{name}={}", encoded(value)))
        .collect();
    pairs.join("&")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_redirect_leaves_the_server() {
        assert_eq!(own_path("/what-if?room_c=30"), "/what-if?room_c=30");
        for bad in [
            "//evil.example/",
            "/\\evil.example",
            "http://x/",
            "",
            "/a\r\nb",
        ] {
            assert_eq!(own_path(bad), "/", "{bad}");
        }
    }

    #[test]
    fn names_are_encoded_for_addresses() {
        assert_eq!(encoded("125 W & ü"), "125%20W%20%26%20%C3%BC");
        assert_eq!(query(&[("a", "1"), ("b", ""), ("c", "2")]), "a=1&c=2");
    }
}
