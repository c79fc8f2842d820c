//! A short-time limit below the sustained one.

use settlepoint_domain::{Finding, Severity};

use crate::{RunFacts, finding};

/// Looks at each setting once.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    let mut seen = Vec::new();
    let mut findings = Vec::new();
    for facts in runs {
        let setting = facts.setting;
        let (Some(pl1_w), Some(pl2_w)) = (setting.pl1_w.value(), setting.pl2_w.value()) else {
            continue;
        };
        if pl2_w < pl1_w && !seen.contains(&setting.id) {
            seen.push(setting.id);
            findings.push(finding(
                "pl2_below_pl1",
                Severity::Note,
                Some(&facts.run.name),
                format!("'{}' has PL2 {pl2_w} W below PL1 {pl1_w} W", setting.name),
                "the lower one acts all the time and there is no boost; swap them if they were \
                 typed the wrong way round",
            ));
        }
    }
    findings
}
