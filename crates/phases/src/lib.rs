//! Sensor logs to phases, plateaus and findings.
//!
//! [`analyse`] cuts a log where its power changes level (or, without power, its use or
//! clock, or the swings of temperature), names each stretch, reads its plateau and lists what is wrong with the
//! log. The phases tile the log: no gap, no overlap. Nothing here fails: a log that says nothing
//! is one phase of unknown kind.
//!
//! ```
//! use settlepoint_domain::{Averaging, Channel, PhaseKind, Role, SensorLog, Unit};
//! use settlepoint_phases::{Options, analyse};
//!
//! let channel = |role, unit, values| Channel {
//!     role, column: String::new(), column_number: 1, unit, part: "package".into(),
//!     reason: String::new(), resolution: Some(0.1), averaging: Averaging::Mean, values,
//! };
//! let time_s: Vec<f64> = (0..400).map(f64::from).collect();
//! let power_w: Vec<f64> = time_s.iter().map(|&t| if t < 100.0 { 12.0 } else { 90.0 }).collect();
//! let temp_c: Vec<f64> = time_s
//!     .iter()
//!     .map(|t| 32.0 + 40.0 * (1.0 - (-(t - 100.0_f64).max(0.0) / 20.0).exp()))
//!     .collect();
//! let log = SensorLog::new(None, time_s, true, vec![
//!     channel(Role::Power, Unit::Watt, power_w),
//!     channel(Role::Temperature, Unit::Celsius, temp_c),
//! ])?;
//! let review = analyse(&log, &Options::default());
//! let kinds: Vec<PhaseKind> = review.phases.iter().map(|p| p.kind).collect();
//! assert_eq!(kinds, [PhaseKind::Idle, PhaseKind::Sustained]);
//! let plateau = review.phases[1].plateau.expect("the load lasts fifteen time constants");
//! assert!(plateau.settled && (plateau.temp_c.value - 72.0).abs() < 0.1);
//! # Ok::<(), settlepoint_domain::LogError>(())
//! ```

mod classify;
mod condense;
mod driver;
mod findings;
mod say;
mod segment;
mod series;
mod settle;
mod swings;

use settlepoint_domain::{Channel, Estimate, Finding, Phase, PhaseKind, Plateau, Role, SensorLog};

pub use condense::condensed;
use driver::Driver;
pub use driver::power_channel;
use segment::Segment;

/// What is known beside the log.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Options {
    /// The room's temperature if the user gave it, °C.
    pub room_c: Option<f64>,
}

/// The phases of a log and what should be known about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    /// Phases in order of time; they tile the log.
    pub phases: Vec<Phase>,
    /// Findings, the worst first.
    pub findings: Vec<Finding>,
}

/// Cuts a log into phases and reviews it.
pub fn analyse(log: &SensorLog, options: &Options) -> Review {
    let driver = Driver::of(log);
    let segments = segment::segments(log, &driver);
    let segments = classify::classify(log, &driver, &segments);
    let phases: Vec<Phase> = (0..segments.len())
        .map(|i| phase(log, &segments, i))
        .collect();
    let findings = findings::review(log, options, &driver, &phases);
    Review { phases, findings }
}

fn phase(log: &SensorLog, segments: &[(Segment, PhaseKind)], i: usize) -> Phase {
    let (segment, kind) = segments[i];
    let time_s = log.time_s();
    let last = time_s[time_s.len() - 1];
    let mean_of = |role| log.channel(role).and_then(|c| mean(log, c, segment));
    Phase {
        kind,
        first_row: segment.first,
        end_row: segment.end,
        start_s: time_s[segment.first],
        end_s: time_s.get(segment.end).copied().unwrap_or(last),
        power_w: driver::power_channel(log).and_then(|c| mean(log, &c, segment)),
        package_c: mean_of(Role::Temperature),
        fan_speed_rpm: mean_of(Role::FanSpeed),
        plateau: plateau(log, segment, kind),
    }
}

fn mean(log: &SensorLog, channel: &Channel, segment: Segment) -> Option<Estimate> {
    let (_, values) = segment.present(log, channel);
    series::mean(&values, channel.resolution.unwrap_or(0.0))
}

fn plateau(log: &SensorLog, segment: Segment, kind: PhaseKind) -> Option<Plateau> {
    let channel = log.channel(Role::Temperature)?;
    let (time_s, temp_c) = segment.present(log, channel);
    let resolution_k = channel.resolution.unwrap_or(0.0);
    match kind {
        // By definition still moving: a settled tail, if any, is the phase after it.
        PhaseKind::CoolDown | PhaseKind::Transition => {
            settle::heading(&time_s, &temp_c, resolution_k)
        }
        _ => settle::plateau(&time_s, &temp_c, resolution_k),
    }
}
