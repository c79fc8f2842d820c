//! The runs: a table, and what the review found.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_domain::{Finding, Id, Run, RunData, Setting};
use settlepoint_draw::{Table, plain};
use settlepoint_views::averages::{Row, mean_score};
use settlepoint_views::facts;

use super::{download, go_to};
use crate::error::PageError;
use crate::field::Fields;
use crate::figure::csv;
use crate::html::{self, Page, Reader, section, token};
use crate::number::{Degrees, NOTHING, cell};
use crate::state::State;

/// A run as the table shows it.
struct Line {
    run: Run,
    cooling: String,
    workload: String,
    setting: Setting,
    averages: Row,
    recording: bool,
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let lines = lines(state)?;
    let findings = state.findings()?;
    let degrees = reader.degrees;
    let body = html! {
        (done(state, &lines, fields))
        @if lines.is_empty() {
            p .lead { "No runs yet. " a href="/add" { "Add one" } "." }
        } @else {
            (section("table", "All runs", "Averages of the last phase under load. Where a log's temperature had not settled, where it was heading.", html! {
                (runs_table(&lines, degrees))
                p .files { "File: " a href="/runs.csv" download { "CSV" } }
            }))
            (section("findings", "Review", "What stands in the way of trusting them, and what to do.", html::findings(&findings)))
            (section("leave-out", "Leave a run out", "It stays in the notebook and counts in no fit. It can be taken in again at any time.", leave_out_form(state, &lines)))
        }
    };
    Ok(Page {
        state,
        reader,
        title: "Runs".into(),
        place: "/runs",
        body,
    }
    .answer())
}

fn lines(state: &State) -> Result<Vec<Line>, PageError> {
    let (runs, coolings, workloads, settings, recording) = state.with(|book| {
        Ok((
            book.runs()?,
            book.coolings()?,
            book.workloads()?,
            book.settings()?,
            book.unfinished_recordings()?,
        ))
    })?;
    runs.into_iter()
        .map(|run| {
            let own = recording.contains(&run.id);
            let setting = settings.iter().find(|s| s.id == run.setting);
            Ok(Line {
                cooling: coolings
                    .iter()
                    .find(|c| c.id == run.cooling)
                    .map_or_else(String::new, |c| c.name.clone()),
                workload: workloads
                    .iter()
                    .find(|w| w.id == run.workload)
                    .map_or_else(String::new, |w| w.name.clone()),
                setting: setting.cloned().ok_or_else(PageError::inside)?,
                averages: if own {
                    Row::default()
                } else {
                    state.averages(&run)?
                },
                recording: own,
                run,
            })
        })
        .collect()
}

/// What was just done, with the way back.
fn done(state: &State, lines: &[Line], fields: &Fields) -> Markup {
    let run = lines
        .iter()
        .find(|l| l.run.id.to_string() == fields.raw("changed"));
    html! {
        @if let Some(Line { run, .. }) = run {
            div .done role="status" {
                @match &run.excluded {
                    Some(reason) => {
                        form method="post" action={ "/run/" (run.id) "/take-in" } {
                            (token(state))
                            p { "‘" (run.name) "’ is left out: " (reason) ". " button type="submit" { "Undo" } }
                        }
                    }
                    None => p { "‘" (run.name) "’ counts again." },
                }
            }
        }
    }
}

/// Numbers stand beside the names, so that they can be compared on a narrow screen, too.
const HEADER: [&str; 10] = [
    "run", "settled", "W", "rpm", "dB(A)", "score", "room", "setting", "workload", "cooling",
];
/// How many of them, behind the name, are numbers.
const NUMBERS: usize = 6;

fn header(degrees: Degrees) -> Vec<String> {
    HEADER
        .iter()
        .map(|&name| match name {
            "room" | "settled" => format!("{name} {}", degrees.unit()),
            other => other.to_owned(),
        })
        .collect()
}

fn cells(line: &Line, degrees: Degrees) -> [String; 9] {
    let temp = |c: Option<f64>| cell(c.map(|c| degrees.shown(c)), 1);
    let a = &line.averages;
    [
        temp(a.plateau_c),
        cell(a.power_w, 1),
        cell(a.fan_speed_rpm, 0),
        cell(a.level_dba, 1),
        mean_score(&line.run).map_or_else(|| NOTHING.into(), score),
        temp(line.run.room_c),
        line.setting.name.clone(),
        line.workload.clone(),
        line.cooling.clone(),
    ]
}

