//! Any other setting, in any room: a form, the course over time, the summary. With script the
//! form's numbers have sliders and the answer follows them.

use axum::response::{Html, IntoResponse as _, Response};
use maud::{Markup, html};
use settlepoint_domain::{Estimate, FanSetting, Figure, LimitValue, Setting};
use settlepoint_draw::{
    ActingStretch, Chart, LimitLine, Look, PAGE, PhaseStretch, RunOverTime, RunPanel, RunSeries,
    Table,
};
use settlepoint_infer::choose::acting_words;
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::layout::Key;
use settlepoint_infer::predict::{Prediction, Query, setting_of};
use settlepoint_infer::timeline::TimeCourse;

use super::{cooling_picker, pick, query, warm_notice, words};
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::figure::{Sizes, figure};
use crate::html::{self, Input, Page, Reader, section, select};
use crate::number::{Degrees, NOTHING, range, typed};
use crate::state::{State, Study};

/// Draws behind a page that stays.
const DRAWS: usize = 200;
/// Draws behind what is shown while a slider moves: a band's ends move by a tenth of its width. Long
/// runs, of which each draw takes as long as ten short ones, have fewer.
const DRAWS_LIVE: usize = 32;
const DRAWS_LIVE_LONG: usize = 20;
/// From here on a run is long, min.
const LONG_MIN: f64 = 60.0;
/// Stretches of the course: one a step of the picture.
const STRETCHES: usize = 300;
const STRETCHES_LIVE: usize = 120;
/// Columns to which lines are reduced while a slider moves.
const COLUMNS: u32 = 600;

/// What is asked, with every blank filled in.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Question {
    pub(crate) workload: usize,
    pub(crate) setting: Setting,
    pub(crate) room_c: f64,
    pub(crate) altitude_m: f64,
    pub(crate) minutes: f64,
    pub(crate) problems: Vec<Problem>,
}

impl Question {
    fn query(&self) -> Query {
        Query {
            workload: self.workload,
            setting: self.setting.clone(),
            conditions: Conditions {
                room_c: self.room_c,
                altitude_m: self.altitude_m,
                duration_s: 60.0 * self.minutes,
            },
        }
    }
}

/// Limits of the run with the most watts: where the sliders begin.
fn usual(fit: &CoolingFit) -> Setting {
    let watts = |s: &Setting| s.pl1_w.value().unwrap_or(0.0);
    let settings = fit.evidence.runs.iter().map(|r| &r.setting);
    settings
        .max_by(|a, b| watts(a).total_cmp(&watts(b)))
        .cloned()
        .unwrap_or_else(|| {
            let none = LimitValue::Unknown;
            setting_of("", none, none, none, none, FanSetting::AsFitted)
        })
}

/// Reads the question; what is blank is as in the run with the most watts, in a room as warm as the
/// runs'.
pub(crate) fn question(
    study: &Study,
    degrees: Degrees,
    fields: &Fields,
) -> Result<Question, PageError> {
    let fit = study.fit()?;
    let workload = study.gathered.workload(fields.text("workload"))?;
    let base = usual(fit);
    let rooms = fit.evidence.runs.iter().filter_map(|r| r.room_c);
    let altitudes = fit.evidence.runs.iter().map(|r| r.altitude_m);
    let first = fields.0.iter().all(|(name, _)| !is_question(name));
    let mut read = FieldReader::new(fields, degrees);
    let or_base = |given: LimitValue, usual: LimitValue| if first { usual } else { given };
    let pl1_w = or_base(read.limit("pl1_w", 0.1..=5000.0), base.pl1_w);
    let pl2_w = or_base(read.limit("pl2_w", 0.1..=5000.0), base.pl2_w);
    let tau_s = or_base(read.limit("tau_s", 0.0..=86_400.0), base.tau_s);
    let temp_limit_c = or_base(
        read.limit_temperature("limit", 0.0..=200.0),
        base.temp_limit_c,
    );
    let room_c = read
        .temperature("room", -60.0..=80.0)
        .or_else(|| rooms.reduce(f64::max))
        .unwrap_or(22.0);
    let altitude_m = read
        .number("altitude_m", -500.0..=9000.0)
        .or_else(|| altitudes.reduce(f64::max))
        .unwrap_or(0.0);
    let minutes = read
        .number("minutes", 0.1..=1440.0)
        .unwrap_or(study.gathered.workloads[workload].duration_s / 60.0);
    let fan = match read.number("fan_max_rpm", 1.0..=50_000.0) {
        Some(_) if fit.parameter(Key::FanFull).is_none() => {
            read.problem(
                "fan_max_rpm",
                "no run has a fan speed in rpm, so a ceiling in rpm means nothing yet",
            );
            FanSetting::AsFitted
        }
        Some(rpm) => FanSetting::Ceiling(rpm),
        None => FanSetting::AsFitted,
    };
    let mut setting = setting_of("asked", pl1_w, pl2_w, tau_s, temp_limit_c, fan);
    if setting
        .temp_limit_c
        .value()
        .is_some_and(|limit| limit <= room_c)
    {
        let field = format!("limit_{}", degrees.suffix());
        read.problem(
            &field,
            "the limit is not above the room, so no power could be held",
        );
        setting.temp_limit_c = LimitValue::Unknown;
    }
    Ok(Question {
        workload,
        setting,
        room_c,
        altitude_m,
        minutes,
        problems: read.problems,
    })
}

