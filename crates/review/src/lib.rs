//! Review of runs by what was noted of them and against each other: one rule a file.
//!
//! What is wrong within one log is found by `settlepoint-phases`; here are the rules that need the
//! run's setting, its scores or other runs. Each is silent on runs that lack what it looks at, and
//! each names the evidence and what to do.
//!
//! ```
//! use settlepoint_review::review;
//!
//! assert!(review(&[]).is_empty());
//! ```

mod rules;

pub use rules::limits_reversed::limits_reversed;

use settlepoint_domain::{Finding, Run, Setting, Severity, Workload};

/// A run with what belongs to it.
#[derive(Clone, Copy, Debug)]
pub struct RunFacts<'a> {
    /// The run.
    pub run: &'a Run,
    /// Its setting.
    pub setting: &'a Setting,
    /// Its workload.
    pub workload: &'a Workload,
    /// When its log began, s since 1970, where known.
    pub began_s: Option<f64>,
    /// Mean room temperature of its log, °C, where logged.
    pub logged_room_c: Option<f64>,
}

impl RunFacts<'_> {
    /// Air at the intake, °C: as noted, or else as logged.
    pub fn room_c(&self) -> Option<f64> {
        self.run.room_c.or(self.logged_room_c)
    }
}

/// Applies every rule to the runs of one notebook, in the order of entry; those left out are not
/// looked at. The worst findings come first.
pub fn review(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    let kept: Vec<RunFacts<'_>> = runs
        .iter()
        .copied()
        .filter(|r| r.run.excluded.is_none())
        .collect();
    let mut findings: Vec<Finding> = rules::ALL.iter().flat_map(|rule| rule(&kept)).collect();
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    findings
}

fn finding(
    rule: &'static str,
    severity: Severity,
    run: Option<&str>,
    evidence: String,
    remedy: &str,
) -> Finding {
    Finding {
        rule,
        severity,
        run: run.map(str::to_owned),
        evidence,
        remedy: remedy.to_owned(),
    }
}

/// Whether two runs differ in nothing but their setting (and what it does).
fn comparable(a: &RunFacts<'_>, b: &RunFacts<'_>) -> bool {
    a.run.workload == b.run.workload && a.run.machine == b.run.machine
}

/// Scores in the order in which they were measured: as noted for every one, or else by when the
/// runs' logs began.
fn in_order<'a>(runs: &[&RunFacts<'a>]) -> Option<Vec<(f64, f64, &'a Run)>> {
    let placed = |place: &dyn Fn(&RunFacts<'_>, Option<u32>) -> Option<f64>| {
        let mut scores = Vec::new();
        for facts in runs {
            for score in &facts.run.scores {
                scores.push((place(facts, score.order)?, score.value, facts.run));
            }
        }
        scores.sort_by(|a, b| a.0.total_cmp(&b.0));
        Some(scores)
    };
    placed(&|_, order| order.map(f64::from)).or_else(|| placed(&|facts, _| facts.began_s))
}
