//! Runs as the notebook keeps them, turned into evidence.

use settlepoint_domain::{
    Estimate, Phase, PhaseKind, PhaseReading, Role, Run, RunData, SensorLog, Setting, Workload,
};

use crate::evidence::{Reading, RunEvidence, Span, Window};

// Errors of readings, one standard deviation. Judgement unless said; the calibration population
// uses the same sizes.
/// Offset of a temperature reading that a run shares, K.
const TEMP_OFFSET_K: f64 = 0.5;
/// Error of a mean temperature beside that, K.
const TEMP_K: f64 = 0.4;
/// Error of a boost's typed temperature, K: its ends and the sensor's lag are not known, and the
/// highest value is noted as often as the mean.
const BOOST_TEMP_K: f64 = 6.0;
/// Share of power.
const POWER_SHARE: f64 = 0.008;
/// Share of power in a boost, whose ends are not known.
const BOOST_POWER_SHARE: f64 = 0.02;
/// Share of fan speed.
const FAN_SHARE: f64 = 0.015;
/// Sound level, dB.
const LEVEL_DB: f64 = 0.6;
/// Share of a score: scatter and the law's own error.
const SCORE_SHARE: f64 = 0.006;
/// Length of a noted boost, as a share.
const BOOST_LENGTH_SHARE: f64 = 0.08;
/// Scatter of K/W from run to run.
const RUN_SCATTER: f64 = crate::fit::RUN_SCATTER;

/// Half a unit of the last digit given, spread evenly: `q / sqrt(12)`.
fn rounding_sd(value: f64) -> f64 {
    let step = if value.fract() == 0.0 { 1.0 } else { 0.1 };
    step / 12.0_f64.sqrt()
}

fn reading(value: f64, sds: &[f64]) -> Reading {
    Reading {
        value,
        sd: sds.iter().map(|s| s * s).sum::<f64>().sqrt(),
    }
}

fn power(value: f64, kind: PhaseKind) -> Reading {
    let share = if kind == PhaseKind::Boost {
        BOOST_POWER_SHARE
    } else {
        POWER_SHARE
    };
    reading(value, &[rounding_sd(value), share * value, 0.1])
}

fn temperature(value: f64, kind: PhaseKind, room_c: Option<f64>) -> Reading {
    let rise = (value - room_c.unwrap_or(22.0)).max(5.0);
    let own = if kind == PhaseKind::Boost {
        BOOST_TEMP_K
    } else {
        TEMP_K
    };
    reading(
        value,
        &[rounding_sd(value), TEMP_OFFSET_K, own, RUN_SCATTER * rise],
    )
}

/// The mean score of a run with its error.
fn mean_score(run: &Run) -> Option<Reading> {
    let n = run.scores.len() as f64;
    if run.scores.is_empty() {
        return None;
    }
    let mean = run.scores.iter().map(|s| s.value).sum::<f64>() / n;
    Some(Reading {
        value: mean,
        sd: mean.abs() * SCORE_SHARE,
    })
}

/// Evidence from a run with hand-typed averages.
///
/// A phase with a length covers just that time, from where the phases before it end; a phase
/// without one covers what the model makes of it. Cool-downs and transitions are not used.
pub fn from_readings(run: &Run, setting: &Setting, workload: &Workload) -> RunEvidence {
    let RunData::Readings(readings) = &run.data else {
        return blank(run, setting, workload);
    };
    let mut evidence = blank(run, setting, workload);
    let load: Vec<&PhaseReading> = readings.iter().filter(|r| is_load(r.phase)).collect();
    let noted: f64 = load.iter().filter_map(|r| r.duration_s).sum();
    let all_noted = load.iter().all(|r| r.duration_s.is_some()) && noted > 0.0;
    if all_noted {
        evidence.duration_s = noted;
    } else if noted > 0.0 && noted < workload.duration_s {
        evidence.duration_s = workload.duration_s;
    }
    let mut from_s = Some(0.0);
    for r in readings {
        let span = match (r.phase, from_s, r.duration_s) {
            (PhaseKind::Idle, _, _) => Span::Idle,
            (PhaseKind::CoolDown | PhaseKind::Transition, _, _) => continue,
            (_, Some(from), Some(length)) => {
                from_s = Some(from + length);
                Span::Between(from, from + length)
            }
            (PhaseKind::Boost, _, None) => {
                from_s = None;
                Span::WholeBoost
            }
            (_, Some(from), None) if from > 0.0 => Span::Between(from, evidence.duration_s),
            (_, _, None) if load.len() > 1 => Span::AfterBoost,
            (_, _, _) => Span::Between(0.0, evidence.duration_s),
        };
        if r.phase == PhaseKind::Boost && load.len() > 1 {
            evidence.boost_s = r.duration_s.map(|s| Reading {
                value: s,
                sd: 2.0 + BOOST_LENGTH_SHARE * s,
            });
        }
        evidence.windows.push(window_of(r, span, run.room_c));
    }
    evidence
}

fn is_load(kind: PhaseKind) -> bool {
    kind.is_load() || kind == PhaseKind::Unknown
}

fn window_of(r: &PhaseReading, span: Span, room_c: Option<f64>) -> Window {
    Window {
        power_w: r.power_w.map(|v| power(v, r.phase)),
        package_c: r.package_c.map(|v| temperature(v, r.phase, room_c)),
        fan_speed_rpm: r.fan_speed_rpm.map(|v| reading(v, &[FAN_SHARE * v, 5.0])),
        level_dba: r.level_dba.map(|v| reading(v, &[LEVEL_DB, rounding_sd(v)])),
        background_dba: r.background_dba,
        clock_mhz: r.clock_mhz.map(|c| c.map(|v| reading(v, &[0.005 * v]))),
        ..Window::blank(r.phase, span)
    }
}

