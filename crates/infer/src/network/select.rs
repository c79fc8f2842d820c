//! How many stages, and whether the sensor lags: by predicting stretches that the fit did not see.

use super::Options;
use super::basis::{Basis, Shape};
use super::input::Drive;
use super::noise::Noise;
use super::separable::{Priors, Problem, ROUGH, Solution};

/// Stretches held out one after another. Each is predicted open loop from the power, so the
/// rows on both sides help only through the parameters.
const STRETCHES: usize = 5;
/// A richer model must predict the stretches better by this share of the error: with few
/// stretches a smaller gain is luck.
const WORTH: f64 = 0.03;
/// The choice is made on a third of the rows, but on some hundreds to two thousand; the fit uses
/// all.
const CHOICE_ROWS: std::ops::RangeInclusive<usize> = 500..=2000;
/// Time constants tried for a new stage, spread evenly in the logarithm.
const STARTS: usize = 6;

/// A model with its fit and its error on stretches held out.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub(super) shape: Shape,
    pub(super) solution: Solution,
    /// Root mean square error over the stretches held out, K.
    pub(super) held_out_k: f64,
}

/// The chosen model and what to judge it by.
pub(super) struct Choice {
    pub(super) best: Candidate,
    /// No heating by the power: a reference, and a decay if the start is free.
    pub(super) null: Candidate,
    /// A reference alone.
    pub(super) flat: Candidate,
}

/// The search for a model on one drive.
pub(super) struct Search<'a> {
    drive: &'a Drive,
    rows: Vec<usize>,
    options: &'a Options,
    resolution_k: f64,
    priors: Priors,
}

impl<'a> Search<'a> {
    pub(super) fn new(
        drive: &'a Drive,
        options: &'a Options,
        resolution_k: f64,
        priors: Priors,
    ) -> Self {
        Self {
            drive,
            rows: rows_used(drive),
            options,
            resolution_k,
            priors,
        }
    }

    /// Grows the model while that predicts better.
    pub(super) fn run(&mut self, free_start: bool) -> Choice {
        let null_shape = Shape {
            stages: 0,
            lag: false,
            free_start,
        };
        let null = self.candidate(null_shape, None);
        let flat = self.candidate(
            Shape {
                free_start: false,
                ..null_shape
            },
            None,
        );
        let mut best = self.candidate(
            Shape {
                stages: 1,
                ..null_shape
            },
            None,
        );
        self.weigh(&best);
        best = self.scored(best.shape, best.solution);
        while let Some(next) = self.richer(&best) {
            best = next;
        }
        Choice { best, null, flat }
    }

    /// The better of one stage more and a lag, if either is worth it.
    fn richer(&self, best: &Candidate) -> Option<Candidate> {
        let shape = best.shape;
        let more = Shape {
            stages: shape.stages + 1,
            ..shape
        };
        let lagged = Shape { lag: true, ..shape };
        let wanted = self.options.nodes;
        let forced = wanted.is_some_and(|nodes| shape.stages < nodes);
        let may_grow = wanted.map_or(shape.stages < self.options.max_nodes, |_| forced);
        let mut found: Vec<Candidate> = Vec::new();
        if may_grow {
            found.push(self.candidate(more, Some(best)));
        }
        if self.options.sensor_lag && !shape.lag {
            found.push(self.candidate(lagged, Some(best)));
        }
        if forced {
            return found.into_iter().next();
        }
        found
            .into_iter()
            .filter(|c| c.held_out_k < (1.0 - WORTH) * best.held_out_k)
            .filter(all_stages_heat)
            .min_by(|a, b| a.held_out_k.total_cmp(&b.held_out_k))
    }

    /// Weighs the priors against the noise that a first fit leaves.
    fn weigh(&mut self, fitted: &Candidate) {
        let residual_k = residuals_k(self.drive, &self.rows, fitted.shape, &fitted.solution);
        let step_s = self.drive.median_step_s();
        let noise = Noise::of(
            &residual_k,
            step_s,
            fitted.shape.linear() + 1,
            self.resolution_k,
        );
        self.priors.weight_k = noise.sigma_k() * noise.redundancy(step_s).sqrt();
    }

