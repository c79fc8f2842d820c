//! The next runs, and a sheet to print.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_infer::choose::Constraints;
use settlepoint_infer::plan::Vary;
use settlepoint_views::gather::{Gathered, gather};
use settlepoint_views::planning::{
    MachineKind, Planned, Wishes, first_runs, limits_in_words, next_runs, widths_in_words,
};
use settlepoint_views::{ViewError, sheet_page};

use super::{download, hidden_pick, pick, query};
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::html::{self, Input, Page, Reader, section, select};
use crate::number::{Degrees, typed};
use crate::state::State;

/// Kinds of machine for first runs: token, name.
const KINDS: [(&str, &str, MachineKind); 3] = [
    (
        "desktop",
        "a tower with a large cooler",
        MachineKind::Desktop,
    ),
    (
        "small",
        "a small case with a flat cooler",
        MachineKind::Small,
    ),
    ("portable", "a portable", MachineKind::Portable),
];

/// What is asked.
struct Question {
    wishes: Wishes,
    temp_max_c: Option<f64>,
    noise_max_dba: Option<f64>,
    kind: usize,
    stock_w: Option<f64>,
    asked: bool,
    problems: Vec<Problem>,
}

fn question(degrees: Degrees, fields: &Fields) -> Question {
    let mut read = FieldReader::new(fields, degrees);
    let room_c = read.temperature("room", -60.0..=80.0).unwrap_or(30.0);
    let temp_max_c = read.temperature("temp_max", 0.0..=150.0);
    let noise_max_dba = read.number("noise_max_dba", -20.0..=140.0);
    if temp_max_c.is_some_and(|max| max <= room_c) {
        let name = format!("temp_max_{}", degrees.suffix());
        read.problem(&name, "the highest temperature is not above the room's");
    }
    let bounded = temp_max_c.is_some() || noise_max_dba.is_some();
    let wishes = Wishes {
        runs: whole(read.number("runs", 1.0..=12.0).unwrap_or(3.0)),
        room_c,
        altitude_m: read.number("altitude_m", -500.0..=9000.0).unwrap_or(0.0),
        hours: read.number("hours", 0.2..=100.0),
        vary: Vary {
            temp_limit: fields.ticked("vary_limit"),
            fan: fields.ticked("vary_fan"),
            workload: fields.ticked("vary_workload"),
        },
        constraints: bounded.then_some(Constraints {
            room_c,
            altitude_m: 0.0,
            temp_max_c,
            confidence: 0.95,
            noise_max_dba,
            noise_max_idle_dba: None,
            loss_max_pct: 100.0,
            wall_max_w: None,
            rest_w: 0.0,
            supply_efficiency: 1.0,
        }),
    };
    Question {
        wishes,
        temp_max_c,
        noise_max_dba,
        kind: KINDS
            .iter()
            .position(|(token, _, _)| *token == fields.raw("kind"))
            .unwrap_or(0),
        stock_w: read.number("stock_w", 1.0..=5000.0),
        asked: fields.text("runs").is_some(),
        problems: read.problems,
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "from 1 to 12"
)]
fn whole(value: f64) -> usize {
    value.round() as usize
}

/// The runs so far, if there are any.
fn gathered(state: &State, fields: &Fields) -> Result<Option<Gathered>, PageError> {
    state.with(|book| match gather(book, &pick(fields)) {
        Ok(found) if found.runs.is_empty() => Ok(None),
        Ok(found) => Ok(Some(found)),
        Err(ViewError::Empty) => Ok(None),
        Err(other) => Err(other.into()),
    })
}

fn planned(state: &State, own: &Question, runs: Option<&Gathered>) -> Result<Planned, PageError> {
    if let Some(gathered) = runs {
        return Ok(next_runs(gathered, &own.wishes)?);
    }
    let workloads = state.with(|book| Ok(book.workloads()?))?;
    let load = workloads.iter().find(|w| !w.idle);
    Ok(first_runs(
        KINDS[own.kind].2,
        own.stock_w,
        load,
        &own.wishes,
    )?)
}

fn title(runs: Option<&Gathered>) -> String {
    runs.map_or_else(
        || "First runs".to_owned(),
        |g| format!("Next runs of {} with {}", g.machine.name, g.cooling.name),
    )
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let own = question(reader.degrees, fields);
    let runs = gathered(state, fields)?;
    let answer = if own.asked && own.problems.is_empty() {
        Some(planned(state, &own, runs.as_ref())?)
    } else {
        None
    };
    let body = html! {
        (section("ask", "What for", "The few runs that tell most for a choice, or for the whole map where no bound is given.", form(&own, runs.is_none(), reader.degrees, fields)))
        @if let Some(planned) = &answer {
            (section("runs", "Runs, most telling first", "What each would narrow, and by how much.", proposals(planned)))
            (section("sheet", "Run sheet", "In the order of making, which mixes against drift. To print, and to fill in by hand.", sheet(planned, &address(&own, reader.degrees, fields))))
            (section("cautions", "Cautions", "", html! { ul .notes { @for c in &planned.cautions { li { (html::sentence(c)) } } } }))
        }
    };
    Ok(Page {
        state,
        reader,
        title: if answer.is_some() {
            title(runs.as_ref())
        } else {
            "Plan".into()
        },
        place: "/plan",
        body,
    }
    .answer())
}

