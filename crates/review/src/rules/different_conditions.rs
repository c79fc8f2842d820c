//! Runs that one would compare were made in different rooms, on different coolings or tunes.

use settlepoint_domain::{Finding, Severity};

use super::by_workload;
use crate::{RunFacts, comparable, finding};

/// Difference of room temperatures that matters for a comparison, K. A judgement.
const ROOM_K: f64 = 2.0;

/// Looks at runs of one workload under different settings.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    by_workload(runs)
        .into_iter()
        .flat_map(|group| [rooms(&group), tunes(&group)])
        .flatten()
        .collect()
}

fn rooms(group: &[&RunFacts<'_>]) -> Option<Finding> {
    let known = || group.iter().filter_map(|f| f.room_c().map(|c| (c, *f)));
    let low = known().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let high = known().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let apart = high.0 - low.0;
    (apart > ROOM_K && comparable(low.1, high.1)).then(|| {
        finding(
            "different_conditions",
            Severity::Note,
            None,
            format!(
                "runs of '{}' were made in rooms from {:.1} °C ('{}') to {:.1} °C ('{}')",
                low.1.workload.name, low.0, low.1.run.name, high.0, high.1.run.name
            ),
            "compare their rises over the room, or predictions for one room; measured temperatures \
             and fan speeds side by side mislead",
        )
    })
}

fn tunes(group: &[&RunFacts<'_>]) -> Option<Finding> {
    let first = group.first()?;
    let other = group
        .iter()
        .find(|f| comparable(first, f) && f.run.tune != first.run.tune)?;
    Some(finding(
        "different_conditions",
        Severity::Warning,
        None,
        format!(
            "runs '{}' and '{}' of '{}' were made under different tunes",
            first.run.name, other.run.name, first.workload.name
        ),
        "compare settings within one tune: voltage, cores and memory change work and heat at equal \
         limits",
    ))
}