/// Fields that make up a question; without any of them the page begins with what is usual.
fn is_question(name: &str) -> bool {
    [
        "pl1_w", "pl2_w", "tau_s", "limit_c", "limit_f", "room_c", "room_f",
    ]
    .contains(&name)
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    let own = question(&study, reader.degrees, fields)?;
    let fit = study.fit()?;
    let (prediction, course) = fit.predict_over_time(&own.query(), DRAWS, STRETCHES);
    let chart = course_chart(&study, &own, &course, reader.degrees);
    let address = address(&own, &study, reader.degrees);
    let body = html! {
        (warm_notice(&study))
        (cooling_picker(state, &study, "/what-if")?)
        div .what-if data-live="/what-if/live" {
            (section("ask", "Setting and room", "Blank is not limited. Limits also take the words automatic and unlimited.", form(&study, &own, reader.degrees, fields)?))
            (section("answer", "What happens", "Medians and 90 % intervals over all machines that the runs allow for.", html! {
                div data-part="summary" aria-live="polite" { (summary(&prediction, &own, fit, reader.degrees)) }
            }))
            (section("course", "Over time", "Bands hold 90 %. Phases and what holds the power are those of the most probable course.", html! {
                div data-part="picture" { (figure(&chart, sizes(&chart), "/chart/what-if", &address)) }
            }))
        }
        p .files { "This question: " a href={ "/what-if?" (address) } { "address to keep" } }
    };
    Ok(Page {
        state,
        reader,
        title: "What if".into(),
        place: "/what-if",
        body,
    }
    .answer())
}

/// The answer alone, for the script: fewer draws, long lines reduced.
pub(crate) fn live(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    let own = question(&study, reader.degrees, fields)?;
    let fit = study.fit()?;
    let still = fields.ticked("still");
    let (draws, stretches) = if still {
        (DRAWS, STRETCHES)
    } else if own.minutes > LONG_MIN {
        (DRAWS_LIVE_LONG, STRETCHES_LIVE)
    } else {
        (DRAWS_LIVE, STRETCHES_LIVE)
    };
    let (prediction, course) = fit.predict_over_time(&own.query(), draws, stretches);
    let chart = course_chart(&study, &own, &course, reader.degrees);
    let mut read = FieldReader::new(fields, reader.degrees);
    let width = read.number("width", 240.0..=2000.0).unwrap_or(880.0);
    let height = if width < 600.0 {
        sizes(&chart).narrow.1
    } else {
        sizes(&chart).wide.1
    };
    let look = Look::new(width, height, &PAGE)
        .untitled()
        .reduced_to(COLUMNS);
    let address = address(&own, &study, reader.degrees);
    let body = html! {
        div data-part="summary" { (summary(&prediction, &own, fit, reader.degrees)) }
        div data-part="picture" data-address=(address) data-title=(chart.title) data-subtitle=(chart.subtitle) { (html::drawn(&chart.draw(&look).svg)) }
        @if still { div data-part="table" { (html::table(chart.title(), &chart.table())) } }
    };
    Ok(Html(body.into_string()).into_response())
}

