//! Charts of what was measured.

use settlepoint_domain::{
    Direction, LimitValue, Phase, PhaseKind, Role, Run, RunData, SensorLog, Setting,
};
use settlepoint_draw::{
    ActingStretch, Held, HeldOutPanel, HeldOutPoint, LimitLine, PhaseStretch, PredictedMeasured,
    Ranking, RankingColumn, RankingRow, RunOverTime, RunPanel, RunSeries, Stretch,
};
use settlepoint_infer::predict::HeldOut;
use settlepoint_notebook::Notebook;
use settlepoint_phases::Review;

use super::{ranged, whose};
use crate::ViewError;
use crate::averages::{averages, mean_score};
use crate::gather::{Gathered, analysed};

/// Power within this share of a limit is held by it.
const AT_LIMIT: f64 = 0.03;

/// One logged run over time, by name or id; the last logged one without.
///
/// # Errors
/// No such run, or one without a log.
pub fn run(
    book: &Notebook,
    gathered: &Gathered,
    name: Option<&str>,
) -> Result<RunOverTime, ViewError> {
    let runs = || gathered.runs.iter().map(|(run, _)| run);
    let own = match name {
        Some(name) => runs()
            .find(|r| r.name == name || r.id.to_string() == name)
            .ok_or_else(|| ViewError::Unknown(format!("there is no run '{name}' here")))?,
        None => runs()
            .rfind(|r| r.data == RunData::Log)
            .ok_or_else(|| no_log("no run here"))?,
    };
    one_run(book, &whose(gathered), own)
}

/// The log of a run over time, whoever's it is: `whose` names machine and cooling.
///
/// # Errors
/// A run without a log, or one that cannot be read.
pub fn one_run(book: &Notebook, whose: &str, own: &Run) -> Result<RunOverTime, ViewError> {
    if own.data != RunData::Log {
        return Err(no_log(&format!("run '{}'", own.name)));
    }
    let setting = book.setting(own.setting)?;
    let whole = book.log(own.id)?;
    let (log, review) = analysed(&whole, own.room_c);
    Ok(RunOverTime {
        title: own.name.clone(),
        subtitle: subtitle(whose, own, &setting),
        ..log_over_time(&log, &review, &setting)
    })
}

/// A log over time under a setting, without a title: also of one that is in no notebook yet.
pub fn log_over_time(log: &SensorLog, review: &Review, setting: &Setting) -> RunOverTime {
    RunOverTime {
        title: String::new(),
        subtitle: String::new(),
        time_s: log.time_s().to_vec(),
        shown_s: None,
        phases: review.phases.iter().map(phase_stretch).collect(),
        acting: review.phases.iter().map(|p| acting(p, setting)).collect(),
        panels: panels(log, setting),
    }
}

fn no_log(what: &str) -> ViewError {
    ViewError::Unknown(format!(
        "{what} has no log to draw over time; add one with 'settlepoint add log'"
    ))
}

fn subtitle(whose: &str, run: &Run, setting: &Setting) -> String {
    let room = run
        .room_c
        .map_or(String::new(), |room| format!(", {room:.0} °C room"));
    format!("{whose}, {}{room}", setting.name)
}

/// A phase for charts.
pub fn stretch(kind: PhaseKind) -> Stretch {
    match kind {
        PhaseKind::Idle => Stretch::Idle,
        PhaseKind::Boost => Stretch::Boost,
        PhaseKind::Sustained => Stretch::Sustained,
        PhaseKind::TempLimited => Stretch::TempLimited,
        PhaseKind::CoolDown => Stretch::CoolDown,
        PhaseKind::Transition => Stretch::Transition,
        PhaseKind::Unknown => Stretch::Unknown,
    }
}

fn phase_stretch(phase: &Phase) -> PhaseStretch {
    PhaseStretch {
        from_s: phase.start_s,
        to_s: phase.end_s,
        kind: stretch(phase.kind),
        label: phase.kind.token().replace('_', " "),
    }
}

