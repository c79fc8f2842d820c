//! Scores of the same setting that rise or fall with time.

use settlepoint_domain::{Finding, Id, Severity};
use settlepoint_stats::distributions::StudentT;

use super::by_workload;
use crate::{Placed, RunFacts, finding, in_order};

/// Scores from which a trend is told from scatter.
const LEAST_SCORES: usize = 6;
/// Chance of a trend where there is none: one in a hundred, as many workloads are looked at.
const RISK: f64 = 0.01;
/// Change from first to last that matters for a comparison, relative. A judgement: the margin at
/// which people usually call two settings the same is 1 %.
const LEAST_CHANGE: f64 = 0.005;

/// Looks at workloads whose scores carry the order or time of measurement.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    by_workload(runs)
        .into_iter()
        .filter_map(|group| {
            let name = &group.first()?.workload.name;
            let scores = in_order(&group)?;
            let trend = Trend::of(&scores)?;
            let change = trend.slope * (scores.last()?.place - scores.first()?.place);
            let p = trend.p?;
            let relative = change.exp_m1();
            (p <= RISK && relative.abs() >= LEAST_CHANGE).then(|| {
                let blocked = scores.iter().all(|s| s.score.block.is_some());
                finding(
                    "score_drift",
                    // Within blocks it cancels.
                    if blocked { Severity::Note } else { Severity::Warning },
                    None,
                    format!(
                        "scores of '{name}' under the same settings {} by {:.1} % from the first to \
                         the last of {} (p {})",
                        if relative > 0.0 { "rose" } else { "fell" },
                        100.0 * relative.abs(),
                        scores.len(),
                        if p < 0.0001 { "below 0.0001".to_owned() } else { format!("{p:.4}") }
                    ),
                    "let machine and room settle before the first score, take turns (A B A B) and \
                     note the rounds as blocks, so that the drift cancels",
                )
            })
        })
        .collect()
}

/// A straight line through the logarithms of scores against their places, each setting about its
/// own means: what differs between settings is no trend.
struct Trend {
    slope: f64,
    /// Two-sided p-value of "no trend"; `None` if the scores do not scatter.
    p: Option<f64>,
}

impl Trend {
    /// `None` for too few scores, for levels in decibels and for scores of 0 or less.
    fn of(scores: &[Placed<'_>]) -> Option<Self> {
        let usable = |s: &Placed<'_>| {
            s.score.value > 0.0 && !s.facts.workload.unit.to_lowercase().starts_with("db")
        };
        if scores.len() < LEAST_SCORES || !scores.iter().all(usable) {
            return None;
        }
        let mut settings: Vec<_> = scores.iter().map(|s| s.facts.setting.id).collect();
        settings.sort_unstable();
        settings.dedup();
        let points = centred(scores, &settings);
        let sum = |f: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(f).sum::<f64>();
        let (xx, xy, yy) = (
            sum(&|p| p.0 * p.0),
            sum(&|p| p.0 * p.1),
            sum(&|p| p.1 * p.1),
        );
        if xx <= 0.0 || scores.len() < settings.len() + 3 {
            return None;
        }
        let slope = xy / xx;
        let dof = (scores.len() - settings.len() - 1) as f64;
        let rest = (yy - slope * xy).max(0.0) / dof;
        let error = (rest / xx).sqrt();
        let p = StudentT::new(dof)
            .ok()
            .filter(|_| error > 0.0)
            .map(|t| 2.0 * t.cdf(-(slope / error).abs()));
        Some(Self { slope, p })
    }
}

/// Places and logarithms about the means of their setting.
fn centred(scores: &[Placed<'_>], settings: &[Id]) -> Vec<(f64, f64)> {
    let mut points = Vec::with_capacity(scores.len());
    for setting in settings {
        let own: Vec<(f64, f64)> = scores
            .iter()
            .filter(|s| s.facts.setting.id == *setting)
            .map(|s| (s.place, s.score.value.ln()))
            .collect();
        let n = own.len() as f64;
        let mean_x = own.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = own.iter().map(|p| p.1).sum::<f64>() / n;
        points.extend(own.iter().map(|p| (p.0 - mean_x, p.1 - mean_y)));
    }
    points
}