fn sizes(chart: &RunOverTime) -> Sizes {
    let height = 120.0 + 130.0 * chart.panels.len() as f64;
    Sizes {
        wide: (880.0, height),
        narrow: (340.0, height + 40.0),
    }
}

/// The chart as a file.
pub(crate) fn chart(
    state: &State,
    reader: &Reader,
    fields: &Fields,
) -> Result<Box<dyn Chart>, PageError> {
    let study = state.study(&pick(fields))?;
    let own = question(&study, reader.degrees, fields)?;
    let (_, course) = study
        .fit()?
        .predict_over_time(&own.query(), DRAWS, STRETCHES);
    Ok(Box::new(course_chart(
        &study,
        &own,
        &course,
        reader.degrees,
    )))
}

/// The question as the query of an address.
fn address(own: &Question, study: &Study, degrees: Degrees) -> String {
    let limit = |l: LimitValue| limit_text(l, 2);
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let fan = match own.setting.fan {
        FanSetting::Ceiling(rpm) => typed(rpm, 0),
        _ => String::new(),
    };
    let (limit_name, room_name) = (
        format!("limit_{}", degrees.suffix()),
        format!("room_{}", degrees.suffix()),
    );
    let temp_limit = own.setting.temp_limit_c;
    let temp_limit = temp_limit.value().map_or_else(|| limit(temp_limit), heat);
    query(&[
        ("machine", &study.gathered.machine.id.to_string()),
        ("cooling", &study.gathered.cooling.id.to_string()),
        ("workload", &study.gathered.workloads[own.workload].name),
        ("pl1_w", &limit(own.setting.pl1_w)),
        ("pl2_w", &limit(own.setting.pl2_w)),
        ("tau_s", &limit(own.setting.tau_s)),
        (&limit_name, &temp_limit),
        ("fan_max_rpm", &fan),
        (&room_name, &heat(own.room_c)),
        ("altitude_m", &typed(own.altitude_m, 0)),
        ("minutes", &typed(own.minutes, 2)),
    ])
}

/// Fields of the form, with the ends of their sliders.
struct FormField {
    name: String,
    label: &'static str,
    unit: &'static str,
    value: String,
    slider: Option<(f64, f64, f64)>,
    hint: &'static str,
}

/// Watts between which the sliders go: the highest PL1 and PL2 that were set.
fn most_watts(fit: &CoolingFit) -> (f64, f64) {
    let evidence = &fit.evidence;
    let most = evidence
        .highest_limit_w()
        .or(evidence.highest_power_w(None))
        .unwrap_or(150.0);
    let boosts = evidence.runs.iter().filter_map(|r| r.setting.pl2_w.value());
    (most, boosts.reduce(f64::max).unwrap_or(most))
}

/// A limit as a field shows it.
fn limit_text(l: LimitValue, decimals: usize) -> String {
    match l {
        LimitValue::Unknown => String::new(),
        LimitValue::Value(v) => typed(v, decimals),
        other => other.to_string(),
    }
}

/// The limits of power.
fn power_fields(own: &Question, fit: &CoolingFit) -> Vec<FormField> {
    let (most, boost) = most_watts(fit);
    let rounded = |w: f64| (w / 5.0).ceil() * 5.0;
    let least = (most / 4.0).floor();
    let field = |name: &str, label, unit, value, slider, hint| FormField {
        name: name.to_owned(),
        label,
        unit,
        value: limit_text(value, 1),
        slider: Some(slider),
        hint,
    };
    let setting = &own.setting;
    let pl1 = (least, rounded(most), 1.0);
    let pl2 = (least, rounded(boost), 1.0);
    vec![
        field("pl1_w", "PL1", "W", setting.pl1_w, pl1, "what stays"),
        field(
            "pl2_w",
            "PL2",
            "W",
            setting.pl2_w,
            pl2,
            "what the boost may draw",
        ),
        field(
            "tau_s",
            "tau",
            "s",
            setting.tau_s,
            (1.0, 128.0, 1.0),
            "window of PL1",
        ),
    ]
}

