//! What each stretch is.

use settlepoint_domain::{PhaseKind, Role, SensorLog, Unit};

use crate::driver::{Driver, Source};
use crate::segment::{Segment, gap_ends};
use crate::{series, settle, swings};

/// A boost lasts no longer than this, s: power windows of firmware are of tens of seconds.
const BOOST_S: f64 = 180.0;
/// Power of a boost over what follows, at least.
const BOOST_OVER: f64 = 1.05;
/// Idle is below this share of the highest level.
const IDLE_BELOW: f64 = 0.45;
/// ... and the next level up is higher by at least this factor.
const IDLE_STEP: f64 = 1.5;
/// A load draws at least this share of the highest level, that of a boost included.
const LOAD_ABOVE: f64 = 0.15;
/// Nearness to the highest temperature of the log, or to a limit, that counts as being at it, K.
const AT_TOP_K: f64 = 2.5;
/// Share of flagged rows from which a stretch counts as throttled.
const FLAGGED: f64 = 0.03;

type Kinds = Vec<(Segment, PhaseKind)>;

/// Names the stretches; some are cut further (cooling before idle, free before throttled).
pub(crate) fn classify(log: &SensorLog, driver: &Driver, segments: &[Segment]) -> Kinds {
    if driver.source == Source::None {
        return segments.iter().map(|s| (*s, PhaseKind::Unknown)).collect();
    }
    if driver.source == Source::Temperature {
        return swings::kinds(log);
    }
    let levels: Vec<f64> = segments.iter().map(|s| mean(&driver.values, *s)).collect();
    let idle_below = idle_threshold(driver, &levels);
    let kinds: Kinds = (0..segments.len())
        .map(|i| (segments[i], by_level(log, segments, &levels, idle_below, i)))
        .collect();
    let kinds = cut_throttled(log, driver, kinds);
    cut_cooling(log, joined(log, kinds))
}

/// A load held by temperature is one phase however its power or clock varies.
fn joined(log: &SensorLog, kinds: Kinds) -> Kinds {
    let gaps = gap_ends(log.time_s());
    let mut out: Kinds = Vec::with_capacity(kinds.len());
    for (segment, kind) in kinds {
        match out.last_mut() {
            Some((last, PhaseKind::TempLimited))
                if kind == PhaseKind::TempLimited
                    && gaps.binary_search(&segment.first).is_err() =>
            {
                last.end = segment.end;
            }
            _ => out.push((segment, kind)),
        }
    }
    out
}

fn mean(values: &[f64], segment: Segment) -> f64 {
    values[segment.first..segment.end].iter().sum::<f64>() / segment.rows() as f64
}

/// Levels below this are idle. Idle is set apart from the loads by the widest step between
/// neighbouring levels, as a ratio; use has a scale of its own.
fn idle_threshold(driver: &Driver, levels: &[f64]) -> f64 {
    let mut sorted = levels.to_vec();
    sorted.sort_by(f64::total_cmp);
    let highest = sorted.last().copied().unwrap_or(0.0);
    let widest = sorted
        .windows(2)
        .filter(|w| w[0] < IDLE_BELOW * highest && w[1] > IDLE_STEP * w[0].max(1e-9))
        .filter(|w| w[1] > LOAD_ABOVE * highest)
        .max_by(|a, b| (a[1] / a[0].max(1e-9)).total_cmp(&(b[1] / b[0].max(1e-9))));
    match widest {
        Some(pair) => 0.5 * (pair[0] + pair[1]),
        None if driver.source == Source::Use => 0.15,
        None => f64::NEG_INFINITY,
    }
}

fn by_level(
    log: &SensorLog,
    segments: &[Segment],
    levels: &[f64],
    idle_below: f64,
    i: usize,
) -> PhaseKind {
    let level = levels[i];
    if level < idle_below && !at_power_limit(log, segments[i], level) {
        return PhaseKind::Idle;
    }
    if is_passage(segments, levels, i) {
        return PhaseKind::Transition;
    }
    if is_boost(log, segments, levels, idle_below, i) {
        return PhaseKind::Boost;
    }
    if levels.len() == 1 && idle_below == f64::NEG_INFINITY && !warms(log, segments[i]) {
        // One level and a temperature that stands: idle and load look the same.
        return PhaseKind::Unknown;
    }
    PhaseKind::Sustained
}

