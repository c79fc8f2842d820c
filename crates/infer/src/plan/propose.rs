//! Runs that could be made, settings whose predictions count, and words for parameters.

use settlepoint_domain::{FanSetting, LimitValue, Setting};

use crate::choose::{Constraints, counted, label, watt_steps};
use crate::fit::CoolingFit;
use crate::forward::Conditions;
use crate::layout::Key;
use crate::predict::{Query, setting_of};

/// What may be set differently from run to run. The sustained power limit always may.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Vary {
    /// The temperature limit.
    pub temp_limit: bool,
    /// A ceiling on the fan's speed.
    pub fan: bool,
    /// The workload.
    pub workload: bool,
}

/// Settings of PL1 among which runs are sought, and over which the map is drawn.
const RUN_STEPS: usize = 9;
const MAP_STEPS: usize = 5;
/// A temperature limit below the highest one used, K under it.
const LOWER_LIMIT_K: f64 = 10.0;
/// Fan ceilings as shares of full speed.
const CEILINGS: [f64; 2] = [0.75, 0.5];

/// Runs that could be made in a room, the plainest first.
pub fn runs_to_make(fit: &CoolingFit, room_c: f64, altitude_m: f64, vary: Vary) -> Vec<Query> {
    let fans = fans(fit, vary.fan);
    let mut loads = loads(fit);
    if !vary.workload {
        loads.truncate(1);
    }
    let mut queries = Vec::new();
    for limit in limits(fit, vary.temp_limit) {
        for fan in &fans {
            for &workload in &loads {
                for pl1_w in steps(fit, RUN_STEPS) {
                    let pl2_w = highest_pl2_w(fit).map_or(pl1_w, |pl2| pl2.max(pl1_w));
                    queries.push(query(
                        fit,
                        workload,
                        [pl1_w, pl2_w],
                        limit,
                        fan.clone(),
                        room_c,
                        altitude_m,
                    ));
                }
            }
        }
    }
    queries
}

/// The map: all of the range of PL1, with and without a lower temperature limit, in all `rooms_c`.
pub fn everything(fit: &CoolingFit, rooms_c: &[f64], altitude_m: f64) -> Vec<Query> {
    let mut queries = Vec::new();
    for &room_c in rooms_c {
        for limit in limits(fit, true) {
            for workload in loads(fit) {
                for pl1_w in steps(fit, MAP_STEPS) {
                    queries.push(query(
                        fit,
                        workload,
                        [pl1_w, pl1_w],
                        limit,
                        FanSetting::AsFitted,
                        room_c,
                        altitude_m,
                    ));
                }
            }
        }
    }
    queries
}

/// The settings among which a choice under `constraints` is sought, for its first workload.
pub(super) fn options_of(fit: &CoolingFit, constraints: &Constraints) -> Vec<Query> {
    let Some(&workload) = counted(fit).first() else {
        return Vec::new();
    };
    let steps = watt_steps(highest_w(fit));
    let fans = fans(fit, constraints.noise_max_dba.is_some());
    let limit = limits(fit, false).first().copied().flatten();
    let mut queries = Vec::new();
    for fan in fans {
        for &pl1_w in &steps {
            queries.push(query(
                fit,
                workload,
                [pl1_w, pl1_w],
                limit,
                fan.clone(),
                constraints.room_c,
                constraints.altitude_m,
            ));
        }
    }
    queries
}

/// The fan as it is and, where its full speed is known, under ceilings.
fn fans(fit: &CoolingFit, ceilings: bool) -> Vec<FanSetting> {
    let full = fit.parameter(Key::FanFull).filter(|_| ceilings);
    let capped = full.into_iter().flat_map(|full| {
        CEILINGS.map(|share| FanSetting::Ceiling((full.value * share / 50.0).round() * 50.0))
    });
    std::iter::once(FanSetting::AsFitted)
        .chain(capped)
        .collect()
}