    pub(super) fn priors(&self) -> Priors {
        self.priors
    }

    fn candidate(&self, shape: Shape, base: Option<&Candidate>) -> Candidate {
        let problem = Problem {
            drive: self.drive,
            rows: &self.rows,
            shape,
            priors: self.priors,
        };
        let start = self.best_start(&problem, base);
        let solution = problem.solve(&start, ROUGH);
        self.scored(shape, solution)
    }

    fn scored(&self, shape: Shape, solution: Solution) -> Candidate {
        let held_out_k = self.held_out_k(shape, &solution);
        Candidate {
            shape,
            solution,
            held_out_k,
        }
    }

    /// The base's time constants and, for the new one, the best of a coarse grid.
    fn best_start(&self, problem: &Problem<'_>, base: Option<&Candidate>) -> Vec<f64> {
        let shape = problem.shape;
        if shape.nonlinear() == 0 {
            return Vec::new();
        }
        let (stages, lag) = match base {
            Some(base) => {
                let (stages, lag) = base.solution.ln_tau.split_at(base.shape.poles());
                (stages.to_vec(), lag.to_vec())
            }
            None => (Vec::new(), Vec::new()),
        };
        let adds_lag = shape.lag && lag.is_empty();
        let (from, to) = (
            self.drive.median_step_s().ln() - 0.5,
            self.drive.span_s().ln() - 0.5,
        );
        (0..STARTS)
            .map(|i| {
                let new = from + (to - from) * i as f64 / (STARTS - 1) as f64;
                let mut start = stages.clone();
                if !adds_lag {
                    start.push(new);
                }
                start.extend(&lag);
                if adds_lag {
                    start.push(new);
                }
                start
            })
            .map(|start| (problem.objective(&start), start))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or_else(Vec::new, |(_, start)| start)
    }

    fn held_out_k(&self, shape: Shape, solution: &Solution) -> f64 {
        let mut sum = 0.0;
        for stretch in 0..STRETCHES {
            let (inside, outside) = split(&self.rows, stretch);
            let problem = Problem {
                drive: self.drive,
                rows: &outside,
                shape,
                priors: self.priors,
            };
            let fitted = problem.solve(&solution.ln_tau, ROUGH);
            let errors = residuals_k(self.drive, &inside, shape, &fitted);
            sum += errors.iter().map(|e| e * e).sum::<f64>();
        }
        (sum / self.rows.len().max(1) as f64).sqrt()
    }
}

/// A stage that heats nothing only repeats the simpler model.
fn all_stages_heat(candidate: &Candidate) -> bool {
    idle_stage(&candidate.solution.beta[..candidate.shape.stages]).is_none()
}

/// The first stage with less than a ten-thousandth of the resistance.
pub(super) fn idle_stage(resistances: &[f64]) -> Option<usize> {
    let total: f64 = resistances.iter().sum();
    resistances.iter().position(|r| *r <= 1e-4 * total)
}

/// The rows inside and outside one of the stretches.
fn split(rows: &[usize], stretch: usize) -> (Vec<usize>, Vec<usize>) {
    let from = rows.len() * stretch / STRETCHES;
    let to = rows.len() * (stretch + 1) / STRETCHES;
    let outside = rows[..from].iter().chain(&rows[to..]).copied().collect();
    (rows[from..to].to_vec(), outside)
}

pub(super) fn rows_used(drive: &Drive) -> Vec<usize> {
    (0..drive.len()).filter(|&i| drive.used[i]).collect()
}

/// Measured minus predicted at the given rows.
pub(super) fn residuals_k(
    drive: &Drive,
    rows: &[usize],
    shape: Shape,
    solution: &Solution,
) -> Vec<f64> {
    let predicted = Basis::new(drive, shape, &solution.ln_tau).predict(&solution.beta);
    rows.iter().map(|&i| drive.temp[i] - predicted[i]).collect()
}

/// The drive on which the choice is made.
pub(super) fn choice_drive(drive: &Drive) -> Drive {
    let rows = (drive.len() / 3).clamp(*CHOICE_ROWS.start(), *CHOICE_ROWS.end());
    drive.clone().merged(rows)
}
