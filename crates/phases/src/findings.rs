//! What is wrong with a log, with the evidence and what to do.

mod background_load;
mod other_throttle;
mod room_drift;

use settlepoint_domain::{
    Averaging, Channel, Finding, Phase, PhaseKind, Role, SensorLog, Severity,
};

use crate::driver::{Driver, Source, power_channel};
use crate::say::{brief, to_decimals};
use crate::segment::{GAP_STEPS, gap_ends, range};
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
    findings.extend(interrupted(log, phases));
    findings.extend(not_settled(phases));
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

/// Loads that gaps cut: that there are gaps is told where the times are read, and what they mean
/// for the phases here.
fn interrupted(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    let time_s = log.time_s();
    let loads: Vec<usize> = gap_ends(time_s)
        .into_iter()
        .filter(|&row| {
            let ends = |p: &&Phase| p.end_row == row && p.kind.is_load();
            let begins = |p: &&Phase| p.first_row == row && p.kind.is_load();
            phases.iter().any(|p| ends(&p)) && phases.iter().any(|p| begins(&p))
        })
        .collect();
    let length_s = |row: usize| time_s[row] - time_s[row - 1];
    let longest = loads
        .iter()
        .copied()
        .max_by(|&a, &b| length_s(a).total_cmp(&length_s(b)))?;
    let many = match loads.len() {
        1 => "one load goes".to_owned(),
        n => format!("{n} loads go"),
    };
    Some(Finding::new(
        "gap_in_load",
        Severity::Note,
        format!(
            "{many} on behind a gap in the log (the longest, {} s, ends at {} s): what power and \
             temperature did meanwhile is unknown, and the phase is cut there",
            to_decimals(length_s(longest), 1),
            to_decimals(time_s[longest], 0)
        ),
        "trust the plateaus of these loads, not how fast they warmed",
    ))
}

/// Loads that had not settled: one finding however many there are, with the longest as example.
fn not_settled(phases: &[Phase]) -> Option<Finding> {
    let length_s = |p: &Phase| p.end_s - p.start_s;
    let loads: Vec<&Phase> = phases.iter().filter(|p| should_settle(p)).collect();
    let open: Vec<&Phase> = loads
        .iter()
        .copied()
        .filter(|p| !p.plateau.is_some_and(|plateau| plateau.settled))
        .collect();
    let longest = open
        .iter()
        .copied()
        .max_by(|a, b| length_s(a).total_cmp(&length_s(b)))?;
    let evidence = if open.len() == 1 {
        format!("{} had not settled; {}", stretch(longest), heading(longest))
    } else {
        format!(
            "{} of {} loads had not settled when they ended; the longest was {} and {}",
            open.len(),
            loads.len(),
            stretch(longest),
            heading(longest)
        )
    };
    Some(Finding::new(
        "not_settled",
        Severity::Warning,
        evidence,
        "run longer, at least three times the slowest time constant, or use the extrapolated \
         plateau with its interval",
    ))
}

/// Loads with enough readings to see whether they settled; a boost is not meant to.
fn should_settle(phase: &Phase) -> bool {
    let long = phase.end_row - phase.first_row >= 12;
    long && phase.kind.is_load() && phase.kind != PhaseKind::Boost && phase.package_c.is_some()
}

fn stretch(phase: &Phase) -> String {
    format!(
        "{} from {} to {} s, mean {} °C,",
        phase.kind,
        to_decimals(phase.start_s, 0),
        to_decimals(phase.end_s, 0),
        to_decimals(phase.package_c.map_or(f64::NAN, |e| e.value), 1)
    )
}

