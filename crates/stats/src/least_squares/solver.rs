//! The iteration: trust region, acceptance, tests for convergence, refinement.

use super::differences::{Differentiator, Order};
use super::step::{Linearised, Step};
use super::{Fit, FitError, Jacobian, Problem, Stop};

/// How far and how carefully to search.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Most Jacobians taken in the search; default 500.
    pub max_iterations: usize,
    /// Relative fall of the sum of squares, promised and actual, taken as none; default 1e-14.
    pub reduction_tolerance: f64,
    /// Relative size of the trust region taken as none; default 1e-12.
    pub step_tolerance: f64,
    /// Cosine between the residuals and a column of the Jacobian taken as a right angle;
    /// default 1e-14.
    pub gradient_tolerance: f64,
    /// Radius of the first trust region relative to the scaled start `|D start|`; default 1.
    /// Smaller is more careful with a poor start, larger is quicker with a good one.
    pub first_radius: f64,
    /// Also tries each step bent by the second-order correction of Transtrum and Sethna and keeps
    /// the better of the two. Costs two evaluations a step, few beside those of a Jacobian, and
    /// follows narrow curved valleys: it halves the evaluations over the NIST problems and
    /// converges on two that are lost without it. Default true.
    pub geodesic_acceleration: bool,
    /// Most Gauss-Newton steps on fourth-order Jacobians after convergence; default 20, 0 for
    /// none. They add digits, not a better minimum.
    pub refinements: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            max_iterations: 500,
            reduction_tolerance: 1e-14,
            step_tolerance: 1e-12,
            gradient_tolerance: 1e-14,
            first_radius: 1.0,
            geodesic_acceleration: true,
            refinements: 20,
        }
    }
}

/// Least fraction of the promised reduction that a step must deliver (Moré 1978, step d).
const ACCEPT_RATIO: f64 = 1e-4;

/// A trust region that shrank this often without one acceptable step is stuck.
const MAX_REJECTIONS: usize = 120;

/// Largest accepted `|acceleration| / |velocity|` (Transtrum and Sethna 2012, eq. 15, with their
/// recommended 0.75 for twice this ratio).
const MAX_ACCELERATION: f64 = 0.375;

/// Relative length of the difference for the second directional derivative (same source).
const ACCELERATION_STEP: f64 = 0.1;

/// Minimises the sum of squared residuals of `problem` from `start`.
///
/// A fit that did not converge is returned, not refused: see [`Fit::stopped`].
///
/// # Errors
///
/// [`FitError`] if the problem has fewer residuals than parameters, the start does not fit the
/// problem or lies outside its domain, or a derivative is not finite.
pub fn minimise<P: Problem + ?Sized>(
    problem: &P,
    start: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    let mut search = Search::new(problem, start, options)?;
    let stopped = search.run()?;
    if stopped.converged() {
        search.refine()?;
    }
    search.finish(stopped)
}

/// A point with its residuals.
struct Point {
    params: Vec<f64>,
    residuals: Vec<f64>,
}

impl Point {
    fn norm(&self) -> f64 {
        norm(&self.residuals)
    }
}

struct Search<'a, P: Problem + ?Sized> {
    options: &'a Options,
    differentiator: Differentiator<'a, P>,
    best: Point,
    trial: Point,
    jacobian: Jacobian,
    /// Diagonal of D.
    scale: Vec<f64>,
    radius: f64,
    iterations: usize,
}

/// What came of the trials at one linearisation.
enum Progress {
    Moved,
    Stopped(Stop),
}

impl<'a, P: Problem + ?Sized> Search<'a, P> {
    fn new(problem: &'a P, start: &[f64], options: &'a Options) -> Result<Self, FitError> {
        let (m, n) = (problem.len_residuals(), problem.len_params());
        if m < n {
            return Err(FitError::TooFewResiduals {
                residuals: m,
                params: n,
            });
        }
        if start.len() != n {
            return Err(FitError::StartLength {
                given: start.len(),
                params: n,
            });
        }
        if let Some(param) = start.iter().position(|p| !p.is_finite()) {
            return Err(FitError::StartNotFinite { param });
        }
        let mut differentiator = Differentiator::new(problem);
        let mut residuals = vec![0.0; m];
        differentiator.residuals(start, &mut residuals);
        if let Some(residual) = residuals.iter().position(|r| !r.is_finite()) {
            return Err(FitError::ResidualNotFinite { residual });
        }
        Ok(Self {
            options,
            differentiator,
            best: Point {
                params: start.to_vec(),
                residuals,
            },
            trial: Point {
                params: vec![0.0; n],
                residuals: vec![0.0; m],
            },
            jacobian: Jacobian::zeros(m, n),
            scale: vec![0.0; n],
            radius: 0.0,
            iterations: 0,
        })
    }

