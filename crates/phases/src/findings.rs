//! What is wrong with a log, with the evidence and what to do.

mod background_load;
mod other_throttle;
mod room_drift;

use settlepoint_domain::{
    Averaging, Channel, Finding, Phase, PhaseKind, Role, SensorLog, Severity,
};

use crate::driver::{Driver, Source, power_channel};
use crate::segment::{gap_ends, range};
use crate::{Options, series};

/// Rows from which a channel that never changes is suspect.
const MANY_ROWS: usize = 30;

pub(crate) fn review(
    log: &SensorLog,
    options: &Options,
    driver: &Driver,
    phases: &[Phase],
) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    findings.extend(gaps(log));
    findings.extend(all_not_settled(phases));
    findings.extend(throttled(log, phases));
    findings.extend(other_throttle::find(log, phases));
    findings.extend(background_load::find(log, phases));
    findings.extend(room(log, options));
    findings.extend(room_drift::find(log));
    findings.extend(stuck(log, driver));
    findings.extend(power_channel(log).and_then(|power| aliased(&power, phases)));
    findings.extend(power_channel(log).and_then(|power| quantised(&power)));
    findings.extend(slow(log));
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    findings
}

fn finding(rule: &'static str, severity: Severity, evidence: String, remedy: &str) -> Finding {
    Finding {
        rule,
        severity,
        run: None,
        evidence,
        remedy: remedy.to_owned(),
    }
}

fn gaps(log: &SensorLog) -> Option<Finding> {
    let time_s = log.time_s();
    let ends = gap_ends(time_s);
    let longest = ends
        .iter()
        .copied()
        .max_by(|&a, &b| (time_s[a] - time_s[a - 1]).total_cmp(&(time_s[b] - time_s[b - 1])))?;
    let step_s = series::median_step_s(time_s)?;
    Some(finding(
        "gap",
        Severity::Note,
        format!(
            "{} gaps longer than {:.1} s (usual step {step_s:.3} s); the longest, {:.1} s, ends \
             at {:.1} s",
            ends.len(),
            crate::segment::GAP_STEPS * step_s,
            time_s[longest] - time_s[longest - 1],
            time_s[longest]
        ),
        "what happened in a gap is unknown and ends a phase; record without interruption where \
         time constants matter",
    ))
}

/// Phases named one by one; a long log's others are only counted.
const NAMED: usize = 5;

/// The longest phases that have not settled, and how many more there are.
fn all_not_settled(phases: &[Phase]) -> Vec<Finding> {
    let mut open: Vec<(f64, Finding)> = phases
        .iter()
        .filter_map(|p| not_settled(p).map(|finding| (p.end_s - p.start_s, finding)))
        .collect();
    open.sort_by(|a, b| b.0.total_cmp(&a.0));
    let others = open.len().saturating_sub(NAMED);
    let mut named: Vec<Finding> = open.into_iter().take(NAMED).map(|(_, f)| f).collect();
    if others > 0 {
        named.push(finding(
            "not_settled",
            Severity::Note,
            format!("{others} more, shorter phases had not settled"),
            "see the phases' plateaus",
        ));
    }
    named
}

fn not_settled(phase: &Phase) -> Option<Finding> {
    let long = phase.end_row - phase.first_row >= 12;
    if !(long && phase.kind.is_load() && phase.kind != PhaseKind::Boost) {
        return None;
    }
    let mean = phase.package_c?;
    let heading = match phase.plateau {
        Some(plateau) if plateau.settled => return None,
        Some(plateau) => format!(
            "it is heading for {:.1} °C ({:.1} to {:.1})",
            plateau.temp_c.value, plateau.temp_c.lo, plateau.temp_c.hi
        ),
        None => "where it is heading cannot be told".to_owned(),
    };
    Some(finding(
        "not_settled",
        Severity::Warning,
        format!(
            "{} from {:.0} to {:.0} s, mean {:.1} °C, had not settled; {heading}",
            phase.kind, phase.start_s, phase.end_s, mean.value
        ),
        "run longer, at least three times the slowest time constant, or use the extrapolated \
         plateau with its interval",
    ))
}

fn throttled(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    let held: Vec<&Phase> = phases
        .iter()
        .filter(|p| p.kind == PhaseKind::TempLimited)
        .collect();
    let first = held.first()?;
    let flags = log
        .channel(Role::Throttle)
        .map_or(0, |c| c.present().filter(|&(_, v)| v > 0.0).count());
    let flagged = if flags > 0 {
        format!(", {flags} rows flagged")
    } else {
        String::new()
    };
    let length_s: f64 = held.iter().map(|p| p.end_s - p.start_s).sum();
    Some(finding(
        "throttled",
        Severity::Warning,
        format!(
            "held by temperature for {length_s:.0} s from {:.0} s on, at {:.1} °C{flagged}",
            first.start_s,
            first.package_c.map_or(f64::NAN, |e| e.value)
        ),
        "this plateau is the temperature limit and not the cooling's: lower the power limit, cool \
         better, or read work and power here instead of temperature",
    ))
}