/// Heat, room and time.
fn other_fields(own: &Question, fit: &CoolingFit, degrees: Degrees) -> Vec<FormField> {
    let heat = |c: f64| typed(degrees.shown(c), 1);
    let slider = |lo: f64, hi: f64| (degrees.shown(lo).round(), degrees.shown(hi).round(), 1.0);
    let named = |stem: &str| format!("{stem}_{}", degrees.suffix());
    let field = |name: String, label, unit, value, slider, hint| FormField {
        name,
        label,
        unit,
        value,
        slider,
        hint,
    };
    let temp_limit = own.setting.temp_limit_c;
    let limit = temp_limit
        .value()
        .map_or_else(|| limit_text(temp_limit, 0), heat);
    let full = fit.parameter(Key::FanFull).map(|e| e.value);
    let fan = match own.setting.fan {
        FanSetting::Ceiling(rpm) => typed(rpm, 0),
        _ => String::new(),
    };
    let speeds = full.map(|f| {
        (
            (f * 0.3 / 50.0).round() * 50.0,
            (f / 50.0).ceil() * 50.0,
            10.0,
        )
    });
    let fan_hint = match full {
        Some(_) => "",
        None => "needs a run with its fan speed noted",
    };
    let (altitude, minutes) = (typed(own.altitude_m, 0), typed(own.minutes, 2));
    let unit = degrees.unit();
    vec![
        field(
            named("limit"),
            "Temperature limit",
            unit,
            limit,
            Some(slider(60.0, 105.0)),
            "",
        ),
        field(
            named("room"),
            "Room",
            unit,
            heat(own.room_c),
            Some(slider(5.0, 45.0)),
            "",
        ),
        field(
            "altitude_m".into(),
            "Altitude",
            "m",
            altitude,
            Some((0.0, 3000.0, 50.0)),
            "",
        ),
        field(
            "fan_max_rpm".into(),
            "Fan ceiling",
            "rpm",
            fan,
            speeds,
            fan_hint,
        ),
        field(
            "minutes".into(),
            "Length",
            "min",
            minutes,
            Some((1.0, 60.0, 1.0)),
            "",
        ),
    ]
}

fn form(
    study: &Study,
    own: &Question,
    degrees: Degrees,
    fields: &Fields,
) -> Result<Markup, PageError> {
    let fit = study.fit()?;
    let mut list = power_fields(own, fit);
    list.extend(other_fields(own, fit, degrees));
    let names: Vec<(String, String)> = study
        .gathered
        .workloads
        .iter()
        .map(|w| (w.name.clone(), w.name.clone()))
        .collect();
    let show = |f: &FormField| {
        let input = Input {
            name: &f.name,
            label: f.label,
            unit: f.unit,
            value: &f.value,
            hint: f.hint,
            slider: f.slider,
            ..Input::default()
        };
        input.show(&own.problems)
    };
    Ok(html! {
        (html::problems(&own.problems))
        form .ask method="get" action="/what-if" {
            (super::hidden_pick(fields))
            div .fields {
                (select("workload", "Workload", &names, &study.gathered.workloads[own.workload].name))
                @for field in &list { (show(field)) }
            }
            button .main type="submit" { "Predict" }
        }
        (beyond(own, most_watts(fit).0))
    })
}

/// A word of caution above what was ever set on this machine.
fn beyond(own: &Question, most: f64) -> Markup {
    let above = own.setting.pl1_w.value().is_some_and(|w| w > most * 1.001);
    html! {
        @if above {
            p .caution { "This PL1 is above every limit that these runs had (" (typed(most, 0)) " W). Stay within what the maker allows; the prediction is carried on beyond what was measured." }
        }
    }
}