fn heading(phase: &Phase) -> String {
    match phase.plateau {
        Some(plateau) => format!(
            "it is heading for {} °C ({} to {})",
            to_decimals(plateau.temp_c.value, 1),
            to_decimals(plateau.temp_c.lo, 1),
            to_decimals(plateau.temp_c.hi, 1)
        ),
        None => "where it is heading cannot be told".to_owned(),
    }
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
        format!(
            ", {flags} {} flagged",
            if flags == 1 { "row" } else { "rows" }
        )
    } else {
        String::new()
    };
    let length_s: f64 = held.iter().map(|p| p.end_s - p.start_s).sum();
    Some(Finding::new(
        "throttled",
        Severity::Warning,
        format!(
            "held by temperature for {} s from {} s on, at {} °C{flagged}",
            to_decimals(length_s, 0),
            to_decimals(first.start_s, 0),
            to_decimals(first.package_c.map_or(f64::NAN, |e| e.value), 1)
        ),
        "lower the power limit, cool better, or read work and power here instead of temperature: \
         this plateau is the temperature limit's and not the cooling's",
    ))
}

fn room(log: &SensorLog, options: &Options) -> Option<Finding> {
    let logged = log.channel(Role::Room).is_some_and(|c| c.mean().is_some());
    let measured = log
        .channel(Role::Temperature)
        .is_some_and(|c| c.mean().is_some());
    if logged || options.room_c.is_some() || !measured {
        return None;
    }
    Some(Finding::new(
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
            // Of the channels of a role only the first is used: another part's may well stand still.
            let used = log
                .channel(c.role)
                .is_some_and(|first| std::ptr::eq(first, c));
            Finding::new(
                "stuck_sensor",
                if used {
                    Severity::Error
                } else {
                    Severity::Note
                },
                format!(
                    "'{}' reads {} in all {} rows while other channels move",
                    c.column,
                    brief(c.range().map_or(f64::NAN, |(lo, _)| lo)),
                    c.present().count()
                ),
                if used {
                    "check the sensor or choose another column"
                } else {
                    "check that sensor if its part should have warmed: nothing is read from it here"
                },
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
    Some(Finding::new(
        "aliased",
        Severity::Warning,
        format!(
            "single readings of '{}' scatter by {} % from {} to {} s, one unlike the next",
            power.column,
            to_decimals(100.0 * worst.0, 0),
            to_decimals(worst.1.start_s, 0),
            to_decimals(worst.1.end_s, 0)
        ),
        "trust means only, or log an energy counter: the load pulses faster than power was read",
    ))
}

fn quantised(power: &Channel) -> Option<Finding> {
    let step_w = power.resolution?;
    let mean_w = power.mean()?;
    // Two or three levels are the load's, not the meter's.
    let many = power.present().count() >= MANY_ROWS
        && power.range().is_some_and(|(lo, hi)| hi - lo > 2.5 * step_w);
    (step_w > 0.02 * mean_w.abs() && many).then(|| {
        Finding::new(
            "quantised_power",
            Severity::Note,
            format!(
                "'{}' moves in steps of {} W at a mean of {} W",
                power.column,
                brief(step_w),
                brief(mean_w)
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
    let values: Vec<(usize, f64)> = temperature.present().collect();
    // What changed across a gap says nothing of how often readings are taken.
    let near = |a: usize, b: usize| log.time_s()[b] - log.time_s()[a] <= GAP_STEPS * step_s;
    let largest = values
        .windows(2)
        .filter(|w| near(w[0].0, w[1].0))
        .map(|w| (w[1].1 - w[0].1).abs())
        .fold(0.0, f64::max);
    let hourly = step_s >= 60.0;
    let jumps = largest > 0.6 * (hi - lo) && hi - lo > 5.0 && values.len() >= 6;
    (log.time_known() && (hourly || jumps)).then(|| {
        Finding::new(
            "sampling_too_slow",
            Severity::Note,
            format!(
                "a reading every {} s; the largest step between two is {} K of a range of {} K",
                brief(step_s),
                to_decimals(largest, 1),
                to_decimals(hi - lo, 1)
            ),
            if step_s > 1.0 {
                "read at least once a second to see the fast part of the heating; plateaus are not \
                 affected"
            } else {
                "read more often to see the fast part of the heating; plateaus are not affected"
            },
        )
    })
}