fn room(log: &SensorLog, options: &Options) -> Option<Finding> {
    let logged = log.channel(Role::Room).is_some_and(|c| c.mean().is_some());
    if logged || options.room_c.is_some() || log.channel(Role::Temperature).is_none() {
        return None;
    }
    Some(finding(
        "room_not_logged",
        Severity::Warning,
        "no channel holds the air at the intake".to_owned(),
        "log a sensor at the intake, or give the room's temperature when the log is added; K/W \
         and every prediction for another room depend on it",
    ))
}

fn stuck(log: &SensorLog, driver: &Driver) -> Vec<Finding> {
    let works = driver.source != Source::None && {
        let top = driver
            .values
            .iter()
            .copied()
            .fold(0.0_f64, |a, v| a.max(v.abs()));
        range(&driver.values) > 0.2 * top && top > 0.0
    };
    log.channels()
        .iter()
        .filter(|c| matches!(c.role, Role::Temperature | Role::Coolant | Role::Power))
        .filter(|c| is_stuck(log, c, works))
        .map(|c| {
            finding(
                "stuck_sensor",
                Severity::Error,
                format!(
                    "'{}' reads {} in all {} rows while other channels move",
                    c.column,
                    c.range().map_or(f64::NAN, |(lo, _)| lo),
                    c.present().count()
                ),
                "check the sensor or choose another column",
            )
        })
        .collect()
}

/// Never changes although the machine did.
fn is_stuck(log: &SensorLog, channel: &Channel, works: bool) -> bool {
    let still =
        channel.present().count() >= MANY_ROWS && channel.range().is_some_and(|(lo, hi)| lo >= hi);
    if channel.role != Role::Power {
        return still && works;
    }
    let swing = log.channel(Role::Temperature).and_then(Channel::range);
    let load = log.channel(Role::Load).and_then(Channel::range);
    let moved = load.is_some_and(|(lo, hi)| hi - lo > 0.3);
    still && moved && swing.is_some_and(|(lo, hi)| hi - lo > 5.0)
}

/// Readings of the moment that scatter widely and without memory within a level: the load pulses
/// faster than it was read.
fn aliased(power: &Channel, phases: &[Phase]) -> Option<Finding> {
    if power.averaging != Averaging::Instant {
        return None;
    }
    let worst = phases
        .iter()
        .filter(|p| p.kind.is_load() && p.end_row - p.first_row >= MANY_ROWS)
        .filter_map(|p| {
            let values: Vec<f64> = (p.first_row..p.end_row)
                .filter_map(|r| power.value(r))
                .collect();
            let (m, variance) = series::moments(&values);
            let next: f64 = values.windows(2).map(|w| (w[0] - m) * (w[1] - m)).sum();
            let lag1 = next / (variance * values.len() as f64).max(f64::MIN_POSITIVE);
            (lag1 < 0.3 && m > 0.0).then(|| (variance.sqrt() / m, p))
        })
        .filter(|(scatter, _)| *scatter > 0.08)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(finding(
        "aliased",
        Severity::Warning,
        format!(
            "single readings of '{}' scatter by {:.0} % from {:.0} to {:.0} s, one unlike the next",
            power.column,
            100.0 * worst.0,
            worst.1.start_s,
            worst.1.end_s
        ),
        "the load pulses faster than power was read: trust means only, or log an energy counter",
    ))
}

fn quantised(power: &Channel) -> Option<Finding> {
    let step_w = power.resolution?;
    let mean_w = power.mean()?;
    (step_w > 0.02 * mean_w.abs() && power.range().is_some_and(|(lo, hi)| hi > lo)).then(|| {
        finding(
            "quantised_power",
            Severity::Note,
            format!(
                "'{}' moves in steps of {step_w} W at a mean of {mean_w:.2} W",
                power.column
            ),
            "log power with more digits, or an energy counter",
        )
    })
}

/// Most of a temperature's jump falls between two readings.
fn slow(log: &SensorLog) -> Option<Finding> {
    let temperature = log.channel(Role::Temperature)?;
    let step_s = series::median_step_s(log.time_s())?;
    let (lo, hi) = temperature.range()?;
    let values: Vec<f64> = temperature.present().map(|(_, v)| v).collect();
    let largest = values
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .fold(0.0, f64::max);
    let hourly = step_s >= 60.0;
    let jumps = largest > 0.6 * (hi - lo) && hi - lo > 5.0 && values.len() >= 6;
    (log.time_known() && (hourly || jumps)).then(|| {
        finding(
            "sampling_too_slow",
            Severity::Note,
            format!(
                "a reading every {step_s:.3} s; the largest step between two is {largest:.1} K of \
                 a range of {:.1} K",
                hi - lo
            ),
            "read at least once a second to see the fast part of the heating; plateaus are not \
             affected",
        )
    })
}