/// What held a phase, as far as its mean power tells: a limit near it, the temperature limit where
/// the phase was recognised as held by it, else only which limit it stayed below.
fn acting(phase: &Phase, setting: &Setting) -> ActingStretch {
    let near = |limit: LimitValue| {
        let power = phase.power_w?.value;
        limit
            .value()
            .filter(|w| (power / w - 1.0).abs() <= AT_LIMIT)
    };
    let (held, label) = if phase.kind == PhaseKind::TempLimited {
        (Held::Temperature, "temperature limit".to_owned())
    } else if !phase.kind.is_load() {
        (Held::Demand, "the work itself".to_owned())
    } else if let Some(w) = near(setting.pl1_w) {
        (Held::Power, format!("PL1 {w:.0} W"))
    } else if let Some(w) = near(setting.pl2_w) {
        (Held::Power, format!("PL2 {w:.0} W"))
    } else {
        (Held::Unknown, stayed_below(phase, setting).to_owned())
    };
    ActingStretch {
        from_s: phase.start_s,
        to_s: phase.end_s,
        held,
        label,
    }
}

/// Below a limit may act the work itself, or a limit that is not watched.
fn stayed_below(phase: &Phase, setting: &Setting) -> &'static str {
    let power = phase.power_w.map(|e| e.value);
    let below = |limit: LimitValue| power.zip(limit.value()).is_some_and(|(p, w)| p < w);
    if below(setting.pl1_w) {
        "below PL1"
    } else if below(setting.pl2_w) {
        "below PL2"
    } else {
        "not known"
    }
}

fn panels(log: &SensorLog, setting: &Setting) -> Vec<RunPanel> {
    let limit = |limit: LimitValue, name: &str, unit: &str| {
        limit.value().map(|value| LimitLine {
            value,
            label: format!("{name} {value:.0} {unit}"),
        })
    };
    let power = [
        limit(setting.pl1_w, "PL1", "W"),
        limit(setting.pl2_w, "PL2", "W"),
    ];
    let heat = [limit(setting.temp_limit_c, "limit", "°C")];
    let groups: [(&str, &str, &[Role], Vec<LimitLine>); 5] = [
        (
            "Power",
            "W",
            &[Role::Power],
            power.into_iter().flatten().collect(),
        ),
        (
            "Temperature",
            "°C",
            &[Role::Temperature, Role::Coolant, Role::Room],
            heat.into_iter().flatten().collect(),
        ),
        ("Fan speed", "rpm", &[Role::FanSpeed], Vec::new()),
        ("Clock", "MHz", &[Role::Clock], Vec::new()),
        ("Level", "dB(A)", &[Role::Level], Vec::new()),
    ];
    groups
        .into_iter()
        .filter_map(|(name, unit, roles, limits)| {
            let series: Vec<RunSeries> = roles
                .iter()
                .filter_map(|role| {
                    let channel = log.channel(*role)?;
                    let values = (0..log.len()).map(|i| channel.value(i).unwrap_or(f64::NAN));
                    Some(RunSeries {
                        name: match role {
                            Role::Coolant => "coolant",
                            Role::Room => "room",
                            Role::Power | Role::Temperature => "package",
                            _ => name,
                        }
                        .to_owned(),
                        values: values.collect(),
                        band: None,
                    })
                })
                .collect();
            (!series.is_empty()).then(|| RunPanel {
                name: name.to_owned(),
                unit: unit.to_owned(),
                series,
                limits,
            })
        })
        .collect()
}

