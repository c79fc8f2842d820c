//! The choice: bounds and weights in, settings worth having and the one to use out.

use std::sync::Arc;

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_draw::{Table, TradeOff, plain};
use settlepoint_infer::choose::{Candidate, Choice, Constraints, acting_words, choose};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_views::charts::trade_off;

use super::{cooling_picker, download, hidden_pick, pick, query, warm_notice, words};
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::figure::{PLAIN, Sizes, csv, figure};
use crate::html::{self, Input, Page, Reader, section};
use crate::number::{Degrees, NOTHING, cell, limit, typed};
use crate::state::{State, Study};

/// Two axes of cost one below the other.
const TRADE: Sizes = Sizes {
    wide: (880.0, 560.0),
    narrow: (340.0, 640.0),
};

/// The bounds that a form or an address asks for; what cannot be read falls back and is said.
pub(crate) fn constraints(degrees: Degrees, fields: &Fields) -> (Constraints, Vec<Problem>) {
    let mut read = FieldReader::new(fields, degrees);
    let room_c = read.temperature("room", -60.0..=80.0).unwrap_or(30.0);
    let mut temp_max_c = read.temperature("temp_max", 0.0..=150.0);
    if temp_max_c.is_some_and(|max| max <= room_c) {
        let name = format!("temp_max_{}", degrees.suffix());
        read.problem(
            &name,
            "the highest temperature is not above the room's; give one well above it",
        );
        temp_max_c = None;
    }
    let own = Constraints {
        room_c,
        temp_max_c,
        altitude_m: read.number("altitude_m", -500.0..=9000.0).unwrap_or(0.0),
        confidence: read.number("confidence_pct", 50.0..=99.9).unwrap_or(95.0) / 100.0,
        noise_max_dba: read.number("noise_max_dba", -20.0..=140.0),
        noise_max_idle_dba: None,
        loss_max_pct: read.number("loss_max_pct", 0.0..=100.0).unwrap_or(10.0),
        wall_max_w: read.number("wall_max_w", 1.0..=20_000.0),
        rest_w: read.number("rest_w", 0.0..=5000.0).unwrap_or(60.0),
        supply_efficiency: read.number("supply_pct", 30.0..=100.0).unwrap_or(88.0) / 100.0,
    };
    (own, read.problems)
}

/// The fit with the hours that the form gives its workloads.
fn weighed(
    study: &Study,
    degrees: Degrees,
    fields: &Fields,
) -> Result<(CoolingFit, Vec<Problem>), PageError> {
    let mut fit = study.fit()?.clone();
    let mut read = FieldReader::new(fields, degrees);
    for (place, workload) in fit.evidence.workloads.iter_mut().enumerate() {
        if let Some(hours) = read.number(&hours_name(place), 0.0..=168.0) {
            workload.hours_per_week = Some(hours);
            workload.weight = None;
        }
    }
    Ok((fit, read.problems))
}

fn hours_name(place: usize) -> String {
    format!("hours_{}", place + 1)
}

/// Whether anything was asked yet.
fn asked(fields: &Fields) -> bool {
    fields.text("room_c").or(fields.text("room_f")).is_some()
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    let (constraints, mut problems) = constraints(reader.degrees, fields);
    let (fit, more) = weighed(&study, reader.degrees, fields)?;
    problems.extend(more);
    let answer = if asked(fields) && problems.is_empty() {
        let address = address(&constraints, &fit, &study, reader.degrees);
        let key = format!("choose {:?} {address}", reader.degrees);
        Some(study.answer(&key, || {
            let choice = choose(&fit, &constraints)?;
            Ok(answer(&study, &choice, &constraints, reader.degrees, &address).into_string())
        })?)
    } else {
        None
    };
    let body = html! {
        (warm_notice(&study))
        (cooling_picker(state, &study, "/choose")?)
        (section("ask", "Bounds", "Leave blank what does not matter. What has no bound is what is wanted: the fastest where noise is bounded, the quietest within the loss otherwise.", form(&study, &fit, &constraints, &problems, reader.degrees, fields)))
        @if let Some(answer) = &answer { (html::drawn(answer)) }
    };
    Ok(Page {
        state,
        reader,
        title: "Choose".into(),
        place: "/choose",
        body,
    }
    .answer())
}