fn address(own: &Question, degrees: Degrees, fields: &Fields) -> String {
    let optional = |v: Option<f64>, d| v.map_or_else(String::new, |v| typed(v, d));
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let named = |stem: &str| format!("{stem}_{}", degrees.suffix());
    let (room, temp) = (named("room"), named("temp_max"));
    let tick = |on: bool| if on { "1" } else { "" };
    query(&[
        ("machine", fields.raw("machine")),
        ("cooling", fields.raw("cooling")),
        ("runs", &own.wishes.runs.to_string()),
        (&room, &heat(own.wishes.room_c)),
        ("altitude_m", &typed(own.wishes.altitude_m, 0)),
        ("hours", &optional(own.wishes.hours, 1)),
        (&temp, &own.temp_max_c.map_or_else(String::new, heat)),
        ("noise_max_dba", &optional(own.noise_max_dba, 1)),
        ("vary_limit", tick(own.wishes.vary.temp_limit)),
        ("vary_fan", tick(own.wishes.vary.fan)),
        ("vary_workload", tick(own.wishes.vary.workload)),
        ("kind", KINDS[own.kind].0),
        ("stock_w", &optional(own.stock_w, 0)),
    ])
}

fn form(own: &Question, first: bool, degrees: Degrees, fields: &Fields) -> Markup {
    let optional = |v: Option<f64>, d| v.map_or_else(String::new, |v| typed(v, d));
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let named = |stem: &str| format!("{stem}_{}", degrees.suffix());
    let (room, temp) = (named("room"), named("temp_max"));
    let values = [
        own.wishes.runs.to_string(),
        heat(own.wishes.room_c),
        own.temp_max_c.map_or_else(String::new, heat),
        optional(own.noise_max_dba, 1),
        optional(own.wishes.hours, 1),
        optional(own.stock_w, 0),
    ];
    let field = |name, label, unit, value, hint| {
        Input {
            name,
            label,
            unit,
            value,
            hint,
            ..Input::default()
        }
        .show(&own.problems)
    };
    let kinds: Vec<(String, String)> = KINDS
        .iter()
        .map(|(token, name, _)| ((*token).to_owned(), (*name).to_owned()))
        .collect();
    let boxes = [
        (
            "vary_limit",
            "the temperature limit",
            own.wishes.vary.temp_limit,
        ),
        ("vary_fan", "a ceiling on the fans", own.wishes.vary.fan),
        ("vary_workload", "the workload", own.wishes.vary.workload),
    ];
    html! {
        (html::problems(&own.problems))
        form .ask method="get" action="/plan" {
            (hidden_pick(fields))
            div .fields {
                (field("runs", "Runs at most", "", values[0].as_str(), ""))
                (field(&room, "Hottest room", degrees.unit(), values[1].as_str(), ""))
                (field(&temp, "Package at most", degrees.unit(), values[2].as_str(), "the bound of the choice, if there is one"))
                (field("noise_max_dba", "Level at most", "dB(A)", values[3].as_str(), ""))
                (field("hours", "Time for everything", "h", values[4].as_str(), ""))
                @if first {
                    (select("kind", "Machine", &kinds, KINDS[own.kind].0))
                    (field("stock_w", "Its power limit as sold", "W", values[5].as_str(), "usual for its kind if blank"))
                }
            }
            @if !first {
                fieldset {
                    legend { "May also change" }
                    @for (name, words, on) in boxes {
                        label .tick { input type="checkbox" name=(name) value="1" checked[on]; " " (words) }
                    }
                }
            }
            button .main type="submit" data-busy="Working it out …" { "Plan" }
        }
    }
}

fn proposals(planned: &Planned) -> Markup {
    html! {
        p { "Intervals now: " (widths_in_words(&planned.plan.now)) "." }
        ol .proposals { @for (run, reason) in planned.plan.runs.iter().zip(&planned.reasons) {
            @let load = &planned.workloads[run.workload];
            li {
                p { strong { (run.setting.name) } @if !load.is_empty() { " with " (load) } @if !run.useful { " (not worth it)" } }
                p .remedy { (html::sentence(reason)) }
            }
        } }
        @if let Some(last) = planned.plan.runs.last() { p { "After them: " (widths_in_words(&last.after)) "." } }
        @for line in &planned.summary { p { (html::sentence(line)) } }
    }
}

fn sheet(planned: &Planned, address: &str) -> Markup {
    html! {
        p { (super::start::count(planned.rows.len(), "run")) ", about " (typed(planned.hours, 1)) " h in all." }
        p .files { "Files: " a href={ "/plan/sheet.html?" (address) } download { "page to print" } " " a href={ "/plan/sheet.csv?" (address) } download { "CSV" } }
        @for row in &planned.rows {
            div .step {
                h3 { (row.order) ". " (row.run) ": " (limits_in_words(row)) }
                ul .ticks { @for step in planned.steps.iter().filter(|s| s.run == row.run) {
                    li { span .box aria-hidden="true" {} span { (step.text) } span .n { (typed(step.minutes, 0)) " min" } }
                } }
            }
        }
        h3 { "To log and to note" }
        ul .notes { @for note in &planned.to_note { li { (html::sentence(note)) } } }
    }
}

/// `/plan/sheet.html` and `/plan/sheet.csv`.
pub(crate) fn file(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let own = question(reader.degrees, fields);
    let runs = gathered(state, fields)?;
    let planned = planned(state, &own, runs.as_ref())?;
    match fields.raw("name") {
        "sheet.csv" => Ok(download(
            "run-sheet.csv",
            "text/csv; charset=utf-8",
            settlepoint_sheet::write(&planned.rows).into_bytes(),
        )),
        "sheet.html" => Ok(download(
            "run-sheet.html",
            "text/html; charset=utf-8",
            sheet_page::page(&planned, &title(runs.as_ref())).into_bytes(),
        )),
        _ => Err(PageError::not_found("There is no such file here.")),
    }
}