    fn run(&mut self) -> Result<Stop, FitError> {
        if self.best.params.is_empty() {
            return Ok(Stop::Gradient);
        }
        while self.iterations < self.options.max_iterations {
            let linearised = self.linearise(Order::Second)?;
            let cosine = linearised.gradient_cosine(&self.jacobian, self.best.norm());
            if cosine <= self.options.gradient_tolerance {
                return Ok(Stop::Gradient);
            }
            if let Progress::Stopped(stop) = self.try_steps(&linearised) {
                return Ok(stop);
            }
        }
        Ok(Stop::MaxIterations)
    }

    /// Jacobian at the best point, decomposed; D grows with its columns.
    fn linearise(&mut self, order: Order) -> Result<Linearised, FitError> {
        self.differentiator.jacobian(
            &self.best.params,
            &self.best.residuals,
            order,
            &mut self.jacobian,
        )?;
        self.iterations += 1;
        let first = self.iterations == 1;
        for (d, column) in self.scale.iter_mut().zip(self.jacobian.column_iter()) {
            *d = d.max(column.norm());
            if first && *d == 0.0 {
                *d = 1.0;
            }
        }
        if first {
            self.radius = self.options.first_radius
                * match self.scaled_size() {
                    0.0 => 1.0,
                    size => size,
                };
        }
        Ok(Linearised::new(
            &self.jacobian,
            &self.best.residuals,
            &self.scale,
        ))
    }