/// Runs by work, best first.
///
/// # Errors
/// A log that cannot be read, or no run.
pub fn ranking(book: &Notebook, gathered: &Gathered) -> Result<Ranking, ViewError> {
    if gathered.runs.is_empty() {
        return Err(ViewError::Empty);
    }
    let mut rows: Vec<(f64, RankingRow)> = Vec::new();
    for (run, evidence) in &gathered.runs {
        let workload = &gathered.workloads[evidence.workload];
        let own = averages(book, run)?;
        let best = gathered
            .runs
            .iter()
            .filter(|(_, e)| e.workload == evidence.workload)
            .filter_map(|(r, _)| rate(r, workload.direction))
            .fold(0.0, f64::max);
        let work = rate(run, workload.direction).map(|r| r / best);
        let row = RankingRow {
            label: run.name.clone(),
            note: format!("{}, {}", workload.name, evidence.setting.name),
            values: vec![
                work,
                own.plateau_c,
                own.power_w,
                own.fan_speed_rpm,
                own.level_dba,
            ],
            chosen: false,
        };
        rows.push((work.unwrap_or(f64::NEG_INFINITY), row));
    }
    rows.sort_by(|a, b| b.0.total_cmp(&a.0));
    let rooms = gathered.runs.iter().filter_map(|(r, _)| r.room_c);
    let room_c = rooms.reduce(f64::min);
    let from = room_c.map_or(String::new(), |room| {
        format!("; bars of temperature begin at the coolest room's {room:.0} °C")
    });
    let mut chart = Ranking {
        title: "Runs by work".into(),
        subtitle: whose(gathered) + &from,
        columns: [
            ("work", "of the best", 3, 0.0),
            ("settled", "°C", 1, room_c.unwrap_or(0.0)),
            ("power", "W", 1, 0.0),
            ("fan speed", "rpm", 0, 0.0),
            ("level", "dB(A)", 1, 0.0),
        ]
        .into_iter()
        .map(|(name, unit, decimals, bars_from)| RankingColumn {
            name: name.into(),
            unit: unit.into(),
            decimals,
            bars_from,
        })
        .collect(),
        rows: rows.into_iter().map(|(_, row)| row).collect(),
    };
    drop_blank_columns(&mut chart);
    Ok(chart)
}

/// What no run has noted takes no room.
fn drop_blank_columns(chart: &mut Ranking) {
    for place in (1..chart.columns.len()).rev() {
        if chart.rows.iter().all(|row| row.values[place].is_none()) {
            chart.columns.remove(place);
            for row in &mut chart.rows {
                row.values.remove(place);
            }
        }
    }
}

fn rate(run: &Run, direction: Direction) -> Option<f64> {
    let score = mean_score(run).filter(|s| *s > 0.0)?;
    Some(match direction {
        Direction::Higher => score,
        Direction::Lower => 1.0 / score,
    })
}

/// Each run under load predicted by a fit to all the others.
///
/// # Errors
/// Fewer than two such runs.
pub fn held_out(gathered: &Gathered) -> Result<PredictedMeasured, ViewError> {
    let loads: Vec<&Run> = gathered
        .runs
        .iter()
        .filter(|(_, e)| !gathered.workloads[e.workload].idle)
        .map(|(run, _)| run)
        .collect();
    if loads.len() < 2 {
        return Err(ViewError::Unknown(
            "to predict a run from the others takes at least two runs under load; add one".into(),
        ));
    }
    let mut found: Vec<HeldOut> = Vec::new();
    for own in &loads {
        let others: Vec<String> = gathered
            .runs
            .iter()
            .filter(|(run, _)| run.id != own.id)
            .map(|(run, _)| run.id.to_string())
            .collect();
        let (fit, rest) = gathered.fit(&others)?;
        found.extend(rest.into_iter().map(|run| fit.held_out(run)));
    }
    let panel = |name: &str, unit: &str, pick: &dyn Fn(&HeldOut) -> Option<HeldOutPoint>| {
        let points: Vec<HeldOutPoint> = found.iter().filter_map(pick).collect();
        (!points.is_empty()).then(|| HeldOutPanel {
            name: name.into(),
            unit: unit.into(),
            points,
        })
    };
    let point = |r: &HeldOut, e: Option<settlepoint_domain::Estimate>, m: Option<f64>| {
        Some(HeldOutPoint {
            label: r.name.clone(),
            measured: m?,
            predicted: ranged(e?),
        })
    };
    let panels = [
        panel("Temperature", "°C", &|r| {
            point(r, r.package_c, r.package_c_measured)
        }),
        panel("Power", "W", &|r| point(r, r.power_w, r.power_w_measured)),
        panel("Level", "dB(A)", &|r| {
            point(r, r.level_dba, r.level_dba_measured)
        }),
        panel("Work", "of the best", &|r| {
            point(r, r.work_rel, r.work_rel_measured)
        }),
    ];
    Ok(PredictedMeasured {
        title: "Each run predicted from the others".into(),
        subtitle: format!("{}; 90 % intervals for a new reading", whose(gathered)),
        panels: panels.into_iter().flatten().collect(),
    })
}
