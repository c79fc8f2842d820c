//! The channel whose level says what the machine was doing.

use settlepoint_domain::{Averaging, Channel, Role, SensorLog, Unit};

use crate::segment;

/// What a driver was made of, the surest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Source {
    Power,
    Use,
    Clock,
    Temperature,
    None,
}

/// One value a row, missing ones filled from the row before; all 0 where only temperature (whose
/// swings are read otherwise) or nothing tells the phases.
#[derive(Clone, Debug)]
pub(crate) struct Driver {
    pub(crate) source: Source,
    pub(crate) values: Vec<f64>,
}

/// The first power channel with a reading, or else mean power (W) between readings of an energy
/// counter; a step over which the counter fell (a wrap, a reset) is missing.
pub fn power_channel(log: &SensorLog) -> Option<Channel> {
    log.channels()
        .iter()
        .find(|c| c.role == Role::Power && c.missing() < log.len())
        .cloned()
        .or_else(|| {
            log.channel(Role::Energy)
                .and_then(|c| power_of_energy(log, c))
        })
}

fn power_of_energy(log: &SensorLog, energy: &Channel) -> Option<Channel> {
    let mut values = vec![f64::NAN; log.len()];
    let mut last: Option<(f64, f64)> = None;
    for (row, total_j) in energy.present() {
        let t = log.time_s()[row];
        if let Some((t0, j0)) = last {
            // A counter that falls has wrapped or was reset: that step tells nothing.
            if t > t0 && total_j >= j0 {
                values[row] = (total_j - j0) / (t - t0);
            }
        }
        last = Some((t, total_j));
    }
    let any = values.iter().any(|v| !v.is_nan());
    any.then(|| Channel {
        role: Role::Power,
        unit: Unit::Watt,
        resolution: None,
        averaging: Averaging::Counter,
        values,
        ..energy.clone()
    })
}

impl Driver {
    pub(crate) fn of(log: &SensorLog) -> Self {
        let by_role = |role| log.channel(role).filter(|c| c.missing() < log.len());
        if let Some(power) = power_channel(log) {
            return Self::filled(Source::Power, &power.values);
        }
        for (role, source) in [(Role::Load, Source::Use), (Role::Clock, Source::Clock)] {
            if let Some(channel) = by_role(role).filter(|c| varies(c)) {
                return Self::filled(source, &channel.values);
            }
        }
        let source = if by_role(Role::Temperature).is_some() {
            Source::Temperature
        } else {
            Source::None
        };
        Self {
            source,
            values: vec![0.0; log.len()],
        }
    }

    fn filled(source: Source, values: &[f64]) -> Self {
        Self {
            source,
            values: held(values),
        }
    }
}

/// Use and clock tell load from idle only where they swing: by a fifth of full use, or a tenth of
/// the highest clock, without the outermost hundredths.
fn varies(channel: &Channel) -> bool {
    let highest = channel.range().map_or(0.0, |(_, hi)| hi);
    let least = if channel.unit == Unit::Share {
        0.2
    } else {
        0.1 * highest
    };
    segment::range(&channel.values) > least
}

fn held(values: &[f64]) -> Vec<f64> {
    let mut last = values.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
    values
        .iter()
        .map(|&v| {
            if !v.is_nan() {
                last = v;
            }
            last
        })
        .collect()
}
