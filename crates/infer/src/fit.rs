//! The fit of all models to all evidence: maximum a posteriori, with the covariance behind it.

use std::fmt;

use settlepoint_domain::{Basis, Estimate, Finding, Severity};
use settlepoint_stats::DMatrix;
use settlepoint_stats::chains::{effective_size, r_hat};
use settlepoint_stats::least_squares::{Fit, Options, minimise};
use settlepoint_stats::random::Random;

use crate::evidence::{Evidence, RunEvidence};
use crate::forward::predict_run;
use crate::layout::{Key, Layout};
use crate::posterior::{OFF, Observation, Posterior, Quantity, blocks, observations, residual};
use crate::prior::PriorChange;
use crate::sample::{CHAINS, Length, sample};

/// Scatter of K/W from run to run (simulation study, no published source).
pub(crate) const RUN_SCATTER: f64 = 0.008;
/// Draws from the posterior behind every interval.
pub(crate) const DRAWS: usize = 200;
/// Seed of the draws: the same notebook gives the same intervals.
const SEED: u64 = 0x5e77_1e90_1a7e_0001;

/// Why a fit cannot be had.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum InferError {
    /// Nothing to fit.
    NoRuns,
    /// Runs or readings that the question needs are not there; the message says which.
    Missing(String),
    /// Runs, but no temperature or power in any of them.
    NoReadings,
    /// The solver gave up; its message.
    Solver(String),
    /// A prior that cannot be changed so; the message says why.
    Prior(String),
    /// A workload, run or cooling that is not there; the message says which and what there is.
    Unknown(String),
}

impl fmt::Display for InferError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoRuns => f.write_str(
                "there are no runs to fit; add some with 'settlepoint add readings' or 'settlepoint \
                 add log'",
            ),
            Self::NoReadings => f.write_str(
                "no run has a package temperature under load; note at least the temperature and the \
                 watts of each run's settled part",
            ),
            Self::Solver(why) => write!(f, "the fit did not come to an end: {why}"),
            Self::Missing(what) | Self::Prior(what) | Self::Unknown(what) => f.write_str(what),
        }
    }
}

impl std::error::Error for InferError {}

/// One posterior draw: a vector of parameters and the scatter of a new run's K/W.
#[derive(Clone, Debug, PartialEq)]
pub struct Draw {
    /// Standardised parameters.
    pub z: Vec<f64>,
    /// Factor on every resistance of a run made anew.
    pub run_factor: f64,
}

/// The fitted models of one cooling.
#[derive(Clone, Debug)]
pub struct CoolingFit {
    /// Parameters and priors.
    pub layout: Layout,
    /// The runs that were used.
    pub evidence: Evidence,
    /// Most probable standardised parameters.
    pub z: Vec<f64>,
    /// Covariance of `z`, n x n.
    pub covariance: DMatrix<f64>,
    /// Draws from the posterior.
    pub draws: Vec<Draw>,
    /// Share of proposals from the normal approximation, three coordinates anew, that the posterior
    /// accepts: near 1 where the approximation is good.
    pub acceptance: f64,
    /// Whether the solver met its tolerance.
    pub converged: bool,
    /// Its iterations.
    pub iterations: usize,
}

/// What machines differ by, over what the priors of the table allow (judgement).
const BETWEEN_MACHINES: f64 = 0.6;
/// Chains agree above no more than this, and are enough from so many independent draws on. The
/// source's bounds (see [`settlepoint_stats::chains`]) are for chains of thousands of draws; the
/// largest of forty values of 200 draws passes 1.05 by chance.
const AGREES: f64 = 1.1;
const ENOUGH: f64 = 50.0;

/// How the draws behind every interval came out.
#[derive(Clone, Debug, PartialEq)]
pub struct Sampling {
    /// How many.
    pub draws: usize,
    /// Largest split R-hat over all parameters.
    pub r_hat: f64,
    /// Smallest effective sample size over all parameters.
    pub effective: f64,
    /// Share of proposals from the normal approximation that were accepted.
    pub acceptance: f64,
    /// The parameter with the smallest effective size.
    pub slowest: String,
}

impl Sampling {
    /// Whether intervals may be taken from these draws.
    pub fn is_enough(&self) -> bool {
        self.r_hat <= AGREES && self.effective >= ENOUGH
    }

