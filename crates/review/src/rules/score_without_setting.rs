//! A score of which nobody knows the limits it was made under.

use settlepoint_domain::{FanSetting, Finding, LimitValue, Setting, Severity};

use crate::{RunFacts, finding};

/// Looks at runs with scores whose setting says nothing.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    runs.iter()
        .filter(|f| !f.run.scores.is_empty() && says_nothing(f.setting))
        .map(|f| {
            finding(
                "score_without_setting",
                Severity::Warning,
                Some(&f.run.name),
                format!(
                    "{} of '{}' under '{}', of which no limit is known",
                    if f.run.scores.len() == 1 {
                        "a score".to_owned()
                    } else {
                        format!("{} scores", f.run.scores.len())
                    },
                    f.workload.name,
                    f.setting.name
                ),
                "note the limits that acted, automatic and unlimited included; without them the \
                 score can be compared but teaches the models nothing",
            )
        })
        .collect()
}

fn says_nothing(setting: &Setting) -> bool {
    let limits = [
        setting.pl1_w,
        setting.pl2_w,
        setting.tau_s,
        setting.temp_limit_c,
    ];
    limits.iter().all(|l| *l == LimitValue::Unknown)
        && setting.more_tiers.is_empty()
        && setting.fan == FanSetting::AsFitted
}