    /// `|D params|`.
    fn scaled_size(&self) -> f64 {
        self.scale
            .iter()
            .zip(&self.best.params)
            .map(|(d, p)| (d * p).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// Shrinks the trust region until a step is acceptable or nothing is left to gain.
    fn try_steps(&mut self, linearised: &Linearised) -> Progress {
        for _ in 0..MAX_REJECTIONS {
            let step = linearised.step(self.radius);
            if self.iterations == 1 {
                self.radius = self.radius.min(step.scaled_norm);
            }
            let Some(ratio) = self.better_of(linearised, &step) else {
                self.radius = 0.25 * self.radius.min(step.scaled_norm);
                if self.radius <= self.options.step_tolerance * self.scaled_size() {
                    return Progress::Stopped(Stop::Stuck);
                }
                continue;
            };
            self.resize(&step, &ratio);
            let accepted = ratio.actual >= ACCEPT_RATIO * ratio.promised && ratio.actual > 0.0;
            if accepted {
                std::mem::swap(&mut self.best, &mut self.trial);
            }
            if let Some(stop) = self.converged(&ratio) {
                return Progress::Stopped(stop);
            }
            if accepted {
                return Progress::Moved;
            }
        }
        Progress::Stopped(Stop::Stuck)
    }

    /// Evaluates the trial point; nothing if a residual is not finite.
    fn evaluate(&mut self, step: &Step) -> Option<Ratio> {
        moved(&self.best.params, &step.change, 1.0, &mut self.trial.params);
        if !self
            .differentiator
            .residuals(&self.trial.params, &mut self.trial.residuals)
        {
            return None;
        }
        let before = self.best.norm().powi(2);
        let damping_part = step.damping * step.scaled_norm.powi(2);
        // Summed as products of differences: the sums of squares themselves agree to all digits
        // long before the parameters do.
        let fall: f64 = self
            .best
            .residuals
            .iter()
            .zip(&self.trial.residuals)
            .map(|(b, t)| (b - t) * (b + t))
            .sum();
        Some(Ratio {
            actual: fall / before,
            promised: (step.linear_squared + 2.0 * damping_part) / before,
            slope: -(step.linear_squared + damping_part) / before,
        })
    }

    /// Moré's rule for the next radius.
    fn resize(&mut self, step: &Step, ratio: &Ratio) {
        let quality = ratio.actual / ratio.promised;
        if quality <= 0.25 || quality.is_nan() {
            let shrink = if ratio.actual >= 0.0 {
                0.5
            } else {
                0.5 * ratio.slope / (ratio.slope + 0.5 * ratio.actual)
            };
            // Also covers a trial so poor (or so large that it overflows) that the parabola
            // through it says nothing.
            let shrink = if shrink >= 0.1 && ratio.actual > -99.0 {
                shrink
            } else {
                0.1
            };
            self.radius = shrink * self.radius.min(10.0 * step.scaled_norm);
        } else if step.damping == 0.0 || quality >= 0.75 {
            self.radius = 2.0 * step.scaled_norm;
        }
    }

    fn converged(&self, ratio: &Ratio) -> Option<Stop> {
        let tolerance = self.options.reduction_tolerance;
        if ratio.actual.abs() <= tolerance
            && ratio.promised <= tolerance
            && ratio.actual <= 2.0 * ratio.promised
        {
            return Some(Stop::Reduction);
        }
        let small = self.radius <= self.options.step_tolerance * self.scaled_size();
        small.then_some(Stop::Step)
    }

    /// Evaluates the step and, if wanted, the same step bent by the second-order correction, and
    /// leaves the better of the two as trial point; nothing if neither is finite.
    fn better_of(&mut self, linearised: &Linearised, step: &Step) -> Option<Ratio> {
        let bent = if self.options.geodesic_acceleration {
            self.bent(linearised, step)
        } else {
            None
        };
        let bent_ratio = bent.and_then(|bent| self.evaluate(&bent));
        let Some(bent_ratio) = bent_ratio else {
            return self.evaluate(step);
        };
        let kept = Point {
            params: self.trial.params.clone(),
            residuals: self.trial.residuals.clone(),
        };
        match self.evaluate(step) {
            Some(ratio) if ratio.actual > bent_ratio.actual => Some(ratio),
            _ => {
                self.trial = kept;
                Some(bent_ratio)
            }
        }
    }

    /// The step with half the second-order correction; nothing if that is large beside the step,
    /// because then the linearisation says nothing that far away.
    fn bent(&mut self, linearised: &Linearised, step: &Step) -> Option<Step> {
        let h = ACCELERATION_STEP;
        moved(&self.best.params, &step.change, h, &mut self.trial.params);
        if !self
            .differentiator
            .residuals(&self.trial.params, &mut self.trial.residuals)
        {
            return None;
        }
        let along = &self.jacobian * nalgebra::DVector::from_column_slice(&step.change);
        let curvature: Vec<f64> = self
            .trial
            .residuals
            .iter()
            .zip(&self.best.residuals)
            .zip(along.iter())
            .map(|((ahead, here), slope)| 2.0 / h * ((ahead - here) / h - slope))
            .collect();
        let acceleration = linearised.acceleration(&curvature, step.damping);
        if acceleration.scaled_norm > MAX_ACCELERATION * step.scaled_norm {
            return None;
        }
        let change = step.change.iter().zip(&acceleration.change);
        Some(Step {
            change: change.map(|(v, a)| v + a).collect(),
            ..*step
        })
    }

    /// Gauss-Newton steps for as long as they contract; see [`Options::refinements`].
    fn refine(&mut self) -> Result<(), FitError> {
        let size = self.best.norm();
        let columns = self.jacobian.column_iter();
        self.differentiator.sensible_change = columns
            .map(|column| match column.norm() {
                0.0 => 0.0,
                norm => size / norm,
            })
            .collect();
        let mut last = 1e-3 * self.scaled_size();
        for _ in 0..self.options.refinements {
            let linearised = self.linearise(Order::Fourth)?;
            let step = linearised.step(f64::INFINITY);
            if !(step.scaled_norm > 0.0 && step.scaled_norm < 0.7 * last) {
                break;
            }
            let Some(ratio) = self.evaluate(&step) else {
                break;
            };
            // A fall below the rounding of the sum is unknown in sign; a rise above it is not.
            if ratio.actual < -self.rounding() {
                break;
            }
            last = step.scaled_norm;
            std::mem::swap(&mut self.best, &mut self.trial);
            if last <= f64::EPSILON * self.scaled_size() {
                break;
            }
        }
        Ok(())
    }

    /// Relative change of the sum of squares that rounding of the residuals explains: they are
    /// differences of numbers of about the size `|D params|`.
    fn rounding(&self) -> f64 {
        8.0 * f64::EPSILON * (1.0 + self.scaled_size() / self.best.norm())
    }

    fn finish(mut self, stopped: Stop) -> Result<Fit, FitError> {
        self.differentiator.jacobian(
            &self.best.params,
            &self.best.residuals,
            Order::Fourth,
            &mut self.jacobian,
        )?;
        Ok(Fit {
            residual_ss: self.best.residuals.iter().map(|r| r * r).sum(),
            params: self.best.params,
            residuals: self.best.residuals,
            jacobian: self.jacobian,
            iterations: self.iterations,
            evaluations: self.differentiator.evaluations,
            stopped,
        })
    }
}

/// Falls of the sum of squares relative to its value.
struct Ratio {
    actual: f64,
    promised: f64,
    /// Directional derivative of half the relative sum of squares.
    slope: f64,
}

fn moved(from: &[f64], change: &[f64], fraction: f64, to: &mut [f64]) {
    for ((to, from), change) in to.iter_mut().zip(from).zip(change) {
        *to = from + fraction * change;
    }
}

fn norm(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}