    /// The same for people.
    pub fn sentence(&self) -> String {
        let figures = format!(
            "R-hat {:.2} at most, {:.0} independent draws of {} at least ({})",
            self.r_hat, self.effective, self.draws, self.slowest
        );
        if self.is_enough() {
            format!("the chains of draws agree: {figures}")
        } else {
            format!(
                "the chains of draws do not agree well yet: {figures}; intervals may be a little off, \
                 --thorough takes longer and draws more"
            )
        }
    }
}

/// How a fit is made.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FitOptions {
    /// Priors instead of the table's.
    pub priors: Vec<PriorChange>,
    /// Four times as many draws, from chains sixteen times as long.
    pub thorough: bool,
}

/// Factor on draws and on steps between them of a thorough fit.
const THOROUGH: usize = 4;

/// Fits all models to the runs of one cooling.
///
/// # Errors
/// No runs, no temperatures or powers, or a solver that stopped without an answer.
pub fn fit(evidence: Evidence) -> Result<CoolingFit, InferError> {
    fit_with(evidence, &FitOptions::default())
}

/// The same with options.
///
/// # Errors
/// As [`fit`], and a prior that cannot be changed so.
pub fn fit_with(evidence: Evidence, options: &FitOptions) -> Result<CoolingFit, InferError> {
    if evidence.runs.is_empty() {
        return Err(InferError::NoRuns);
    }
    if evidence.readings(|w| w.package_c).next().is_none() {
        return Err(InferError::NoReadings);
    }
    let mut layout = Layout::new(&evidence);
    layout.change_priors(&options.priors)?;
    let observations = observations(&evidence);
    let blocks = blocks(&observations);
    let mut problem = Posterior {
        layout: &layout,
        evidence: &evidence,
        observations: &observations,
        blocks: &blocks,
        weight: 1.0,
        scales: vec![0.0; layout.len() - layout.len_physical()],
    };
    let Mode {
        solved,
        z,
        covariance,
    } = mode(&mut problem)?;
    let root = covariance
        .clone()
        .cholesky()
        .ok_or_else(|| InferError::Solver("the covariance is not positive definite".into()))?
        .unpack();
    let more = if options.thorough { THOROUGH } else { 1 };
    let length = Length {
        draws: more * DRAWS,
        thin: more * thinning(&evidence),
    };
    let sampled = sample(&z, &root, &problem, length, SEED);
    Ok(CoolingFit {
        z,
        converged: solved.stopped.converged(),
        iterations: solved.iterations,
        covariance,
        draws: sampled.draws,
        acceptance: sampled.acceptance,
        layout,
        evidence,
    })
}

/// What is believed before anything was read: the priors alone, for planning first runs. `evidence`
/// holds the settings that are possible and the workloads; its readings are not looked at.
///
/// # Errors
/// No runs to take the range of the limits from.
pub fn from_priors(evidence: Evidence) -> Result<CoolingFit, InferError> {
    if evidence.runs.is_empty() {
        return Err(InferError::NoRuns);
    }
    let layout = Layout::new(&evidence);
    let n = layout.len();
    let mut random = Random::from_seed(SEED);
    let draws = (0..DRAWS)
        .map(|_| Draw {
            z: (0..n).map(|_| random.normal()).collect(),
            run_factor: (RUN_SCATTER * random.normal()).exp(),
        })
        .collect();
    Ok(CoolingFit {
        z: vec![0.0; n],
        covariance: DMatrix::identity(n, n),
        draws,
        acceptance: 1.0,
        converged: true,
        iterations: 0,
        layout,
        evidence,
    })
}

/// The most probable vector, error scales included, and the normal approximation around it.
struct Mode {
    solved: Fit,
    z: Vec<f64>,
    covariance: DMatrix<f64>,
}

/// Rounds of solving and weighing the readings anew.
const ROUNDS: usize = 3;
/// A change of an error scale that calls for another solution, in standard deviations of its prior.
const SCALE_CHANGE: f64 = 0.25;

/// Solves for the parameters under the error scales, then for the scales given what the solution
/// leaves, until the latter stay.
fn mode(problem: &mut Posterior<'_>) -> Result<Mode, InferError> {
    let mut solved = solve(problem)?;
    let mut round = 1;
    loop {
        let covariance = solved
            .covariance(Some(1.0))
            .map_err(|e| InferError::Solver(e.to_string()))?;
        let scales = problem.error_scales(&solved.params, &solved.jacobian, &covariance);
        let change = scales
            .iter()
            .zip(&problem.scales)
            .map(|(new, old)| (new.0 - old).abs())
            .fold(0.0, f64::max);
        if change < SCALE_CHANGE || round == ROUNDS {
            return Ok(joined(solved, &covariance, &problem.scales, &scales));
        }
        problem.scales = scales.iter().map(|s| s.0).collect();
        solved = finish(problem, &solved.params)?;
        round += 1;
    }
}

