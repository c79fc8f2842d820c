//! One run: over time, its phases, scores and findings.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_domain::{Estimate, Finding, Run, RunData, SensorLog, Setting};
use settlepoint_draw::{RunOverTime, Table};
use settlepoint_phases::Review;
use settlepoint_views::charts::one_run;
use settlepoint_views::gather::analysed;

use super::runs::{is_logged, run_id, score};
use super::words;
use crate::error::PageError;
use crate::field::{Fields, Reader as FieldReader};
use crate::figure::{TALL, figure};
use crate::html::{self, Page, Reader, section};
use crate::number::{Degrees, NOTHING, cell, limit};
use crate::state::State;

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let id = run_id(fields)?;
    let degrees = reader.degrees;
    let (run, setting) = state.with(|book| {
        let run = book.run(id)?;
        let setting = book.setting(run.setting)?;
        Ok((run, setting))
    })?;
    let findings: Vec<Finding> = state
        .findings()?
        .into_iter()
        .filter(|f| f.run.as_deref() == Some(run.name.as_str()))
        .collect();
    let body = html! {
        @if state.was_added(id) {
            form .done method="post" action={ "/run/" (id) "/undo" } {
                (html::token(state))
                p { "Added. " button type="submit" { "Undo" } " or " a href="/add" { "add another" } }
            }
        }
        p .back { a href="/runs" { "All runs" } }
        @if let Some(reason) = &run.excluded { p .aside { "Left out of every fit: " (reason) } }
        (section("conditions", "Conditions", "", conditions(state, &run, &setting, degrees)?))
        @if is_logged(&run) {
            @let (log, review) = read(state, &run)?;
            (section("time", "Over time", "Phases, limits and what held the power. Drag across the picture, or type minutes, to see a part of it.", html! {
                div data-zoom="" { (figure(&chart(state, reader, fields)?, TALL, "/chart/run", &part_address(fields))) }
                (part_form(fields))
            }))
            (section("phases", "Phases", "They tile the run. A plateau that had not settled is where it was heading.", phases(&review, degrees)))
            (section("channels", "Columns", "What the log's columns were taken for.", channels(&log)))
        } @else if let RunData::Readings(rows) = &run.data {
            (section("phases", "Noted", "Averages over the whole phase, warm-up included.", html::table("Phases as noted", &noted(rows, degrees))))
        }
        @if !run.scores.is_empty() {
            (section("scores", "Scores", "", scores(&run)))
        }
        (section("findings", "Review", "", html::findings(&findings)))
    };
    Ok(Page {
        state,
        reader,
        title: run.name.clone(),
        place: "/runs",
        body,
    }
    .answer())
}

/// The run's chart; also of one that is left out, or still being recorded.
pub(crate) fn chart(
    state: &State,
    reader: &Reader,
    fields: &Fields,
) -> Result<RunOverTime, PageError> {
    let id = run_id(fields)?;
    let mut chart = state.with(|book| {
        let run = book.run(id)?;
        let whose = format!(
            "{} with {}",
            book.machine(run.machine)?.name,
            book.cooling(run.cooling)?.name
        );
        Ok(one_run(book, &whose, &run)?)
    })?;
    let end_s = chart.time_s.last().copied().unwrap_or(0.0);
    chart.shown_s = part(fields).filter(|(from, _)| *from < end_s);
    Ok(crate::degrees::run(chart, reader.degrees))
}

/// The part of the time that is asked for, s.
fn part(fields: &Fields) -> Option<(f64, f64)> {
    let mut read = FieldReader::new(fields, Degrees::Celsius);
    let from = read.number("from_min", 0.0..=1e7)?;
    let to = read.number("to_min", 0.0..=1e7)?;
    (to > from).then_some((60.0 * from, 60.0 * to))
}

fn part_address(fields: &Fields) -> String {
    super::query(&[
        ("id", fields.raw("id")),
        ("from_min", fields.raw("from_min")),
        ("to_min", fields.raw("to_min")),
    ])
}

fn part_form(fields: &Fields) -> Markup {
    let id = fields.raw("id");
    let input = |name, label| {
        html::Input {
            name,
            label,
            unit: "min",
            value: fields.raw(name),
            ..html::Input::default()
        }
        .show(&[])
    };
    html! {
        form .line.zoom method="get" action={ "/run/" (id) "#time" } {
            (input("from_min", "From"))
            (input("to_min", "to"))
            button type="submit" { "Show this part" }
            @if part(fields).is_some() { a href={ "/run/" (id) "#time" } { "All of it" } }
        }
    }
}

fn read(state: &State, run: &Run) -> Result<(SensorLog, Review), PageError> {
    let whole = state.with(|book| Ok(book.log(run.id)?))?;
    let (log, review) = analysed(&whole, run.room_c);
    Ok((log.into_owned(), review))
}