/// A power held at a limit that was logged is a load, however low.
fn at_power_limit(log: &SensorLog, segment: Segment, level: f64) -> bool {
    log.channels()
        .iter()
        .filter(|c| c.role == Role::Limit && c.unit == Unit::Watt)
        .any(|c| {
            let (_, limits) = segment.present(log, c);
            let limit_w = series::quantile(&limits, 0.5).unwrap_or(f64::INFINITY);
            level > 0.93 * limit_w
        })
}

/// A few rows at a level between those before and after.
fn is_passage(segments: &[Segment], levels: &[f64], i: usize) -> bool {
    if i == 0 || i + 1 >= segments.len() || segments[i].rows() > 8 {
        return false;
    }
    let (before, own, after) = (levels[i - 1], levels[i], levels[i + 1]);
    let longer = |j: usize| segments[j].rows() > 2 * segments[i].rows();
    (before - own) * (own - after) > 0.0 && longer(i - 1) && longer(i + 1)
}

fn is_boost(
    log: &SensorLog,
    segments: &[Segment],
    levels: &[f64],
    idle_below: f64,
    i: usize,
) -> bool {
    let Some(&next) = levels.get(i + 1) else {
        return false;
    };
    let time_s = log.time_s();
    let length_s = |s: Segment| time_s[s.end - 1] - time_s[s.first];
    let (own_s, next_s) = (length_s(segments[i]), length_s(segments[i + 1]));
    let after_idle = i == 0 || levels[i - 1] < idle_below || levels[i - 1] < 0.7 * levels[i];
    after_idle
        && next >= idle_below
        && levels[i] > BOOST_OVER * next
        && levels[i] < 4.0 * next
        && own_s <= BOOST_S
        && next_s > own_s
}

fn warms(log: &SensorLog, segment: Segment) -> bool {
    let Some(channel) = log.channel(Role::Temperature) else {
        return false;
    };
    let (_, temps) = segment.present(log, channel);
    let tenth = (temps.len() / 10).max(1);
    if temps.len() < 4 {
        return false;
    }
    let average = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    average(&temps[temps.len() - tenth..]) - average(&temps[..tenth]) > 3.0
}

/// Cuts loads where they begin to be held by temperature.
fn cut_throttled(log: &SensorLog, driver: &Driver, kinds: Kinds) -> Kinds {
    let Some(temperature) = log.channel(Role::Temperature) else {
        return kinds;
    };
    let Some((_, top_c)) = temperature.range() else {
        return kinds;
    };
    let mut out = Vec::with_capacity(kinds.len());
    for (segment, kind) in kinds {
        match held_from(log, driver, segment, top_c).filter(|_| kind.is_load()) {
            Some(row) if row > segment.first + 3 => {
                out.push((
                    Segment {
                        end: row,
                        ..segment
                    },
                    kind,
                ));
                out.push((
                    Segment {
                        first: row,
                        ..segment
                    },
                    PhaseKind::TempLimited,
                ));
            }
            Some(_) => out.push((segment, PhaseKind::TempLimited)),
            None => out.push((segment, kind)),
        }
    }
    out
}

/// First row from which a load is held by temperature, if it is.
fn held_from(log: &SensorLog, driver: &Driver, segment: Segment, top_c: f64) -> Option<usize> {
    by_flag(log, segment, top_c)
        .or_else(|| by_limit(log, segment))
        .or_else(|| by_giving_way(log, driver, segment, top_c))
}

fn rows_at(log: &SensorLog, segment: Segment, level_c: f64) -> impl Iterator<Item = usize> + '_ {
    let temperature = log.channel(Role::Temperature);
    (segment.first..segment.end).filter(move |&row| {
        temperature
            .and_then(|c| c.value(row))
            .is_some_and(|t| t >= level_c - AT_TOP_K)
    })
}

/// A throttle flag while the temperature is at its top.
fn by_flag(log: &SensorLog, segment: Segment, top_c: f64) -> Option<usize> {
    let flag = log.channel(Role::Throttle)?;
    let flagged: Vec<usize> = rows_at(log, segment, top_c)
        .filter(|&row| flag.value(row).is_some_and(|v| v > 0.0) && !at_watts(log, row))
        .collect();
    let first = *flagged.first()?;
    let share = flagged.len() as f64 / (segment.end - first) as f64;
    (share > FLAGGED).then_some(first)
}