fn joined(solved: Fit, covariance: &DMatrix<f64>, scales: &[f64], spreads: &[(f64, f64)]) -> Mode {
    let n = covariance.nrows();
    let whole = n + scales.len();
    let mut joint = DMatrix::zeros(whole, whole);
    joint.view_mut((0, 0), (n, n)).copy_from(covariance);
    for (i, (_, sd)) in spreads.iter().enumerate() {
        joint[(n + i, n + i)] = sd * sd;
    }
    let mut z = solved.params.clone();
    z.extend_from_slice(scales);
    Mode {
        solved,
        z,
        covariance: joint,
    }
}

/// Weights of the readings, one solution after another. Precise readings that bend sharply (limits,
/// fan curves) make a landscape with wells far from the prior; with the prior in the lead first, the
/// solver enters the right one.
const WEIGHTS: [f64; 3] = [0.1, 0.35, 1.0];
/// Iterations that a solution on the way may take.
const EARLY_ITERATIONS: usize = 12;

fn solve(problem: &Posterior<'_>) -> Result<Fit, InferError> {
    let early = Options {
        max_iterations: EARLY_ITERATIONS,
        reduction_tolerance: 1e-2,
        ..precision()
    };
    let mut start = vec![0.0; problem.layout.len_physical()];
    for weight in WEIGHTS.into_iter().filter(|w| *w < 1.0) {
        let softer = Posterior {
            weight,
            scales: problem.scales.clone(),
            ..*problem
        };
        start = minimise(&softer, &start, &early)
            .map_err(|e| InferError::Solver(e.to_string()))?
            .params;
    }
    finish(problem, &start)
}

/// The last solution, from a start in its well.
fn finish(problem: &Posterior<'_>, start: &[f64]) -> Result<Fit, InferError> {
    minimise(problem, start, &precision()).map_err(|e| InferError::Solver(e.to_string()))
}

/// The residuals are in standard deviations: a change of 1e-4 of their sum of squares is nothing.
fn precision() -> Options {
    Options {
        max_iterations: 60,
        reduction_tolerance: 1e-4,
        step_tolerance: 1e-3,
        gradient_tolerance: 1e-5,
        refinements: 0,
        ..Options::default()
    }
}

/// Steps between kept draws: as many as a few tenths of a second allow. Runs of which only the settled
/// end counts cost next to nothing; the others are simulated second by second. Depends on the data
/// alone, so that a fit gives the same numbers on any machine.
fn thinning(evidence: &Evidence) -> usize {
    let simulated_s: f64 = evidence
        .runs
        .iter()
        .filter(|r| !r.settled_only())
        .map(|r| r.duration_s.min(10_000.0))
        .sum();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped"
    )]
    let steps = (150_000.0 / simulated_s.max(1.0)).clamp(10.0, 200.0) as usize;
    steps
}

impl CoolingFit {
    /// Readings that do not fit the rest: a slip of the pen, a wrong unit, or something that the
    /// models do not know.
    pub fn readings_off(&self) -> Vec<Finding> {
        let mut findings = Vec::new();
        let all = observations(&self.evidence);
        for (index, run) in self.evidence.runs.iter().enumerate() {
            let prediction = predict_run(&self.layout, &self.z, index, run, 1.0);
            for o in all.iter().filter(|o| o.run == index) {
                let r = residual(&self.layout, &self.z, run, &prediction, &self.evidence, o);
                // As stated, not as fitted: one slip in a handful of readings is what widens their
                // scale.
                if r.abs() > OFF {
                    findings.push(off(run, o, r));
                }
            }
        }
        findings
    }

