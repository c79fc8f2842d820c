//! An order of measurement that the times beside it contradict.

use settlepoint_domain::{Finding, Score, Severity};

use super::by_workload;
use crate::{RunFacts, common_origin, finding};

/// Looks at scores that carry both.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    by_workload(runs)
        .into_iter()
        .filter_map(|group| {
            let both = |s: &&Score| s.order.is_some() && s.time.is_some();
            let mut scores: Vec<&Score> = group
                .iter()
                .flat_map(|f| &f.run.scores)
                .filter(both)
                .collect();
            common_origin(scores.iter().copied())?;
            scores.sort_by_key(|s| s.order);
            let wrong = scores.windows(2).find(|w| {
                let before = w[0].order < w[1].order;
                before && w[0].time.map(|t| t.seconds) > w[1].time.map(|t| t.seconds)
            })?;
            let place = |score: &Score| {
                let order = score.order.map_or_else(String::new, |o| o.to_string());
                let time = score.time.map_or_else(String::new, |t| t.to_string());
                (order, time)
            };
            let ((first, first_time), (second, second_time)) = (place(wrong[0]), place(wrong[1]));
            Some(finding(
                "order_against_time",
                Severity::Warning,
                None,
                format!(
                    "score {first} of '{}' was taken at {first_time} and score {second} at \
                     {second_time}, which is earlier",
                    group.first()?.workload.name
                ),
                "correct the order or the times (past midnight write the dates too): the order \
                 counts where both are noted",
            ))
        })
        .collect()
}