/// Whether this row's power is at a logged limit in watts, which then explains a flag.
fn at_watts(log: &SensorLog, row: usize) -> bool {
    let power = log.channel(Role::Power).and_then(|c| c.value(row));
    let limit = log
        .channels()
        .iter()
        .find(|c| c.role == Role::Limit && c.unit == Unit::Watt)
        .and_then(|c| c.value(row));
    matches!((power, limit), (Some(p), Some(l)) if p > 0.9 * l)
}

/// A temperature limit that was logged is met most of the time from some row on.
fn by_limit(log: &SensorLog, segment: Segment) -> Option<usize> {
    let limit = log
        .channels()
        .iter()
        .find(|c| c.role == Role::Limit && c.unit == Unit::Celsius)?;
    let temperature = log.channel(Role::Temperature)?;
    let met: Vec<usize> = (segment.first..segment.end)
        .filter(|&row| match (temperature.value(row), limit.value(row)) {
            (Some(t), Some(l)) => t >= l - AT_TOP_K.min(2.0),
            _ => false,
        })
        .collect();
    let first = *met.first()?;
    (2 * met.len() > segment.end - first && met.len() >= 3).then_some(first)
}

/// Temperature stands at its top while power or clock give way: the mark of a limit on
/// temperature that was not logged.
fn by_giving_way(log: &SensorLog, driver: &Driver, segment: Segment, top_c: f64) -> Option<usize> {
    let temperature = log.channel(Role::Temperature)?;
    let first = rows_at(log, segment, top_c).next()?;
    let held = Segment { first, ..segment };
    if held.rows() < 20 {
        return None;
    }
    let (_, temps) = held.present(log, temperature);
    let quiet_k = temperature.resolution.unwrap_or(0.0).max(1.0);
    let spread_k = series::quantile(&temps, 0.9)? - series::quantile(&temps, 0.1)?;
    let third = held.rows() / 3;
    let early = mean(
        &driver.values,
        Segment {
            first,
            end: first + third,
        },
    );
    let late = mean(
        &driver.values,
        Segment {
            first: segment.end - third,
            end: segment.end,
        },
    );
    let gives_way = late < 0.97 * early;
    let own = &driver.values[held.first..held.end];
    let (level, variance) = series::moments(own);
    let sure = (early - late) > 4.0 * (2.0 * variance / third as f64).sqrt().max(0.005 * level);
    (spread_k <= quiet_k && gives_way && sure).then_some(first)
}

/// Cuts stretches at the idle level after a load into cooling and idle.
fn cut_cooling(log: &SensorLog, kinds: Kinds) -> Kinds {
    let Some(temperature) = log.channel(Role::Temperature) else {
        return kinds;
    };
    let mut out: Kinds = Vec::with_capacity(kinds.len());
    for (segment, kind) in kinds {
        let before = out.last().map(|(_, k)| *k);
        let after_load = before.is_some_and(|k| {
            k.is_load() || matches!(k, PhaseKind::Transition | PhaseKind::CoolDown)
        });
        if kind != PhaseKind::Idle || !after_load {
            out.push((segment, kind));
            continue;
        }
        out.extend(cooling_then_idle(log, temperature, segment));
    }
    out
}

fn cooling_then_idle(
    log: &SensorLog,
    temperature: &settlepoint_domain::Channel,
    segment: Segment,
) -> Kinds {
    let rows: Vec<usize> = (segment.first..segment.end)
        .filter(|&r| temperature.value(r).is_some())
        .collect();
    let (time_s, temps) = segment.present(log, temperature);
    let resolution_k = temperature.resolution.unwrap_or(0.0);
    match settle::settled_from(&time_s, &temps, resolution_k) {
        Some(0) => vec![(segment, PhaseKind::Idle)],
        Some(k) => vec![
            (
                Segment {
                    end: rows[k],
                    ..segment
                },
                PhaseKind::CoolDown,
            ),
            (
                Segment {
                    first: rows[k],
                    ..segment
                },
                PhaseKind::Idle,
            ),
        ],
        None => vec![(segment, PhaseKind::CoolDown)],
    }
}