fn blank(run: &Run, setting: &Setting, workload: &Workload) -> RunEvidence {
    RunEvidence {
        name: run.name.clone(),
        workload: 0,
        setting: setting.clone(),
        room_c: run.room_c,
        altitude_m: run.altitude_m.unwrap_or(0.0),
        duration_s: workload.duration_s,
        windows: Vec::new(),
        score: mean_score(run),
        boost_s: None,
    }
}

/// Evidence from a run with a log and its phases.
///
/// Where the load begins inside the log, from a settled idle, every stretch of it counts: the
/// warm-up is cut into windows that grow with time, so that its shape speaks about the time
/// constants. Where the log shows no beginning, only the settled end does.
pub fn from_log(
    run: &Run,
    setting: &Setting,
    workload: &Workload,
    log: &SensorLog,
    phases: &[Phase],
) -> RunEvidence {
    let mut evidence = blank(run, setting, workload);
    evidence.room_c = run.room_c.or_else(|| {
        log.channel(Role::Room)
            .and_then(settlepoint_domain::Channel::mean)
    });
    let room_c = evidence.room_c;
    let first_load = phases.iter().position(|p| is_load(p.kind));
    let last_load = phases.iter().rposition(|p| is_load(p.kind));
    let (Some(first), Some(last)) = (first_load, last_load) else {
        return evidence;
    };
    let begins = first > 0 && phases[first - 1].kind == PhaseKind::Idle;
    if begins {
        let idle = &phases[first - 1];
        evidence
            .windows
            .push(phase_window(log, idle, Span::Idle, room_c));
        let start_s = phases[first].start_s;
        evidence.duration_s = phases[last].end_s - start_s;
        for phase in &phases[first..=last] {
            push_stretches(&mut evidence, log, phase, start_s);
        }
        if last > first && phases[first].kind == PhaseKind::Boost {
            let length = phases[first].end_s - start_s;
            evidence.boost_s = Some(Reading {
                value: length,
                sd: 1.0 + 0.03 * length,
            });
        }
    } else {
        let window = settled_window(log, &phases[last], room_c);
        evidence.windows.push(window);
    }
    evidence
}

/// Cuts a load phase into stretches of 15, 30, 60 … seconds.
fn push_stretches(evidence: &mut RunEvidence, log: &SensorLog, phase: &Phase, start_s: f64) {
    let room_c = evidence.room_c;
    let mut from = phase.start_s;
    let mut length = 15.0;
    while from < phase.end_s - 1e-9 {
        let mut to = from + length;
        if to + 0.5 * length > phase.end_s {
            to = phase.end_s;
        }
        let rows = rows_between(log, from, to);
        if rows.1 > rows.0 {
            let span = Span::Between(from - start_s, to - start_s);
            let mut window = window_over(log, rows, phase.kind, span, room_c);
            // Stretches of one phase share their offset; together they count as a few readings.
            for reading in [&mut window.package_c, &mut window.power_w]
                .into_iter()
                .flatten()
            {
                reading.sd *= 1.6;
            }
            evidence.windows.push(window);
        }
        from = to;
        length *= 2.0;
    }
}

fn rows_between(log: &SensorLog, from_s: f64, to_s: f64) -> (usize, usize) {
    let t = log.time_s();
    (
        t.partition_point(|&x| x < from_s),
        t.partition_point(|&x| x < to_s),
    )
}

fn phase_window(log: &SensorLog, phase: &Phase, span: Span, room_c: Option<f64>) -> Window {
    window_over(
        log,
        (phase.first_row, phase.end_row),
        phase.kind,
        span,
        room_c,
    )
}

/// The settled end of a phase: its plateau where one was read, else the mean of its last third.
fn settled_window(log: &SensorLog, phase: &Phase, room_c: Option<f64>) -> Window {
    let third = (phase.end_row - phase.first_row).div_ceil(3).max(1);
    let rows = (phase.end_row - third, phase.end_row);
    let mut window = window_over(log, rows, phase.kind, Span::Settled, room_c);
    if let Some(plateau) = phase.plateau {
        let Estimate { value, lo, hi, .. } = plateau.temp_c;
        let mut reading = temperature(value, phase.kind, room_c);
        let plateau_sd = (hi - lo) / (2.0 * 1.645);
        reading.sd = reading.sd.hypot(plateau_sd);
        window.package_c = Some(reading);
    }
    window
}

fn window_over(
    log: &SensorLog,
    rows: (usize, usize),
    kind: PhaseKind,
    span: Span,
    room_c: Option<f64>,
) -> Window {
    let mean = |role| mean_over(log, role, rows);
    let mut window = Window::blank(kind, span);
    window.power_w = mean(Role::Power).map(|v| reading(v, &[POWER_SHARE * v, 0.1]));
    window.package_c = mean(Role::Temperature).map(|v| {
        let rise = (v - room_c.unwrap_or(22.0)).max(5.0);
        reading(v, &[TEMP_OFFSET_K, TEMP_K, RUN_SCATTER * rise])
    });
    window.fan_speed_rpm = mean(Role::FanSpeed).map(|v| reading(v, &[FAN_SHARE * v, 5.0]));
    window.level_dba = mean(Role::Level).map(|v| reading(v, &[LEVEL_DB]));
    window.clock_mhz[0] = mean(Role::Clock).map(|v| reading(v, &[0.005 * v]));
    window
}

fn mean_over(log: &SensorLog, role: Role, (from, to): (usize, usize)) -> Option<f64> {
    let channel = log.channel(role)?;
    let (n, sum) = (from..to)
        .filter_map(|i| channel.value(i))
        .fold((0_usize, 0.0), |(n, s), v| (n + 1, s + v));
    (n > 0).then(|| sum / n as f64)
}
