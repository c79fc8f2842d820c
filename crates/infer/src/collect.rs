//! Runs as the notebook keeps them, turned into evidence.

use settlepoint_domain::{
    Estimate, Phase, PhaseKind, PhaseReading, Role, Run, RunData, SensorLog, Setting, Workload,
};

use crate::evidence::{Reading, RunEvidence, Span, Window};

// Errors of readings, one standard deviation. Judgement unless said; the calibration population
// uses the same sizes.
/// Offset of a run's temperature readings over its room, K: half a kelvin each for the sensor and
/// for the room's thermometer.
const TEMP_OFFSET_K: f64 = 0.7;
/// Error of a mean temperature beside that, K.
const TEMP_K: f64 = 0.4;
/// Share of the rise by which the ladder's shape may be wrong at the start of a load, and the time
/// in which that fades, s: four nodes stand for a continuum.
const WARM_UP_SHARE: f64 = 0.04;
const WARM_UP_S: f64 = 40.0;
/// Error of a boost's typed temperature, K: its ends and the sensor's lag are not known, and the
/// highest value is noted as often as the mean.
const BOOST_TEMP_K: f64 = 6.0;
/// Gain of a run's power readings.
const POWER_SHARE: f64 = 0.008;
/// Error of a logged mean power beside that, as a share.
const POWER_OWN_SHARE: f64 = 0.003;
/// Share of power in a boost, whose ends are not known.
const BOOST_POWER_SHARE: f64 = 0.02;
/// Gain of a run's fan speeds, and the error of one beside that.
const FAN_GAIN: f64 = 0.01;
const FAN_SHARE: f64 = 0.02;
/// Wandering of a fan's speed at equal temperature, rpm: a curve's hysteresis and the slow speed
/// reading near its floor.
const FAN_RPM: f64 = 25.0;
/// Offset of a run's sound levels, and the error of one beside that, dB.
const LEVEL_OFFSET_DB: f64 = 0.5;
const LEVEL_DB: f64 = 0.35;
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

fn root_sum(sds: &[f64]) -> f64 {
    sds.iter().map(|s| s * s).sum::<f64>().sqrt()
}

fn reading(value: f64, own: &[f64], shared: &[f64]) -> Reading {
    let shared_sd = root_sum(shared);
    Reading {
        value,
        sd: root_sum(own).hypot(shared_sd),
        shared_sd,
    }
}

fn power(value: f64, kind: PhaseKind) -> Reading {
    let own = if kind == PhaseKind::Boost {
        BOOST_POWER_SHARE
    } else {
        0.0
    };
    reading(
        value,
        &[rounding_sd(value), own * value, 0.1],
        &[POWER_SHARE * value],
    )
}

fn rise_k(value: f64, room_c: Option<f64>) -> f64 {
    (value - room_c.unwrap_or(22.0)).max(5.0)
}

fn temperature(value: f64, kind: PhaseKind, room_c: Option<f64>) -> Reading {
    let own = if kind == PhaseKind::Boost {
        BOOST_TEMP_K
    } else {
        TEMP_K
    };
    reading(
        value,
        &[rounding_sd(value), own],
        &[TEMP_OFFSET_K, RUN_SCATTER * rise_k(value, room_c)],
    )
}

fn fan_speed(value: f64) -> Reading {
    reading(value, &[FAN_SHARE * value, FAN_RPM], &[FAN_GAIN * value])
}

/// The mean score of a run with its error.
fn mean_score(run: &Run) -> Option<Reading> {
    let n = run.scores.len() as f64;
    if run.scores.is_empty() {
        return None;
    }
    let mean = run.scores.iter().map(|s| s.value).sum::<f64>() / n;
    // One score a run: its whole error is the run's.
    Some(reading(mean, &[], &[mean.abs() * SCORE_SHARE]))
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
            (kind, Some(from), Some(length)) => {
                from_s = Some(from + length);
                if from == 0.0 && kind == PhaseKind::Sustained && at_limit(r, setting) {
                    Span::AfterBoost
                } else {
                    Span::Between(from, from + length)
                }
            }
            (PhaseKind::Boost, _, None) => {
                from_s = None;
                Span::WholeBoost
            }
            (_, Some(from), None) if from > 0.0 => Span::Between(from, evidence.duration_s),
            (_, _, None) if load.len() > 1 => Span::AfterBoost,
            (PhaseKind::Sustained, _, None) if at_limit(r, setting) => Span::AfterBoost,
            (_, _, _) => Span::Between(0.0, evidence.duration_s),
        };
        if r.phase == PhaseKind::Boost && load.len() > 1 {
            evidence.boost_s = r
                .duration_s
                .map(|s| Reading::new(s, 2.0 + BOOST_LENGTH_SHARE * s));
        }
        evidence.windows.push(window_of(r, span, run.room_c));
    }
    evidence
}

/// Highest mean power over PL1 that holds no boost.
const NO_BOOST: f64 = 1.01;

/// Whether a sustained average from the start on leaves out a boost that the limits allow: a mean that
/// held one would lie above PL1.
fn at_limit(r: &PhaseReading, setting: &Setting) -> bool {
    let (pl1, pl2) = (setting.pl1_w.value(), setting.pl2_w.value());
    match (r.power_w, pl1) {
        (Some(power), Some(pl1)) => {
            power <= NO_BOOST * pl1 && pl2.is_none_or(|pl2| pl2 > NO_BOOST * pl1)
        }
        _ => false,
    }
}