/// Four digits that count.
pub(crate) fn score(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 1000.0 => 0,
        v if v >= 100.0 => 1,
        v if v >= 10.0 => 2,
        _ => 3,
    };
    plain(value, decimals)
}

fn runs_table(lines: &[Line], degrees: Degrees) -> Markup {
    html! {
        div .scroll tabindex="0" role="region" aria-label="All runs" {
            table .runs {
                caption .unseen { "All runs" }
                thead { tr { @for (i, name) in header(degrees).iter().enumerate() {
                    th scope="col" class=[(1..=NUMBERS).contains(&i).then_some("n")] { (name) }
                } } }
                tbody { @for line in lines {
                    tr class=[line.run.excluded.as_ref().map(|_| "out")] {
                        th scope="row" {
                            a href={ (if line.recording { "/live/" } else { "/run/" }) (line.run.id) } { (line.run.name) }
                            @if line.recording { " " span .state { "recording" } }
                            @if line.run.excluded.is_some() { " " span .state { "left out" } }
                        }
                        @for (i, text) in cells(line, degrees).iter().enumerate() {
                            td class=[(i < NUMBERS).then_some("n")] { (text) }
                        }
                    }
                } }
            }
        }
    }
}

/// The same as a file, with what the page shows by other means.
pub(crate) fn file(state: &State, reader: &Reader, _: &Fields) -> Result<Response, PageError> {
    let mut table = Table {
        header: header(reader.degrees),
        rows: Vec::new(),
    };
    table.header.push("left out because".into());
    for line in lines(state)? {
        let mut row = vec![line.run.name.clone()];
        row.extend(cells(&line, reader.degrees));
        row.push(line.run.excluded.unwrap_or_default());
        table.rows.push(row);
    }
    Ok(download(
        "runs.csv",
        "text/csv; charset=utf-8",
        csv(&table).into_bytes(),
    ))
}

fn leave_out_form(state: &State, lines: &[Line]) -> Markup {
    let (out, within): (Vec<&Line>, Vec<&Line>) =
        lines.iter().partition(|l| l.run.excluded.is_some());
    html! {
        @if !within.is_empty() {
            details {
                summary { "Choose one" }
                ul .plain { @for line in within {
                    li {
                        form .line method="post" action={ "/run/" (line.run.id) "/leave-out" } {
                            (token(state))
                            div .field {
                                label for={ "why-" (line.run.id) } { (line.run.name) }
                                input id={ "why-" (line.run.id) } name="reason" required maxlength="200" placeholder="why";
                            }
                            button type="submit" { "Leave out" }
                        }
                    }
                } }
            }
        }
        @for line in out {
            form method="post" action={ "/run/" (line.run.id) "/take-in" } {
                (token(state))
                p { "‘" (line.run.name) "’ is left out: " (line.run.excluded.as_deref().unwrap_or("")) ". " button type="submit" { "Take it in again" } }
            }
        }
    }
}

/// The run that a path names.
pub(crate) fn run_id(fields: &Fields) -> Result<Id, PageError> {
    fields
        .raw("id")
        .parse()
        .map_err(|_| PageError::not_found("There is no such run. Go back to the runs."))
}

pub(crate) fn leave_out(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let id = run_id(fields)?;
    let reason = fields.text("reason").ok_or_else(|| {
        PageError::asked("Say why the run is left out; it is shown with the run.")
    })?;
    state.with(|book| Ok(book.exclude_run(id, reason)?))?;
    Ok(go_to(&format!("/runs?changed={id}")))
}

pub(crate) fn take_in(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let id = run_id(fields)?;
    state.with(|book| Ok(book.include_run(id)?))?;
    Ok(go_to(&format!("/runs?changed={id}")))
}

impl State {
    /// What the review finds in the open notebook, worst first; runs under way are left alone.
    pub(crate) fn findings(&self) -> Result<Vec<Finding>, PageError> {
        self.kept_findings(|book| {
            let mut found = facts::of_notebook(book)?.findings;
            found.sort_by_key(|f| std::cmp::Reverse(f.severity));
            Ok(found)
        })
    }
}

/// Whether a run has a log.
pub(crate) fn is_logged(run: &Run) -> bool {
    run.data == RunData::Log
}