    /// How far the chains of draws agree, and what they are worth.
    pub fn sampling(&self) -> Sampling {
        let chain = |parameter: usize, first: usize| -> Vec<f64> {
            let own = self.draws.iter().skip(first).step_by(CHAINS);
            own.map(|d| d.z[parameter]).collect()
        };
        let known = |value: f64, otherwise: f64| if value.is_nan() { otherwise } else { value };
        let mut sampling = Sampling {
            draws: self.draws.len(),
            r_hat: 1.0,
            effective: f64::INFINITY,
            acceptance: self.acceptance,
            slowest: String::new(),
        };
        for (i, prior) in self.layout.priors().iter().enumerate() {
            let chains: Vec<Vec<f64>> = (0..CHAINS).map(|c| chain(i, c)).collect();
            // Draws that never moved are no draws.
            sampling.r_hat = sampling.r_hat.max(known(r_hat(&chains), f64::INFINITY));
            let effective = known(effective_size(&chains), 0.0);
            if effective < sampling.effective {
                sampling.effective = effective;
                sampling.slowest.clone_from(&prior.name);
            }
        }
        sampling
    }

    /// What this fit found as priors for another machine: every parameter that is not a size of this
    /// one, as wide as machines differ.
    pub fn as_priors(&self) -> Vec<PriorChange> {
        let own = |key: Key| {
            matches!(
                key,
                Key::Demand(_)
                    | Key::Rate(_)
                    | Key::Clock(_)
                    | Key::Room(_)
                    | Key::IdlePower
                    | Key::FanFull
                    | Key::SoundFull
                    | Key::Discrepancy(_)
            )
        };
        let keys = self.layout.keys().iter().enumerate();
        keys.filter(|(_, key)| !own(**key))
            .map(|(i, _)| {
                let prior = &self.layout.priors()[i];
                let sd = self.covariance[(i, i)].max(0.0).sqrt();
                PriorChange {
                    name: prior.name.clone(),
                    centre: prior.natural(self.z[i]),
                    sd: prior.sd * sd.hypot(BETWEEN_MACHINES).min(1.0),
                    reason: "as on an earlier machine, give or take what machines differ by".into(),
                    required: false,
                }
            })
            .collect()
    }

    /// Posterior standard deviation of a parameter over its prior's: near 1 means that the data
    /// say nothing of it.
    pub fn learned(&self, key: Key) -> Option<f64> {
        self.layout
            .place(key)
            .map(|i| self.covariance[(i, i)].max(0.0).sqrt())
    }

    /// A parameter with its interval.
    pub fn parameter(&self, key: Key) -> Option<Estimate> {
        let i = self.layout.place(key)?;
        let prior = &self.layout.priors()[i];
        let sd = self.covariance[(i, i)].max(0.0).sqrt();
        let normal = Estimate::normal(self.z[i], sd, Basis::Measured);
        let basis = if sd > 0.9 {
            Basis::Assumed
        } else {
            Basis::Measured
        };
        Some(Estimate {
            value: prior.natural(normal.value),
            lo: prior.natural(normal.lo),
            hi: prior.natural(normal.hi),
            basis,
        })
    }

    /// Multiple correlation of a parameter with others: 0 if they tell nothing of it, 1 if they
    /// settle it. Those that the fit does not have are passed over.
    pub fn multiple_correlation(&self, key: Key, others: &[Key]) -> f64 {
        let places: Vec<usize> = std::iter::once(&key)
            .chain(others)
            .filter_map(|k| self.layout.place(*k))
            .collect();
        if places.len() < 2 || self.layout.place(key).is_none() {
            return 0.0;
        }
        let own = DMatrix::from_fn(places.len(), places.len(), |i, j| {
            self.covariance[(places[i], places[j])]
        });
        let variance = own[(0, 0)];
        let left = own
            .try_inverse()
            .map_or(0.0, |inverse| 1.0 / inverse[(0, 0)]);
        (1.0 - left / variance).clamp(0.0, 1.0).sqrt()
    }
}

fn off(run: &RunEvidence, o: &Observation, residual: f64) -> Finding {
    let what = match o.quantity {
        Quantity::Power => "W",
        Quantity::Package => "°C",
        Quantity::FanSpeed => "rpm",
        Quantity::Level => "dB(A)",
        Quantity::Clock(_) => "MHz",
        Quantity::Score => "as score",
        Quantity::BoostLength => "s of boost",
    };
    let side = if residual > 0.0 { "below" } else { "above" };
    Finding {
        rule: "reading_off",
        severity: Severity::Warning,
        run: Some(run.name.clone()),
        evidence: format!(
            "{} {what} lies {:.0} standard deviations {side} what the other runs lead to",
            o.reading.value,
            residual.abs()
        ),
        remedy:
            "check the cell, its unit and the run's limits; leave the run out if it was disturbed"
                .into(),
    }
}
