//! A log of temperature alone: swings up and down, each cut into the moving part and the part
//! that has settled.

use settlepoint_domain::{Channel, PhaseKind, Role, SensorLog};

use crate::segment::{Segment, gap_ends};
use crate::{series, settle};

/// A swing is at least this share of the log's range of temperature, and this many K.
const SWING_SHARE: f64 = 0.2;
const SWING_K: f64 = 3.0;
/// A swing begins where the temperature leaves its extreme by this share of a least swing.
const LEAVES_SHARE: f64 = 0.5;

/// Rising swings end sustained, falling ones idle; without any swing nothing can be told.
pub(crate) fn kinds(log: &SensorLog) -> Vec<(Segment, PhaseKind)> {
    let whole = Segment {
        first: 0,
        end: log.len(),
    };
    let Some(temperature) = log.channel(Role::Temperature) else {
        return sections(log, &[whole])
            .map(|s| (s, PhaseKind::Unknown))
            .collect();
    };
    let (lo, hi) = temperature.range().unwrap_or((0.0, 0.0));
    let least_k = (SWING_SHARE * (hi - lo))
        .max(SWING_K)
        .max(3.0 * temperature.resolution.unwrap_or(0.0));
    let legs = legs(log, temperature, least_k);
    sections(log, &legs)
        .flat_map(|leg| cut(log, temperature, leg, least_k, (lo, hi)))
        .collect()
}

/// The legs cut at gaps.
fn sections<'a>(log: &SensorLog, legs: &'a [Segment]) -> impl Iterator<Item = Segment> + 'a {
    let gaps = gap_ends(log.time_s());
    legs.iter().flat_map(move |leg| {
        let inside = gaps
            .iter()
            .copied()
            .filter(|g| *g > leg.first && *g < leg.end);
        let mut cuts: Vec<usize> = std::iter::once(leg.first).chain(inside).collect();
        cuts.push(leg.end);
        cuts.windows(2)
            .map(|w| Segment {
                first: w[0],
                end: w[1],
            })
            .collect::<Vec<_>>()
    })
}

/// Stretches between turning points: a turn is seen when the temperature has moved `least_k` away
/// from its extreme, and placed where it left it.
fn legs(log: &SensorLog, temperature: &Channel, least_k: f64) -> Vec<Segment> {
    let mut turns = vec![0];
    let mut rising: Option<bool> = None;
    let mut values = without_spikes(temperature).into_iter();
    let Some((_, first)) = values.next() else {
        return vec![Segment {
            first: 0,
            end: log.len(),
        }];
    };
    let (mut low, mut high) = (Extreme::at(0, first), Extreme::at(0, first));
    for (row, value) in values {
        high.follow(
            row,
            value,
            value > high.value,
            value > high.value - LEAVES_SHARE * least_k,
        );
        low.follow(
            row,
            value,
            value < low.value,
            value < low.value + LEAVES_SHARE * least_k,
        );
        if rising != Some(false) && value < high.value - least_k {
            turns.push(high.last + 1);
            (rising, low) = (Some(false), Extreme::at(row, value));
        } else if rising != Some(true) && value > low.value + least_k {
            turns.push(low.last + 1);
            (rising, high) = (Some(true), Extreme::at(row, value));
        }
    }
    turns.push(log.len());
    turns.dedup();
    turns
        .windows(2)
        .filter(|w| w[1] > w[0])
        .map(|w| Segment {
            first: w[0],
            end: w[1],
        })
        .collect()
}

/// Readings with each replaced by the median of the five around it: one stray reading is no turn.
fn without_spikes(temperature: &Channel) -> Vec<(usize, f64)> {
    let present: Vec<(usize, f64)> = temperature.present().collect();
    (0..present.len())
        .map(|i| {
            let around = &present[i.saturating_sub(2)..(i + 3).min(present.len())];
            let values: Vec<f64> = around.iter().map(|(_, v)| *v).collect();
            (
                present[i].0,
                series::quantile(&values, 0.5).unwrap_or(present[i].1),
            )
        })
        .collect()
}

/// An extreme and the last row that was still near it.
struct Extreme {
    value: f64,
    last: usize,
}

impl Extreme {
    fn at(row: usize, value: f64) -> Self {
        Self { value, last: row }
    }

    fn follow(&mut self, row: usize, value: f64, beyond: bool, near: bool) {
        if beyond {
            self.value = value;
        }
        if beyond || near {
            self.last = row;
        }
    }
}

fn cut(
    log: &SensorLog,
    temperature: &Channel,
    leg: Segment,
    least_k: f64,
    (lo, hi): (f64, f64),
) -> Vec<(Segment, PhaseKind)> {
    let (time_s, temp_c) = leg.present(log, temperature);
    let rows: Vec<usize> = (leg.first..leg.end)
        .filter(|&row| temperature.value(row).is_some())
        .collect();
    let (Some(first), Some(last)) = (temp_c.first(), temp_c.last()) else {
        return vec![(leg, PhaseKind::Unknown)];
    };
    if hi - lo < least_k {
        return vec![(leg, PhaseKind::Unknown)];
    }
    let settled = if *last > 0.5 * (lo + hi) {
        PhaseKind::Sustained
    } else {
        PhaseKind::Idle
    };
    let moving = if last > first {
        PhaseKind::Transition
    } else {
        PhaseKind::CoolDown
    };
    match settle::settled_from(&time_s, &temp_c, temperature.resolution.unwrap_or(0.0)) {
        Some(0) => vec![(leg, settled)],
        Some(k) => vec![
            (
                Segment {
                    end: rows[k],
                    ..leg
                },
                moving,
            ),
            (
                Segment {
                    first: rows[k],
                    ..leg
                },
                settled,
            ),
        ],
        None => vec![(leg, moving)],
    }
}
