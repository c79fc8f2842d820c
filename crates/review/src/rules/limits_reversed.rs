//! A short-time limit below the sustained one.

use settlepoint_domain::{Finding, Setting, Severity};

use crate::{RunFacts, finding};

/// What is odd about a setting, whose run may be named: PL2 below PL1, which firmware allows.
pub fn limits_reversed(setting: &Setting, run: Option<&str>) -> Option<Finding> {
    let (pl1_w, pl2_w) = setting.pl1_w.value().zip(setting.pl2_w.value())?;
    (pl2_w < pl1_w).then(|| {
        finding(
            "pl2_below_pl1",
            Severity::Warning,
            run,
            format!("'{}' has PL2 {pl2_w} W below PL1 {pl1_w} W", setting.name),
            "the lower one acts all the time and there is no boost; swap them if they were \
             typed the wrong way round",
        )
    })
}

/// Looks at each setting once.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    let mut seen = Vec::new();
    let mut findings = Vec::new();
    for facts in runs {
        if seen.contains(&facts.setting.id) {
            continue;
        }
        seen.push(facts.setting.id);
        findings.extend(limits_reversed(facts.setting, Some(&facts.run.name)));
    }
    findings
}
