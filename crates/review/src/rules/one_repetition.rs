//! A score that was measured once has no scatter.

use settlepoint_domain::{Finding, Severity};

use super::by_workload;
use crate::{RunFacts, finding};

/// Names the settings of each workload that have one score while others exist to compare with.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    by_workload(runs)
        .into_iter()
        .filter_map(|group| {
            let mut settings: Vec<(&str, usize)> = Vec::new();
            for facts in &group {
                let name = facts.setting.name.as_str();
                let scores = facts.run.scores.len();
                match settings.iter_mut().find(|(known, _)| *known == name) {
                    Some((_, count)) => *count += scores,
                    None => settings.push((name, scores)),
                }
            }
            settings.retain(|(_, count)| *count > 0);
            let single: Vec<&str> = settings
                .iter()
                .filter(|(_, count)| *count == 1)
                .map(|(name, _)| *name)
                .collect();
            (settings.len() > 1 && !single.is_empty()).then(|| {
                finding(
                    "one_repetition",
                    Severity::Warning,
                    None,
                    format!(
                        "'{}' was scored once under {}",
                        group[0].workload.name,
                        single.join(", ")
                    ),
                    "repeat it; 'settlepoint compare' says how often. One score against one cannot \
                     tell a difference from chance",
                )
            })
        })
        .collect()
}
