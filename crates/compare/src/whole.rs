//! Several workloads together.

use settlepoint_domain::{Basis, Estimate};
use settlepoint_stats::two_sample::{StudentEstimate, holm, weighted_sum};

use crate::pair::{Comparison, Scale, Verdict};

/// What is known of two settings over all workloads.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Whole {
    /// Weighted geometric mean of the speed ratios (above 1 is faster, whichever way scores count)
    /// with its 90 % interval; `None` without a workload that can be averaged.
    pub speed_ratio: Option<Estimate>,
    /// Its 95 % interval.
    pub interval_95: Option<(f64, f64)>,
    /// The answer for the weighted whole.
    pub verdict: Verdict,
    /// p-values of "no difference" adjusted by Holm's method, one a comparison in the order given.
    pub p_holm: Vec<Option<f64>>,
    /// Whether any workload differs, with at most 5 % risk over all of them together.
    pub any_differs: bool,
    /// Whether all are the same within their margins (intersection-union: each at 5 %).
    pub same_everywhere: bool,
    /// Workloads left out of the weighted whole, and why.
    pub left_out: Vec<(String, &'static str)>,
}

/// Joins comparisons of the same two settings. `margin_pct` is that of the weighted whole.
pub fn whole(comparisons: &[Comparison], margin_pct: f64) -> Whole {
    let p_holm = adjusted(comparisons);
    let any_differs = p_holm.iter().flatten().any(|p| *p <= 0.05);
    let same_everywhere =
        !comparisons.is_empty() && comparisons.iter().all(|c| c.verdict == Verdict::Same);
    let mut left_out = Vec::new();
    let mut parts = Vec::new();
    for c in comparisons {
        if c.workload.scale == Scale::Decibel {
            left_out.push((c.workload.name.clone(), "a level is no work"));
        } else if c.workload.weight <= 0.0 {
            left_out.push((c.workload.name.clone(), "its weight is 0"));
        } else if let Some(speed) = c.ln_speed() {
            parts.push((c.workload.weight, speed));
        } else {
            left_out.push((c.workload.name.clone(), "it has no repetitions"));
        }
    }
    let total: f64 = parts.iter().map(|(w, _)| w).sum();
    for (weight, _) in &mut parts {
        *weight /= total;
    }
    // A workload without scatter of its own could change the whole: then it stays open.
    let complete = !left_out
        .iter()
        .any(|(_, why)| *why == "it has no repetitions");
    let joined = weighted_sum(&parts).ok().filter(|_| complete);
    Whole {
        speed_ratio: joined.map(|e| estimate(&e)),
        interval_95: joined.map(|e| {
            let (low, high) = e.interval(0.95);
            (low.exp(), high.exp())
        }),
        verdict: joined.map_or(Verdict::CannotTell, |e| verdict(&e, margin_pct)),
        p_holm,
        any_differs,
        same_everywhere,
        left_out,
    }
}

fn estimate(e: &StudentEstimate) -> Estimate {
    let (low, high) = e.interval(0.9);
    Estimate {
        value: e.value.exp(),
        lo: low.exp(),
        hi: high.exp(),
        basis: Basis::Measured,
    }
}

fn verdict(e: &StudentEstimate, margin_pct: f64) -> Verdict {
    let low = (-margin_pct / 100.0).ln_1p();
    let outer = e.interval(0.95);
    if e.equivalence(low, -low).p() <= 0.05 {
        Verdict::Same
    } else if outer.0 > 0.0 {
        Verdict::Faster
    } else if outer.1 < 0.0 {
        Verdict::Slower
    } else {
        Verdict::CannotTell
    }
}

/// Holm's adjustment over those that have a p-value.
fn adjusted(comparisons: &[Comparison]) -> Vec<Option<f64>> {
    let raw: Vec<f64> = comparisons.iter().filter_map(|c| c.p_difference).collect();
    let mut joint = holm(&raw).into_iter();
    comparisons
        .iter()
        .map(|c| c.p_difference.and_then(|_| joint.next()))
        .collect()
}
