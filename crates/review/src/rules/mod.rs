//! One module a rule.

mod different_conditions;
pub(crate) mod limits_reversed;
mod one_repetition;
mod order_against_time;
mod order_confounded;
mod room_not_noted;
mod score_drift;
mod score_without_setting;
mod warm_up;

use settlepoint_domain::{Finding, Id};

use crate::RunFacts;

/// A rule sees all runs that count and says what it found.
type Rule = fn(&[RunFacts<'_>]) -> Vec<Finding>;

pub(crate) const ALL: [Rule; 9] = [
    one_repetition::find,
    order_confounded::find,
    score_drift::find,
    order_against_time::find,
    warm_up::find,
    different_conditions::find,
    score_without_setting::find,
    limits_reversed::find,
    room_not_noted::find,
];

/// Runs by workload, in the order of entry.
fn by_workload<'a, 'b>(runs: &'b [RunFacts<'a>]) -> Vec<Vec<&'b RunFacts<'a>>> {
    let mut groups: Vec<(Id, Vec<&RunFacts<'a>>)> = Vec::new();
    for facts in runs {
        let id = facts.run.workload;
        match groups.iter_mut().find(|(known, _)| *known == id) {
            Some((_, group)) => group.push(facts),
            None => groups.push((id, vec![facts])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}