fn summary(p: &Prediction, own: &Question, fit: &CoolingFit, degrees: Degrees) -> Markup {
    let s = &p.sustained;
    let settled = degrees.estimate(s.package_c);
    let row = |name: &str, e: Estimate, decimals: usize, unit: &str| {
        html! { tr { th scope="row" { (name) } td .n { (settlepoint_draw::plain(e.value, decimals)) } td .unit { (unit) } td .n.ends { (range(e, decimals)) } } }
    };
    let maybe = |name: &str, f: &Figure, decimals: usize, unit: &str| match f {
        Figure::Known(e) => row(name, *e, decimals, unit),
        Figure::Unknown { needs } => {
            html! { tr { th scope="row" { (name) } td colspan="3" .needs { "not known; needs " (needs) } } }
        }
    };
    let work = match p.work_rel.estimate() {
        Some(e) => Figure::Known(e.affine(100.0, 0.0)),
        None => p.work_rel.clone(),
    };
    html! {
        p .lead {
            "Settles at " strong .n { (settlepoint_draw::plain(settled.value, 1)) " " (degrees.unit()) }
            " and " strong .n { (settlepoint_draw::plain(s.settled_power_w.value, 1)) " W" }
            ", held by " strong { (acting_words(p.acting_limit)) } "."
        }
        table .figures {
            caption .unseen { "The answer in figures" }
            thead { tr { th scope="col" { "" } th scope="col" .n { "likely" } th scope="col" { span .unseen { "unit" } } th scope="col" .n { "90 %" } } }
            tbody {
                @if let Some(b) = &p.boost {
                    tr .group { th scope="rowgroup" colspan="4" { "Boost" } }
                    (row("lasts", b.duration_s, 0, "s"))
                    (row("power", b.power_w, 0, "W"))
                    (row("package, mean", degrees.estimate(b.package_c), 1, degrees.unit()))
                }
                tr .group { th scope="rowgroup" colspan="4" { "What stays" } }
                (row("package", settled, 1, degrees.unit()))
                (row("power, settled", s.settled_power_w, 1, "W"))
                @if differs(s.power_w, s.settled_power_w) { (row("power, mean after the boost", s.power_w, 1, "W")) }
                (maybe("fan speed", &s.fan_speed_rpm, 0, "rpm"))
                (maybe("level", &s.level_dba, 1, "dB(A)"))
                @for (i, clock) in s.clock_mhz.iter().enumerate() { (maybe(if i == 0 { "clock" } else { "clock, second kind" }, clock, 0, "MHz")) }
                tr .group { th scope="rowgroup" colspan="4" { "Over the whole run" } }
                (maybe("work", &work, 1, if fit.best_rate(own.workload).is_some() { "% of the best score" } else { "% (no score yet)" }))
                tr { th scope="row" { "temperature limit acts" } td .n { (settlepoint_draw::plain(100.0 * p.p_temp_limit, 0)) } td .unit { "% likely" } td {} }
            }
        }
        p .basis { "Basis: " strong { (s.package_c.basis) } (basis_words(s.package_c.basis)) }
        @if !p.notes.is_empty() { ul .notes { @for note in &p.notes { li { (html::sentence(note)) } } } }
    }
}

fn basis_words(basis: settlepoint_domain::Basis) -> &'static str {
    use settlepoint_domain::Basis::{Assumed, Extrapolated, Interpolated, Measured};
    match basis {
        Measured => ", this very setting was run.",
        Interpolated => ", between settings that were run.",
        Extrapolated => ", beyond what was run. Make one run under it before relying on it.",
        Assumed => ", mostly from what is usual.",
    }
}

fn differs(a: Estimate, b: Estimate) -> bool {
    (a.value - b.value).abs() > 0.005 * b.value
}

/// The course as a chart: power, temperature, fan speed, level.
fn course_chart(
    study: &Study,
    own: &Question,
    course: &TimeCourse,
    degrees: Degrees,
) -> RunOverTime {
    let chart = RunOverTime {
        title: format!(
            "{} under {}",
            study.gathered.workloads[own.workload].name,
            words::setting(&own.setting, degrees)
        ),
        subtitle: format!(
            "{} with {}, {} room; predicted, 90 % bands",
            study.gathered.machine.name,
            study.gathered.cooling.name,
            degrees.text(own.room_c, 0)
        ),
        time_s: course.time_s.clone(),
        shown_s: Some((0.0, 60.0 * own.minutes)),
        phases: course
            .phases
            .iter()
            .map(|&(kind, from_s, to_s)| PhaseStretch {
                from_s,
                to_s,
                kind: settlepoint_views::charts::stretch(kind),
                label: words::phase(kind),
            })
            .collect(),
        acting: course
            .acting
            .iter()
            .map(|&(limit, from_s, to_s)| {
                let (held, label) = words::held(limit);
                ActingStretch {
                    from_s,
                    to_s,
                    held,
                    label: label.to_owned(),
                }
            })
            .collect(),
        panels: panels(own, course),
    };
    crate::degrees::run(chart, degrees)
}