fn address(c: &Constraints, fit: &CoolingFit, study: &Study, degrees: Degrees) -> String {
    let optional = |v: Option<f64>, decimals| v.map_or_else(String::new, |v| typed(v, decimals));
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let (room, temp) = (
        format!("room_{}", degrees.suffix()),
        format!("temp_max_{}", degrees.suffix()),
    );
    let hours: Vec<(String, String)> = fit
        .evidence
        .workloads
        .iter()
        .enumerate()
        .map(|(i, w)| (hours_name(i), optional(w.hours_per_week, 2)))
        .collect();
    let (machine, cooling) = (
        study.gathered.machine.id.to_string(),
        study.gathered.cooling.id.to_string(),
    );
    let values = [
        heat(c.room_c),
        c.temp_max_c.map_or_else(String::new, heat),
        typed(c.altitude_m, 0),
        typed(100.0 * c.confidence, 1),
        optional(c.noise_max_dba, 1),
        typed(c.loss_max_pct, 1),
        optional(c.wall_max_w, 0),
        typed(c.rest_w, 0),
        typed(100.0 * c.supply_efficiency, 0),
    ];
    let mut pairs: Vec<(&str, &str)> = vec![
        ("machine", &machine),
        ("cooling", &cooling),
        (&room, &values[0]),
        (&temp, &values[1]),
        ("altitude_m", &values[2]),
        ("confidence_pct", &values[3]),
        ("noise_max_dba", &values[4]),
        ("loss_max_pct", &values[5]),
        ("wall_max_w", &values[6]),
        ("rest_w", &values[7]),
        ("supply_pct", &values[8]),
    ];
    pairs.extend(hours.iter().map(|(n, v)| (n.as_str(), v.as_str())));
    query(&pairs)
}

fn form(
    study: &Study,
    fit: &CoolingFit,
    c: &Constraints,
    problems: &[Problem],
    degrees: Degrees,
    fields: &Fields,
) -> Markup {
    let optional = |v: Option<f64>, decimals| v.map_or_else(String::new, |v| typed(v, decimals));
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let (room, temp) = (
        format!("room_{}", degrees.suffix()),
        format!("temp_max_{}", degrees.suffix()),
    );
    let values = [
        heat(c.room_c),
        c.temp_max_c.map_or_else(String::new, heat),
        optional(c.noise_max_dba, 1),
        typed(c.loss_max_pct, 1),
        typed(100.0 * c.confidence, 1),
        typed(c.altitude_m, 0),
        optional(c.wall_max_w, 0),
        typed(c.rest_w, 0),
        typed(100.0 * c.supply_efficiency, 0),
    ];
    let field = |name, label, unit, value, hint| Input {
        name,
        label,
        unit,
        value,
        hint,
        ..Input::default()
    };
    let main = [
        Input {
            required: true,
            ..field(&room, "Hottest room", degrees.unit(), &values[0], "")
        },
        field(&temp, "Package at most", degrees.unit(), &values[1], ""),
        field("noise_max_dba", "Level at most", "dB(A)", &values[2], ""),
        field(
            "loss_max_pct",
            "Loss of work at most",
            "%",
            &values[3],
            "against the fastest setting",
        ),
    ];
    let more = [
        field(
            "confidence_pct",
            "Kept with probability",
            "%",
            &values[4],
            "of temperature and level",
        ),
        field("altitude_m", "Altitude", "m", &values[5], ""),
        field("wall_max_w", "At the wall at most", "W", &values[6], ""),
        field(
            "rest_w",
            "Rest of the machine",
            "W",
            &values[7],
            "drawn beside the package",
        ),
        field("supply_pct", "Supply's efficiency", "%", &values[8], ""),
    ];
    html! {
        (html::problems(problems))
        form .ask method="get" action="/choose" {
            (hidden_pick(fields))
            div .fields { @for input in &main { (input.show(problems)) } }
            (hours_fields(study, fit, problems))
            details open[problems.iter().any(|p| more.iter().any(|m| m.name == p.field))] {
                summary { "More bounds" }
                div .fields { @for input in &more { (input.show(problems)) } }
            }
            button .main type="submit" data-busy="Working it out …" { "Choose" }
        }
    }
}

