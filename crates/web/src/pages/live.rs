//! A run while it is being recorded: its phases so far and what holds it, sent as the rows come.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Query, RawPathParams, State as Shared};
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse as _, Response};
use futures_util::stream;
use maud::{Markup, html};
use settlepoint_domain::{Id, Phase, Run, Setting};
use settlepoint_draw::{Chart as _, Look, PAGE, RunOverTime};
use settlepoint_views::charts::log_over_time;
use settlepoint_views::gather::analysed;
use settlepoint_views::recording::mark_cut_short;

use super::runs::run_id;
use super::{fields, go_to, words};
use crate::error::PageError;
use crate::field::{Fields, Reader as FieldReader};
use crate::figure::{TALL, picture};
use crate::html::{self, Page, Reader, section};
use crate::number::{Degrees, cell};
use crate::state::State;

/// How often the stream looks for new rows.
const EVERY: Duration = Duration::from_secs(1);
/// Columns of the picture that is sent.
const COLUMNS: u32 = 600;

/// A recording as it stands.
struct Standing {
    run: Run,
    chart: RunOverTime,
    phases: Vec<Phase>,
    rows: usize,
    span_s: f64,
}

/// The recording so far; `None` when it has ended.
fn standing(state: &State, id: Id, degrees: Degrees) -> Result<Option<Standing>, PageError> {
    let (run, setting, log) = state.with(|book| {
        // A recorder that crashed ends its recording here, not only when the notebook is opened.
        mark_cut_short(book)?;
        if !book.unfinished_recordings()?.contains(&id) {
            return Ok((None, None, None));
        }
        let run = book.run(id)?;
        let setting: Setting = book.setting(run.setting)?;
        // Before the first row there is no log yet.
        Ok((Some(run), Some(setting), book.log(id).ok()))
    })?;
    let (Some(run), Some(setting)) = (run, setting) else {
        return Ok(None);
    };
    let Some(whole) = log else {
        return Ok(Some(Standing {
            run,
            chart: RunOverTime::default(),
            phases: Vec::new(),
            rows: 0,
            span_s: 0.0,
        }));
    };
    let (log, review) = analysed(&whole, run.room_c);
    let mut chart = log_over_time(&log, &review, &setting);
    chart.title.clone_from(&run.name);
    Ok(Some(Standing {
        chart: crate::degrees::run(chart, degrees),
        phases: review.phases,
        rows: whole.len(),
        span_s: whole.span_s(),
        run,
    }))
}

/// `/live/ID`.
pub(crate) fn show(state: &State, reader: &Reader, own: &Fields) -> Result<Response, PageError> {
    let id = run_id(own)?;
    let Some(now) = standing(state, id, reader.degrees)? else {
        return Ok(go_to(&format!("/run/{id}")));
    };
    let body = html! {
        noscript { meta http-equiv="refresh" content="5"; }
        div .live data-stream={ "/live/" (id) "/events" } {
            (section("now", "Now", "By phase, and by what holds the power.", html! { div data-part="now" aria-live="polite" { (by_phase(&now, reader.degrees)) } }))
            (section("course", "So far", "", html! { div data-part="picture" { @if now.chart.panels.is_empty() { p { "Waiting for the first rows." } } @else { (picture(&now.chart, TALL)) } } }))
        }
    };
    Ok(Page {
        state,
        reader,
        title: format!("{}, being recorded", now.run.name),
        place: "/runs",
        body,
    }
    .answer())
}

/// Phases so far, the one under way last and in words.
fn by_phase(now: &Standing, degrees: Degrees) -> Markup {
    let held = now.chart.acting.last().map(|a| a.label.as_str());
    html! {
        @if let Some(last) = now.phases.last() {
            p .lead {
                strong { (capital(&words::phase(last.kind))) } " for " strong .n { (minutes(last.end_s - last.start_s)) }
                @if let Some(held) = held { ", held by " strong { (held) } }
            }
        } @else { p .lead { "Waiting for the first rows." } }
        table .phases {
            caption .unseen { "Phases so far" }
            thead { tr { th scope="col" { "phase" } th scope="col" .n { "for" } th scope="col" .n { "mean W" } th scope="col" .n { "mean " (degrees.unit()) } th scope="col" .n { "heading for " (degrees.unit()) } th scope="col" .n { "rpm" } th scope="col" { "held by" } } }
            tbody { @for (phase, acting) in now.phases.iter().zip(&now.chart.acting) {
                tr {
                    th scope="row" { (words::phase(phase.kind)) }
                    td .n { (minutes(phase.end_s - phase.start_s)) }
                    td .n { (cell(phase.power_w.map(|e| e.value), 1)) }
                    td .n { (cell(phase.package_c.map(|e| degrees.shown(e.value)), 1)) }
                    td .n { (cell(phase.plateau.map(|p| degrees.shown(p.temp_c.value)), 1)) }
                    td .n { (cell(phase.fan_speed_rpm.map(|e| e.value), 0)) }
                    td { (acting.label) }
                }
            } }
        }
        p .aside { (now.rows) " rows in " (minutes(now.span_s)) "." }
    }
}

fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| {
        format!("{}{}", first.to_uppercase(), rest.as_str())
    })
}

/// "2:05 min".
fn minutes(seconds: f64) -> String {
    let whole = seconds.max(0.0).round();
    format!("{:.0}:{:02.0} min", (whole / 60.0).floor(), whole % 60.0)
}

/// `/live/ID/events`: server-sent events (HTML Living Standard, section 9.2), one a second while
/// rows come, and a last one when the recording has ended.
pub(crate) async fn events(
    Shared(state): Shared<Arc<State>>,
    path: RawPathParams,
    uri: Uri,
    headers: HeaderMap,
    Query(query): Query<Vec<(String, String)>>,
) -> Response {
    let reader = super::reader(&headers, &uri);
    let own = fields(&path, query);
    let id = match run_id(&own) {
        Ok(id) => id,
        Err(error) => return html::error_for(&state, &reader, &error),
    };
    let width = FieldReader::new(&own, reader.degrees)
        .number("width", 240.0..=2000.0)
        .unwrap_or(880.0);
    let follow = Follow {
        state,
        id,
        degrees: reader.degrees,
        width,
        rows: 0,
        over: false,
    };
    let body = Body::from_stream(stream::unfold(follow, Follow::next));
    ([(CONTENT_TYPE, "text/event-stream; charset=utf-8")], body).into_response()
}

/// Where a stream stands.
struct Follow {
    state: Arc<State>,
    id: Id,
    degrees: Degrees,
    width: f64,
    rows: usize,
    over: bool,
}

impl Follow {
    async fn next(mut self) -> Option<(Result<Bytes, Infallible>, Self)> {
        if self.over {
            return None;
        }
        if self.rows > 0 {
            tokio::time::sleep(EVERY).await;
        }
        let (state, id, degrees) = (Arc::clone(&self.state), self.id, self.degrees);
        let look = tokio::task::spawn_blocking(move || standing(&state, id, degrees)).await;
        let text = match look {
            Ok(Ok(Some(now))) if now.rows == self.rows => {
                tokio::time::sleep(EVERY / 4).await;
                ": nothing new\n\n".to_owned()
            }
            Ok(Ok(Some(now))) => {
                self.rows = now.rows;
                event("rows", &self.fragment(&now).into_string())
            }
            // Ended, or not to be read: the page says where to go on.
            _ => {
                self.over = true;
                event("end", &format!("/run/{}", self.id))
            }
        };
        // A first look without rows waits, too.
        if self.rows == 0 && !self.over {
            tokio::time::sleep(EVERY).await;
        }
        Some((Ok(Bytes::from(text)), self))
    }

    fn fragment(&self, now: &Standing) -> Markup {
        let height = if self.width < 600.0 {
            TALL.narrow.1
        } else {
            TALL.wide.1
        };
        let look = Look::new(self.width, height, &PAGE)
            .untitled()
            .reduced_to(COLUMNS);
        html! {
            div data-part="now" { (by_phase(now, self.degrees)) }
            div data-part="picture" { (html::drawn(&now.chart.draw(&look).svg)) }
        }
    }
}

/// One event; lines of its data each have their mark.
fn event(name: &str, data: &str) -> String {
    let lines: String = data.lines().map(|line| format!("data: {line}\n")).collect();
    format!("event: {name}\n{lines}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_cannot_be_split_by_their_data() {
        assert_eq!(
            event("rows", "a\n\nb"),
            "event: rows\ndata: a\ndata: \ndata: b\n\n"
        );
    }

    #[test]
    fn lengths_read_as_minutes() {
        assert_eq!(minutes(125.4), "2:05 min");
        assert_eq!(minutes(59.6), "1:00 min");
    }
}