fn query(
    fit: &CoolingFit,
    workload: usize,
    [pl1_w, pl2_w]: [f64; 2],
    limit: Option<f64>,
    fan: FanSetting,
    room_c: f64,
    altitude_m: f64,
) -> Query {
    Query {
        workload,
        setting: Setting {
            tau_s: tau_s(fit),
            ..setting_of(
                label(pl1_w, pl2_w, limit, &fan),
                LimitValue::Value(pl1_w),
                LimitValue::Value(pl2_w),
                LimitValue::Unknown,
                limit.map_or(LimitValue::Unknown, LimitValue::Value),
                fan,
            )
        },
        conditions: Conditions {
            room_c,
            altitude_m,
            duration_s: fit.evidence.workloads[workload].duration_s,
        },
    }
}

fn tau_s(fit: &CoolingFit) -> LimitValue {
    let noted = fit
        .evidence
        .runs
        .iter()
        .find_map(|r| r.setting.tau_s.value());
    noted.map_or(LimitValue::Unknown, LimitValue::Value)
}

/// Workloads under load, the most weighty first.
fn loads(fit: &CoolingFit) -> Vec<usize> {
    counted(fit)
        .into_iter()
        .filter(|&w| !fit.evidence.workloads[w].idle)
        .collect()
}

fn highest_w(fit: &CoolingFit) -> f64 {
    let evidence = &fit.evidence;
    evidence
        .highest_limit_w()
        .or(evidence.highest_power_w(None))
        .unwrap_or(100.0)
}

fn highest_pl2_w(fit: &CoolingFit) -> Option<f64> {
    fit.evidence
        .runs
        .iter()
        .filter_map(|r| r.setting.pl2_w.value())
        .reduce(f64::max)
}

/// About `count` of the round steps of PL1, both ends among them, the highest first.
fn steps(fit: &CoolingFit, count: usize) -> Vec<f64> {
    let all = watt_steps(highest_w(fit));
    let count = count.min(all.len());
    let mut picked: Vec<f64> = (0..count)
        .map(|i| all[i * (all.len() - 1) / (count - 1).max(1)])
        .collect();
    picked.reverse();
    picked
}

/// The highest temperature limit that was used, and a lower one.
fn limits(fit: &CoolingFit, lower: bool) -> Vec<Option<f64>> {
    let top = fit
        .evidence
        .runs
        .iter()
        .filter_map(|r| r.setting.temp_limit_c.value())
        .reduce(f64::max);
    let mut limits = vec![top];
    if lower && let Some(top) = top {
        limits.push(Some(top - LOWER_LIMIT_K));
    }
    limits
}

/// How much a parameter matters when it is said what a run tells: 0 for those that have no plain
/// name.
pub(super) fn weight(key: Key) -> u8 {
    u8::from(!words(key).is_empty())
}

/// A parameter in plain words; empty for those that only make up for others.
pub(super) fn words(key: Key) -> &'static str {
    match key {
        Key::RiseAtStock => "how well the cooler carries heat away",
        Key::DieShare => "how much of the resistance lies before the fins",
        Key::NaturalShare | Key::FanExponent => "how cooling changes with fan speed",
        Key::CaseOffset | Key::IntakeWarming => "how warm the air at the cooler is",
        Key::SlowTime | Key::IntakeTime => "how slowly the heat sink warms",
        Key::FastTime => "how fast the die warms",
        Key::Demand(_) => "how much power the work asks for",
        Key::LeakShare => "how power grows with temperature",
        Key::LimitOffset => "how near its limit the firmware holds the temperature",
        Key::PowerRatio => "how near its limit the firmware holds the power",
        Key::TauRatio | Key::UnknownTau => "the averaging window of the power limit",
        Key::FanStart | Key::FanWidth | Key::FanFloor | Key::FanPiece(_) | Key::FanFull => {
            "the fan's curve"
        }
        Key::FanHysteresis => "how far the temperature must fall before the fan follows",
        Key::SoundFull | Key::SoundSlope | Key::BackgroundOffset => "noise against fan speed",
        Key::Rate(_) | Key::Exponent(_) | Key::Curvature(_) => "how work grows with watts",
        Key::HotSpot(_) | Key::HotSpotSlope => "how this work heats the die",
        Key::Clock(_) | Key::ClockExponent(_) => "how clocks grow with watts",
        Key::Room(_) => "the room of a run without a thermometer",
        Key::BaseShare
        | Key::IdlePower
        | Key::FanSmoothing
        | Key::Discrepancy(_)
        | Key::DiscrepancyScale
        | Key::ErrorScale(_) => "",
    }
}
