//! The first repetition differs from all that follow: caches, files and metal were cold.

use settlepoint_domain::{Finding, Severity};

use crate::{RunFacts, finding, in_order};

/// Repetitions after the first that say how much scores scatter.
const LATER: usize = 3;
/// Distance of the first from the mean of the others, in their standard deviations. With three
/// others a normal score goes beyond by chance in about 2 % of runs (Student, two degrees of
/// freedom, a prediction of one more value: 8 / sqrt(1 + 1/3) = 6.9).
const FAR: f64 = 8.0;
/// And at least this much, relative.
const LEAST: f64 = 0.01;

/// Looks at runs with a first and at least three further repetitions.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    runs.iter().filter_map(of_run).collect()
}

fn of_run(facts: &RunFacts<'_>) -> Option<Finding> {
    let mut scores: Vec<(f64, f64)> = match in_order(&[facts]) {
        Some(placed)
            if placed
                .iter()
                .any(|p| p.place < placed[placed.len() - 1].place) =>
        {
            placed.iter().map(|p| (p.place, p.score.value)).collect()
        }
        _ => facts
            .run
            .scores
            .iter()
            .map(|s| (f64::from(s.order.unwrap_or(s.repetition)), s.value))
            .collect(),
    };
    scores.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (first, others) = scores.split_first()?;
    if others.len() < LATER {
        return None;
    }
    let count = others.len() as f64;
    let mean = others.iter().map(|s| s.1).sum::<f64>() / count;
    let squares: f64 = others.iter().map(|s| (s.1 - mean).powi(2)).sum();
    let spread = (squares / (count - 1.0)).sqrt();
    let distance = (first.1 - mean).abs();
    (distance > FAR * spread && distance > LEAST * mean.abs()).then(|| {
        finding(
            "first_run_warm_up",
            Severity::Warning,
            Some(&facts.run.name),
            format!(
                "the first of {} scores of '{}' is {:.4} and {:+.1} % off the mean {mean:.4} of the \
                 others, which scatter by {:.2} %",
                scores.len(),
                facts.workload.name,
                first.1,
                100.0 * (first.1 / mean - 1.0),
                100.0 * spread / mean.abs()
            ),
            "make one repetition that does not count before each series, or begin all series alike",
        )
    })
}
