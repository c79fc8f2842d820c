//! All repetitions of one setting before all of another: what changes with time looks like the
//! setting.

use settlepoint_domain::{Finding, Severity};

use super::by_workload;
use crate::{RunFacts, finding, in_order};

/// Repetitions of a setting from which a block of them is no accident.
const LEAST: usize = 2;

/// Looks at workloads whose scores carry the order of measurement.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    by_workload(runs)
        .into_iter()
        .filter_map(|group| {
            let ordered = in_order(&group)?;
            let mut stretches: Vec<(&str, usize)> = Vec::new();
            for name in ordered.iter().map(|p| p.facts.setting.name.as_str()) {
                match stretches.last_mut() {
                    Some((last, count)) if *last == name => *count += 1,
                    _ => stretches.push((name, 1)),
                }
            }
            let mut settings: Vec<&str> = stretches.iter().map(|s| s.0).collect();
            settings.sort_unstable();
            settings.dedup();
            let apart = settings.len() == stretches.len() && settings.len() > 1;
            (apart && stretches.iter().all(|(_, count)| *count >= LEAST)).then(|| {
                let order: Vec<String> = stretches
                    .iter()
                    .map(|(name, count)| format!("{count} x {name}"))
                    .collect();
                finding(
                    "order_confounded",
                    Severity::Warning,
                    None,
                    format!(
                        "'{}' was measured in the order {}",
                        group[0].workload.name,
                        order.join(", then ")
                    ),
                    "a warming room, dust or an update in between would look like a difference \
                     between settings: take turns (A B A B) and note the rounds as blocks",
                )
            })
        })
        .collect()
}