fn panels(own: &Question, course: &TimeCourse) -> Vec<RunPanel> {
    let line = |limit: LimitValue, name: &str, unit: &str| {
        limit.value().map(|value| LimitLine {
            value,
            label: format!("{name} {value:.0} {unit}"),
        })
    };
    let power = [
        line(own.setting.pl1_w, "PL1", "W"),
        line(own.setting.pl2_w, "PL2", "W"),
    ];
    let heat = line(own.setting.temp_limit_c, "limit", "°C");
    let share: Vec<Estimate> = course
        .fan_share
        .iter()
        .map(|e| e.affine(100.0, 0.0))
        .collect();
    let fan = if course.fan_speed_rpm.is_empty() {
        panel("Fan speed", "% of full", &share, Vec::new())
    } else {
        panel("Fan speed", "rpm", &course.fan_speed_rpm, Vec::new())
    };
    let mut panels = vec![
        panel(
            "Power",
            "W",
            &course.power_w,
            power.into_iter().flatten().collect(),
        ),
        panel(
            "Package",
            "°C",
            &course.package_c,
            heat.into_iter().collect(),
        ),
        fan,
    ];
    if !course.level_dba.is_empty() {
        panels.push(panel("Level", "dB(A)", &course.level_dba, Vec::new()));
    }
    panels
}

fn panel(name: &str, unit: &str, values: &[Estimate], limits: Vec<LimitLine>) -> RunPanel {
    RunPanel {
        name: name.to_owned(),
        unit: unit.to_owned(),
        series: vec![RunSeries {
            name: "likely".to_owned(),
            values: values.iter().map(|e| e.value).collect(),
            band: Some((
                values.iter().map(|e| e.lo).collect(),
                values.iter().map(|e| e.hi).collect(),
            )),
        }],
        limits,
    }
}

/// The summary as a table for a file.
pub(crate) fn summary_table(p: &Prediction, degrees: Degrees) -> Table {
    let s = &p.sustained;
    let row = |name: &str, e: Option<Estimate>, unit: &str| {
        let text = |v: Option<f64>| v.map_or_else(|| NOTHING.to_owned(), |v| typed(v, 2));
        vec![
            name.to_owned(),
            text(e.map(|e| e.value)),
            text(e.map(|e| e.lo)),
            text(e.map(|e| e.hi)),
            unit.to_owned(),
        ]
    };
    let header = ["quantity", "likely", "lower", "upper", "unit"];
    Table {
        header: header.map(str::to_owned).to_vec(),
        rows: vec![
            row("boost lasts", p.boost.as_ref().map(|b| b.duration_s), "s"),
            row("boost power", p.boost.as_ref().map(|b| b.power_w), "W"),
            row(
                "package",
                Some(degrees.estimate(s.package_c)),
                degrees.unit(),
            ),
            row("power settled", Some(s.settled_power_w), "W"),
            row("fan speed", s.fan_speed_rpm.estimate(), "rpm"),
            row("level", s.level_dba.estimate(), "dB(A)"),
            row("work", p.work_rel.estimate(), "of the best"),
        ],
    }
}

/// `/what-if.csv`.
pub(crate) fn file(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    let own = question(&study, reader.degrees, fields)?;
    let prediction = study.fit()?.predict(&own.query(), DRAWS);
    let table = summary_table(&prediction, reader.degrees);
    Ok(super::download(
        "what-if.csv",
        "text/csv; charset=utf-8",
        crate::figure::csv(&table).into_bytes(),
    ))
}