fn conditions(
    state: &State,
    run: &Run,
    setting: &Setting,
    degrees: Degrees,
) -> Result<Markup, PageError> {
    let (machine, cooling, workload, tune) = state.with(|book| {
        let tune = run
            .tune
            .and_then(|id| book.tunes().ok()?.into_iter().find(|t| t.id == id));
        Ok((
            book.machine(run.machine)?,
            book.cooling(run.cooling)?,
            book.workload(run.workload)?,
            tune,
        ))
    })?;
    let temp = |c: Option<f64>| c.map_or_else(|| NOTHING.to_owned(), |c| degrees.text(c, 1));
    let watts = |l| {
        let text = limit(l, 0);
        if text == NOTHING {
            text
        } else {
            format!("{text} W")
        }
    };
    Ok(html! {
        dl .pairs {
            dt { "Machine" } dd { (machine.name) }
            dt { "Cooling" } dd { (cooling.name) }
            @if let Some(tune) = tune { dt { "Tune" } dd { (tune.name) } }
            dt { "Workload" } dd { (workload.name) }
            dt { "Setting" } dd { (setting.name) }
            dt { "PL1" } dd .n { (watts(setting.pl1_w)) }
            dt { "PL2" } dd .n { (watts(setting.pl2_w)) }
            dt { "tau" } dd .n { (limit(setting.tau_s, 0)) @if setting.tau_s.value().is_some() { " s" } }
            dt { "Temperature limit" } dd .n { (temp(setting.temp_limit_c.value())) }
            @if let Some(fan) = words::fan(setting) { dt { "Fans" } dd { (fan) } }
            dt { "Room" } dd .n { (temp(run.room_c)) }
            @if let Some(m) = run.altitude_m { dt { "Altitude" } dd .n { (cell(Some(m), 0)) " m" } }
        }
    })
}

fn span(e: Option<Estimate>, decimals: usize) -> String {
    cell(e.map(|e| e.value), decimals)
}

pub(crate) fn phases(review: &Review, degrees: Degrees) -> Markup {
    let header = [
        "phase".to_owned(),
        "from s".into(),
        "to s".into(),
        "mean W".into(),
        format!("mean {}", degrees.unit()),
        format!("plateau {}", degrees.unit()),
        "90 %".into(),
        "rpm".into(),
        "settled".into(),
    ];
    let rows = review.phases.iter().map(|p| {
        let plateau = p.plateau.map(|x| degrees.estimate(x.temp_c));
        vec![
            words::phase(p.kind),
            cell(Some(p.start_s), 0),
            cell(Some(p.end_s), 0),
            span(p.power_w, 1),
            span(p.package_c.map(|e| degrees.estimate(e)), 1),
            span(plateau, 1),
            plateau.map_or_else(|| NOTHING.into(), |e| crate::number::range(e, 1)),
            span(p.fan_speed_rpm, 0),
            p.plateau
                .map_or(NOTHING, |x| if x.settled { "yes" } else { "no" })
                .to_owned(),
        ]
    });
    let table = Table {
        header: header.to_vec(),
        rows: rows.collect(),
    };
    html::table("Phases of the run", &table)
}

fn noted(rows: &[settlepoint_domain::PhaseReading], degrees: Degrees) -> Table {
    let shown = |c: Option<f64>| cell(c.map(|c| degrees.shown(c)), 1);
    Table {
        header: vec![
            "phase".into(),
            "s".into(),
            "W".into(),
            degrees.unit().into(),
            "rpm".into(),
            "dB(A)".into(),
            "MHz".into(),
        ],
        rows: rows
            .iter()
            .map(|r| {
                vec![
                    words::phase(r.phase),
                    cell(r.duration_s, 0),
                    cell(r.power_w, 1),
                    shown(r.package_c),
                    cell(r.fan_speed_rpm, 0),
                    cell(r.level_dba, 1),
                    cell(r.clock_mhz[0], 0),
                ]
            })
            .collect(),
    }
}

fn channels(log: &SensorLog) -> Markup {
    let table = super::dropped::column_table(log);
    html! { details { summary { (log.channels().len()) " columns, " (log.len()) " rows" } (html::table("Columns of the log", &table)) } }
}

fn scores(run: &Run) -> Markup {
    let table = Table {
        header: vec!["repetition".into(), "score".into(), "time".into()],
        rows: run
            .scores
            .iter()
            .map(|s| {
                vec![
                    s.repetition.to_string(),
                    score(s.value),
                    s.time.map_or_else(|| NOTHING.into(), |t| t.to_string()),
                ]
            })
            .collect(),
    };
    html::table("Scores of the run", &table)
}