fn hours_fields(study: &Study, fit: &CoolingFit, problems: &[Problem]) -> Markup {
    html! {
        @if study.gathered.workloads.len() > 1 {
            fieldset {
                legend { "Hours a week" }
                div .fields {
                    @for (i, w) in fit.evidence.workloads.iter().enumerate() {
                        @let (name, value) = (hours_name(i), w.hours_per_week.map_or_else(String::new, |h| typed(h, 2)));
                        (Input { name: &name, label: &w.name, unit: "h", value: &value, hint: if w.idle { "idle: only heat and level count" } else { "" }, ..Input::default() }.show(problems))
                    }
                }
            }
        }
    }
}

fn answer(
    study: &Study,
    choice: &Choice,
    constraints: &Constraints,
    degrees: Degrees,
    address: &str,
) -> Markup {
    let chart = crate::degrees::trade_off(trade_off(&study.gathered, choice, constraints), degrees);
    html! {
        (section("recommended", "Recommended", "", recommendation(choice, constraints, degrees)))
        (section("trade-off", "What each costs", "Only settings that no other beats in work, level and temperature at once.", html! {
            (figure(&chart, if chart.axes.len() > 1 { TRADE } else { PLAIN }, "/chart/trade-off", address))
        }))
        (section("report", "Report", "One file that opens offline and prints: what was measured, how, and this choice with its reasons.", html! {
            p { a href={ "/report.html?" (address) } download { "Download the report" } " · " a href={ "/report.html?anonymous=1&" (address) } download { "without names" } }
        }))
        (section("settings", "Settings worth having", "Fastest first.", html! {
            (html::table("Settings worth having", &settings_table(choice, degrees)))
            p .files { "File: " a href={ "/choose.csv?" (address) } download { "CSV" } " · " a href={ "/choose?" (address) } { "address of this choice" } }
        }))
    }
}

fn recommendation(choice: &Choice, constraints: &Constraints, degrees: Degrees) -> Markup {
    let Some(chosen) = choice.recommended else {
        return html! {
            p .lead { "No setting keeps all of this." }
            ul .reasons { @for r in &choice.reasons { li { (html::sentence(r)) } } }
        };
    };
    let own = &choice.settings[chosen];
    html! {
        p .recommended { (words::setting(&own.setting, degrees)) }
        ul .reasons {
            @for reason in own.reasons.iter().chain(&choice.reasons) { li { (html::sentence(reason)) } }
        }
        dl .pairs {
            @if let Some(i) = choice.quieter { dt { "Quieter or cooler" } dd { (neighbour(&choice.settings[i], degrees)) } }
            @if let Some(i) = choice.faster { dt { "Faster" } dd { (neighbour(&choice.settings[i], degrees)) } }
        }
        p { a href={ "/what-if?" (what_if_address(own, constraints, degrees)) } { "See it over time" } }
        p .caution { "Limits above the maker's can damage parts or void the warranty. Confirm the choice with one run under it." }
    }
}

