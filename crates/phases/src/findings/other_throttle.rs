//! Clocks are held down by something that is not the temperature of the part.

use settlepoint_domain::{Finding, Phase, PhaseKind, Role, SensorLog, Severity};

use super::MANY_ROWS;
use crate::series;

/// Below this share of the phase's median a clock has dropped. A judgement.
const DROPPED: f64 = 0.8;
/// Share of a phase's rows that must have dropped: one late reading is no throttling.
const DROPPED_ROWS: f64 = 0.02;
/// Use above which the part had work all the time.
const WORKING: f64 = 0.9;

/// Looks for throttle flags and for drops of the clock under steady load.
pub(super) fn find(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    flagged(log, phases).or_else(|| dropped(log, phases))
}

fn free_of_temperature(phases: &[Phase]) -> impl Iterator<Item = &Phase> {
    phases
        .iter()
        .filter(|p| p.kind.is_load() && p.kind != PhaseKind::TempLimited)
}

fn flagged(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    let flags = log.channel(Role::Throttle)?;
    let count = |p: &Phase| {
        (p.first_row..p.end_row)
            .filter(|&row| flags.value(row).is_some_and(|v| v > 0.0))
            .count()
    };
    let (rows, phase) = free_of_temperature(phases)
        .map(|p| (count(p), p))
        .max_by_key(|(rows, _)| *rows)?;
    let share = rows as f64 / (phase.end_row - phase.first_row).max(1) as f64;
    (share > DROPPED_ROWS).then(|| {
        Finding::new(
            "throttled_by_other",
            Severity::Note,
            format!(
                "'{}' is set in {rows} rows from {:.0} to {:.0} s, where the temperature did not \
                 hold the power",
                flags.column, phase.start_s, phase.end_s
            ),
            "look up what the flag stands for: a power limit is expected, a current, voltage or \
             supply limit is not, and raising watts will not help against those",
        )
    })
}

fn dropped(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    let clock = log.channel(Role::Clock)?;
    let load = log.channel(Role::Load);
    let works = |row: usize| load.is_none_or(|l| l.value(row).is_some_and(|v| v > WORKING));
    free_of_temperature(phases)
        .filter(|p| p.end_row - p.first_row >= MANY_ROWS)
        .find_map(|p| {
            let values: Vec<f64> = (p.first_row..p.end_row)
                .filter(|&row| works(row))
                .filter_map(|row| clock.value(row))
                .collect();
            if values.len() < MANY_ROWS {
                return None;
            }
            let median = series::quantile(&values, 0.5)?;
            let low: Vec<f64> = values
                .iter()
                .copied()
                .filter(|v| *v < DROPPED * median)
                .collect();
            let share = low.len() as f64 / values.len() as f64;
            let lowest = low.iter().copied().fold(f64::INFINITY, f64::min);
            (share > DROPPED_ROWS).then(|| {
                Finding::new(
                    "throttled_by_other",
                    Severity::Warning,
                    format!(
                        "from {:.0} to {:.0} s '{}' drops from {median:.0} to {lowest:.0} MHz in \
                         {:.0} % of the rows under load, and the temperature did not hold the power",
                        p.start_s,
                        p.end_s,
                        clock.column,
                        100.0 * share
                    ),
                    "look for a current, voltage or supply limit, for a hot voltage regulator, or \
                     for work that pauses; scores of this run are lower than its power limit allows",
                )
            })
        })
}