fn is_load(kind: PhaseKind) -> bool {
    kind.is_load() || kind == PhaseKind::Unknown
}

fn window_of(r: &PhaseReading, span: Span, room_c: Option<f64>) -> Window {
    Window {
        power_w: r.power_w.map(|v| power(v, r.phase)),
        package_c: r.package_c.map(|v| temperature(v, r.phase, room_c)),
        fan_speed_rpm: r.fan_speed_rpm.map(fan_speed),
        level_dba: r
            .level_dba
            .map(|v| reading(v, &[LEVEL_DB, rounding_sd(v)], &[LEVEL_OFFSET_DB])),
        background_dba: r.background_dba,
        clock_mhz: r
            .clock_mhz
            .map(|c| c.map(|v| reading(v, &[0.005 * v], &[]))),
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
    let phases = &loads_named(phases, setting);
    let first_load = phases.iter().position(|p| is_load(p.kind));
    let last_load = phases.iter().rposition(|p| is_load(p.kind));
    let (Some(first), Some(last)) = (first_load, last_load) else {
        return evidence;
    };
    if let Some(idle) = idle_before(phases, first) {
        evidence
            .windows
            .push(phase_window(log, idle, Span::Idle, room_c));
        let start_s = idle.end_s;
        evidence.duration_s = phases[last].end_s - start_s;
        for phase in &phases[first..=last] {
            push_stretches(&mut evidence, log, phase, start_s);
        }
        if last > first && phases[first].kind == PhaseKind::Boost {
            let length = phases[first].end_s - start_s;
            evidence.boost_s = Some(Reading::new(length, 1.0 + 0.03 * length));
        }
    } else {
        let window = settled_window(log, &phases[last], room_c);
        evidence.windows.push(window);
    }
    evidence
}

/// Share of the sustained limit from which a phase after the load's start is part of the load.
const AT_LIMIT: f64 = 0.93;
/// Power of a boost over what follows, at least.
const BOOST_OVER: f64 = 1.05;

/// The phases with those at the sustained limit named as load.
///
/// A log alone cannot tell a low limit after a high boost from idling; the setting can. Without
/// this a run at a third of its boost power would end with the boost, and its score, which covers
/// the whole run, would be held against the boost's watts.
fn loads_named(phases: &[Phase], setting: &Setting) -> Vec<Phase> {
    let mut phases = phases.to_vec();
    let Some((pl1_w, first)) = setting
        .pl1_w
        .value()
        .zip(phases.iter().position(|p| is_load(p.kind)))
    else {
        return phases;
    };
    let power_w = |p: &Phase| p.power_w.map(|e| e.value);
    let mut cut = None;
    for (i, phase) in phases.iter_mut().enumerate().skip(first + 1) {
        let held = power_w(phase).is_some_and(|w| w > AT_LIMIT * pl1_w);
        if held && matches!(phase.kind, PhaseKind::Idle | PhaseKind::CoolDown) {
            phase.kind = PhaseKind::Sustained;
            cut = cut.or(Some(i));
        }
    }
    if let Some(i) = cut.filter(|&i| phases[i - 1].kind == PhaseKind::Sustained) {
        let higher = power_w(&phases[i - 1]).zip(power_w(&phases[i]));
        if higher.is_some_and(|(before, after)| before > BOOST_OVER * after) {
            phases[i - 1].kind = PhaseKind::Boost;
        }
    }
    phases
}

/// The idle phase from which the load begins, with at most a short passage between.
fn idle_before(phases: &[Phase], first_load: usize) -> Option<&Phase> {
    let before = |back: usize| first_load.checked_sub(back).and_then(|i| phases.get(i));
    let direct = before(1)?;
    if direct.kind == PhaseKind::Transition {
        return before(2).filter(|p| p.kind == PhaseKind::Idle);
    }
    Some(direct).filter(|p| p.kind == PhaseKind::Idle)
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
            if let Some(r) = &mut window.package_c {
                let fading = (-(from - start_s) / WARM_UP_S).exp();
                r.sd = r.sd.hypot(WARM_UP_SHARE * fading * rise_k(r.value, room_c));
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
    window.power_w =
        mean(Role::Power).map(|v| reading(v, &[0.1, POWER_OWN_SHARE * v], &[POWER_SHARE * v]));
    window.package_c = mean(Role::Temperature).map(|v| {
        let scatter = RUN_SCATTER * rise_k(v, room_c);
        reading(v, &[TEMP_K], &[TEMP_OFFSET_K, scatter])
    });
    window.fan_speed_rpm = mean(Role::FanSpeed).map(fan_speed);
    window.level_dba = mean(Role::Level).map(|v| reading(v, &[LEVEL_DB], &[LEVEL_OFFSET_DB]));
    // Idle clocks are the governor's, not the work's.
    if kind != PhaseKind::Idle {
        window.clock_mhz[0] = mean(Role::Clock).map(|v| reading(v, &[0.005 * v], &[]));
    }
    window
}

fn mean_over(log: &SensorLog, role: Role, (from, to): (usize, usize)) -> Option<f64> {
    let channel = log.channel(role)?;
    let (n, sum) = (from..to)
        .filter_map(|i| channel.value(i))
        .fold((0_usize, 0.0), |(n, s), v| (n + 1, s + v));
    (n > 0).then(|| sum / n as f64)
}
