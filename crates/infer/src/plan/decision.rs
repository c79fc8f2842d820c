//! What a choice would be worth with a run more.

use settlepoint_stats::distributions::StandardNormal;
use settlepoint_stats::random::Random;

use super::Worth;
use super::cells::{Look, Quantity, look};
use super::ensemble::Ensemble;
use super::propose::options_of;
use crate::choose::Constraints;
use crate::fit::CoolingFit;

/// Imagined outcomes of a run.
const OUTCOMES: usize = 200;
/// Seed of their errors: the same notebook gives the same plan.
const SEED: u64 = 0x5e77_1e90_1a7e_0002;

/// The settings among which is chosen, in the hottest room.
pub(super) struct Decision {
    constraints: Constraints,
    options: Vec<Look>,
}

impl Worth {
    /// One figure that orders plans: work, where no permitted setting at all counts as half of it
    /// (judgement: it would have to be a machine at half speed).
    pub(super) fn score(self) -> f64 {
        self.work_pct / 100.0 * self.p_any + 0.5 * (1.0 - self.p_any)
    }
}

impl Decision {
    pub(super) fn new(fit: &CoolingFit, constraints: Constraints) -> Self {
        Self {
            options: look(fit, &options_of(fit, &constraints)).cells,
            constraints,
        }
    }

    /// Temperature, work and level of each option.
    pub(super) fn columns(&self) -> impl Iterator<Item = Vec<f64>> + '_ {
        self.options.iter().flat_map(|cell| {
            [Quantity::Package, Quantity::Score, Quantity::Level].map(|q| {
                cell.values(q)
                    .iter()
                    .map(|v| if v.is_finite() { *v } else { 0.0 })
                    .collect()
            })
        })
    }

    /// The expected worth after readings with errors `sds`, which stand first in `ensemble`; this
    /// decision's columns begin at `first`.
    pub(super) fn worth(&self, ensemble: &mut Ensemble, sds: &[f64], first: usize) -> Worth {
        let start: Vec<f64> = (0..ensemble.len()).map(|i| ensemble.mean(i)).collect();
        // What each reading moves, in order: its surprise is normal with the spread at its turn.
        let mut gains = Vec::with_capacity(sds.len());
        for (k, sd) in sds.iter().enumerate() {
            let surprise_sd = ensemble.variance(k).max(0.0).sqrt().hypot(*sd);
            gains.push((surprise_sd, ensemble.read(k, *sd)));
        }
        let left: Vec<f64> = (first..ensemble.len())
            .map(|i| ensemble.variance(i).max(0.0).sqrt())
            .collect();
        let top = self.perfect(&start[first..]);
        let mut random = Random::from_seed(SEED);
        let outcomes = if sds.is_empty() { 1 } else { OUTCOMES };
        let (mut any, mut work) = (0.0, 0.0);
        for _ in 0..outcomes {
            let mut means = start[first..].to_vec();
            for (surprise_sd, gain) in &gains {
                let surprise = surprise_sd * random.normal();
                for (mean, weight) in means.iter_mut().zip(&gain.weights[first..]) {
                    *mean += weight * surprise;
                }
            }
            if let Some(best) = self.chosen(&means, &left) {
                any += 1.0;
                work += best;
            }
        }
        let work_log = if any > 0.0 { work / any } else { top };
        Worth {
            work_pct: 100.0 * ((work_log - top) / 100.0).exp(),
            p_any: any / outcomes as f64,
        }
    }

    /// Log work (percent) of the best option that keeps the bounds with the confidence asked.
    fn chosen(&self, means: &[f64], left: &[f64]) -> Option<f64> {
        let z = StandardNormal.quantile(self.constraints.confidence);
        let keeps = |i: usize| {
            let cell = &self.options[i];
            let bound = |offset: usize, q: Quantity| {
                means[3 * i + offset] + z * left[3 * i + offset].hypot(cell.scatter(q))
            };
            let cool = self
                .constraints
                .temp_max_c
                .is_none_or(|max| bound(0, Quantity::Package) <= max);
            let quiet = self
                .constraints
                .noise_max_dba
                .is_none_or(|max| bound(2, Quantity::Level) <= max);
            cool && quiet
        };
        (0..self.options.len())
            .filter(|&i| keeps(i))
            .map(|i| means[3 * i + 1])
            .reduce(f64::max)
    }

    /// The same with everything known at the present means but the scatter from run to run.
    fn perfect(&self, means: &[f64]) -> f64 {
        self.chosen(means, &vec![0.0; means.len()])
            .unwrap_or_else(|| {
                means
                    .iter()
                    .skip(1)
                    .step_by(3)
                    .copied()
                    .fold(f64::INFINITY, f64::min)
            })
    }
}