fn what_if_address(own: &Candidate, c: &Constraints, degrees: Degrees) -> String {
    let s = &own.setting;
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| typed(v, 1));
    let heat = |v: Option<f64>| v.map_or_else(String::new, |v| typed(degrees.shown(v), 1));
    let fan = match s.fan {
        settlepoint_domain::FanSetting::Ceiling(rpm) => typed(rpm, 0),
        _ => String::new(),
    };
    let (limit_name, room_name) = (
        format!("limit_{}", degrees.suffix()),
        format!("room_{}", degrees.suffix()),
    );
    query(&[
        ("pl1_w", &number(s.pl1_w.value())),
        ("pl2_w", &number(s.pl2_w.value())),
        ("tau_s", &number(s.tau_s.value())),
        (&limit_name, &heat(s.temp_limit_c.value())),
        (&room_name, &heat(Some(c.room_c))),
        ("fan_max_rpm", &fan),
        ("altitude_m", &typed(c.altitude_m, 0)),
    ])
}

fn neighbour(c: &Candidate, degrees: Degrees) -> String {
    let Some(p) = c.predictions.first().map(|p| &p.sustained) else {
        return words::setting(&c.setting, degrees);
    };
    let level = p
        .level_dba
        .value()
        .map_or_else(String::new, |l| format!(", {} dB(A)", plain(l, 1)));
    format!(
        "{}: {}{level}, work {} % below the fastest",
        words::setting(&c.setting, degrees),
        degrees.text(p.package_c.value, 0),
        plain(c.loss_pct.max(0.0), 1)
    )
}

fn settings_table(choice: &Choice, degrees: Degrees) -> Table {
    let header = [
        String::new(),
        "PL1 W".into(),
        "PL2 W".into(),
        format!("limit {}", degrees.unit()),
        "fan to rpm".into(),
        degrees.unit().to_owned(),
        "90 %".into(),
        "W".into(),
        "dB(A)".into(),
        "loss %".into(),
        "held by".into(),
        "keeps all".into(),
    ];
    let rows = choice
        .settings
        .iter()
        .enumerate()
        .filter_map(|(i, c)| row(choice, i, c, degrees));
    Table {
        header: header.to_vec(),
        rows: rows.collect(),
    }
}

fn row(choice: &Choice, i: usize, c: &Candidate, degrees: Degrees) -> Option<Vec<String>> {
    let p = c.predictions.first()?;
    let s = &p.sustained;
    let mark = choice.mark(i);
    let heat = degrees.estimate(s.package_c);
    let fan = match c.setting.fan {
        settlepoint_domain::FanSetting::Ceiling(rpm) => typed(rpm, 0),
        _ => NOTHING.into(),
    };
    let temp_limit = c.setting.temp_limit_c.value();
    Some(vec![
        mark.to_owned(),
        limit(c.setting.pl1_w, 0),
        limit(c.setting.pl2_w, 0),
        cell(temp_limit.map(|t| degrees.shown(t)), 0),
        fan,
        plain(heat.value, 1),
        crate::number::range(heat, 0),
        plain(s.settled_power_w.value, 0),
        cell(s.level_dba.value(), 1),
        plain(c.loss_pct.max(0.0), 1),
        acting_words(p.acting_limit).to_owned(),
        if c.feasible { "yes" } else { "no" }.to_owned(),
    ])
}

fn made(
    state: &State,
    reader: &Reader,
    fields: &Fields,
) -> Result<(Arc<Study>, Choice, Constraints), PageError> {
    let study = state.study(&pick(fields))?;
    let (constraints, _) = constraints(reader.degrees, fields);
    let (fit, _) = weighed(&study, reader.degrees, fields)?;
    let choice = choose(&fit, &constraints)?;
    Ok((study, choice, constraints))
}

/// The chart as a file.
pub(crate) fn chart(
    state: &State,
    reader: &Reader,
    fields: &Fields,
) -> Result<TradeOff, PageError> {
    let (study, choice, constraints) = made(state, reader, fields)?;
    let chart = trade_off(&study.gathered, &choice, &constraints);
    Ok(crate::degrees::trade_off(chart, reader.degrees))
}

/// The settings as a file.
pub(crate) fn file(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let (_, choice, _) = made(state, reader, fields)?;
    let table = settings_table(&choice, reader.degrees);
    Ok(download(
        "settings.csv",
        "text/csv; charset=utf-8",
        csv(&table).into_bytes(),
    ))
}
