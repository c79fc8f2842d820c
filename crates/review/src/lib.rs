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

use settlepoint_domain::{Finding, Run, Score, Setting, Severity, TimeOrigin, Workload};

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

/// Scores in the order in which they were measured, each with its place: as noted for every one, or
/// else by their times if all have one from the same origin, or else by when the runs' logs began.
fn in_order<'a>(runs: &[&RunFacts<'a>]) -> Option<Vec<Placed<'a>>> {
    let placed = |place: &dyn Fn(&RunFacts<'_>, &Score) -> Option<f64>| {
        let mut scores = Vec::new();
        for facts in runs {
            for score in &facts.run.scores {
                scores.push(Placed {
                    place: place(facts, score)?,
                    score,
                    facts: **facts,
                });
            }
        }
        scores.sort_by(|a, b| a.place.total_cmp(&b.place));
        Some(scores)
    };
    placed(&|_, score| score.order.map(f64::from))
        .or_else(|| {
            let origin = common_origin(runs.iter().flat_map(|f| &f.run.scores))?;
            placed(&|_, score| seconds(score, origin))
        })
        .or_else(|| placed(&|facts, _| facts.began_s))
}

/// A score with its place in the order of measurement: a number, or a time in s.
struct Placed<'a> {
    place: f64,
    score: &'a Score,
    facts: RunFacts<'a>,
}

/// What the times of all scores are counted from, if they have one and the same.
fn common_origin<'a>(scores: impl IntoIterator<Item = &'a Score>) -> Option<TimeOrigin> {
    let mut scores = scores.into_iter();
    let origin = scores.next()?.time?.origin;
    scores
        .all(|s| s.time.is_some_and(|t| t.origin == origin))
        .then_some(origin)
}

fn seconds(score: &Score, origin: TimeOrigin) -> Option<f64> {
    score.time.filter(|t| t.origin == origin).map(|t| t.seconds)
}
