//! The fit of all models to all evidence: maximum a posteriori, with the covariance behind it.

use std::fmt;

use settlepoint_domain::{Basis, Direction, Estimate, Finding, Severity};
use settlepoint_stats::DMatrix;
use settlepoint_stats::least_squares::{Derivatives, Fit, Jacobian, Options, Problem, minimise};
use settlepoint_stats::random::Random;

use crate::evidence::{Evidence, Reading, RunEvidence};
use crate::forward::{Means, RunPrediction, predict_run};
use crate::layout::{Key, Layout};
use crate::sample::{Length, sample};

/// Step of the differences on the scale of the priors. The simulator is smooth to about 1e-7 there;
/// truncation and rounding are both far below the readings' errors.
const DIFFERENCE_STEP: f64 = 2e-3;
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
            Self::Missing(what) | Self::Unknown(what) => f.write_str(what),
        }
    }
}

impl std::error::Error for InferError {}

/// What a reading is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Quantity {
    Power,
    Package,
    FanSpeed,
    Level,
    Clock(usize),
    Score,
    BoostLength,
}

/// One residual: which run and window, what, and the reading.
#[derive(Clone, Copy, Debug)]
struct Observation {
    run: usize,
    window: usize,
    quantity: Quantity,
    reading: Reading,
}

fn observations(evidence: &Evidence) -> Vec<Observation> {
    let mut all = Vec::new();
    for (run, r) in evidence.runs.iter().enumerate() {
        for (window, w) in r.windows.iter().enumerate() {
            let readings = [
                (Quantity::Power, w.power_w),
                (Quantity::Package, w.package_c),
                (Quantity::FanSpeed, w.fan_speed_rpm),
                (Quantity::Level, w.level_dba),
                (Quantity::Clock(0), w.clock_mhz[0]),
                (Quantity::Clock(1), w.clock_mhz[1]),
            ];
            all.extend(readings.into_iter().filter_map(|(quantity, reading)| {
                Some(Observation {
                    run,
                    window,
                    quantity,
                    reading: reading?,
                })
            }));
        }
        let whole = [
            (Quantity::Score, r.score),
            (Quantity::BoostLength, r.boost_s),
        ];
        all.extend(whole.into_iter().filter_map(|(quantity, reading)| {
            Some(Observation {
                run,
                window: 0,
                quantity,
                reading: reading?,
            })
        }));
    }
    all
}

/// Readings of one quantity in one run that have a part of their errors in common.
struct Block {
    /// Which observations.
    members: Vec<usize>,
    /// Root of the correlation matrix of their errors, lower triangle.
    root: DMatrix<f64>,
}

impl Block {
    /// Turns residuals in standard deviations into independent ones: `root x = residuals`.
    fn whiten(&self, residuals: &mut [f64]) {
        for (i, &at) in self.members.iter().enumerate() {
            let known: f64 = self.members[..i]
                .iter()
                .enumerate()
                .map(|(j, &before)| self.root[(i, j)] * residuals[before])
                .sum();
            residuals[at] = (residuals[at] - known) / self.root[(i, i)];
        }
    }
}

/// The blocks of all observations. The correlation of two readings is the product of the shares
/// that their common errors have in each: positive definite as soon as each has an error of its
/// own.
fn blocks(observations: &[Observation]) -> Vec<Block> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (i, o) in observations.iter().enumerate() {
        if o.reading.shared_sd <= 0.0 {
            continue;
        }
        let same = |g: &&mut Vec<usize>| {
            let first = &observations[g[0]];
            first.run == o.run && first.quantity == o.quantity
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    groups
        .into_iter()
        .filter_map(|members| block(observations, members))
        .collect()
}

fn block(observations: &[Observation], members: Vec<usize>) -> Option<Block> {
    if members.len() < 2 {
        return None;
    }
    let share = |i: usize| {
        let r = observations[members[i]].reading;
        r.shared_sd / r.sd
    };
    let n = members.len();
    let correlation = DMatrix::from_fn(n, n, |i, j| if i == j { 1.0 } else { share(i) * share(j) });
    let root = correlation.cholesky()?.unpack();
    Some(Block { members, root })
}

struct Posterior<'a> {
    layout: &'a Layout,
    evidence: &'a Evidence,
    observations: &'a [Observation],
    blocks: &'a [Block],
    /// Factor on every residual of a reading: below 1 the prior leads.
    weight: f64,
}

impl Posterior<'_> {
    fn misfit(&self, z: &[f64], out: &mut [f64]) {
        let mut done = 0;
        for (index, run) in self.evidence.runs.iter().enumerate() {
            let prediction = predict_run(self.layout, z, index, run, 1.0);
            while let Some(o) = self.observations.get(done).filter(|o| o.run == index) {
                let r = residual(self.layout, z, run, &prediction, self.evidence, o);
                // Weighed first: on the way the tails are still far off and every reading pulls.
                out[done] = tempered(self.weight * r);
                done += 1;
            }
        }
        for block in self.blocks {
            block.whiten(out);
        }
    }
}

/// The readings of one run, for fits in which runs do not share all their parameters.
pub(crate) struct RunReadings {
    run: usize,
    observations: Vec<Observation>,
    blocks: Vec<Block>,
}

impl RunReadings {
    /// Those of run `run`.
    pub(crate) fn of(evidence: &Evidence, run: usize) -> Self {
        let mut observations = observations(evidence);
        observations.retain(|o| o.run == run);
        Self {
            run,
            blocks: blocks(&observations),
            observations,
        }
    }

    /// How many.
    pub(crate) fn len(&self) -> usize {
        self.observations.len()
    }

    /// This run's part of the misfit: readings in standard deviations from what `z` gives,
    /// independent of each other.
    pub(crate) fn misfit(
        &self,
        layout: &Layout,
        evidence: &Evidence,
        z: &[f64],
        weight: f64,
        out: &mut [f64],
    ) {
        let run = &evidence.runs[self.run];
        let prediction = predict_run(layout, z, self.run, run, 1.0);
        for (place, o) in out.iter_mut().zip(&self.observations) {
            *place = tempered(weight * residual(layout, z, run, &prediction, evidence, o));
        }
        for block in &self.blocks {
            block.whiten(out);
        }
    }
}

/// Degrees of freedom of the tails of a reading's error.
const TAIL: f64 = 8.0;
/// A reading farther than this from what its run should have given is reported, in standard
/// deviations.
const OFF: f64 = 4.5;

/// A residual whose square is that of a normal error when small and grows like a logarithm when
/// large, as that of Student's t: one mistyped cell must not bend the whole fit (K. L. Lange,
/// R. J. A. Little and J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881-896).
fn tempered(residual: f64) -> f64 {
    (TAIL * (residual * residual / TAIL).ln_1p())
        .sqrt()
        .copysign(residual)
}

fn residual(
    layout: &Layout,
    z: &[f64],
    run: &RunEvidence,
    prediction: &RunPrediction,
    evidence: &Evidence,
    o: &Observation,
) -> f64 {
    let Reading { value, sd, .. } = o.reading;
    if o.quantity == Quantity::Score {
        // Relative, so that rates and times for fixed work have the same form.
        let predicted = score(evidence, run.workload, prediction.work_rate);
        return (predicted / value).ln() / (sd / value);
    }
    if o.quantity == Quantity::BoostLength {
        return (prediction.boost_s - value) / sd;
    }
    let means = prediction.windows[o.window];
    let background = run.windows[o.window].background_dba;
    (quantity(layout, z, run.workload, means, background, o.quantity).unwrap_or(value) - value) / sd
}

fn quantity(
    layout: &Layout,
    z: &[f64],
    workload: usize,
    means: Means,
    background_dba: Option<f64>,
    quantity: Quantity,
) -> Option<f64> {
    match quantity {
        Quantity::Power => Some(means.power_w),
        Quantity::Package => Some(means.package_c),
        Quantity::FanSpeed => layout
            .value(z, Key::FanFull)
            .map(|full| full * means.fan_share),
        Quantity::Level => level_dba(layout, z, means.fan_share, background_dba),
        Quantity::Clock(kind) => clock_mhz(layout, z, workload, means, kind),
        Quantity::Score | Quantity::BoostLength => None,
    }
}

/// The level of fans at a share of full speed, with the background if there is one.
pub(crate) fn level_dba(
    layout: &Layout,
    z: &[f64],
    fan_share: f64,
    background_dba: Option<f64>,
) -> Option<f64> {
    let sound = settlepoint_model::Sound {
        full_speed_dba: layout.value(z, Key::SoundFull)?,
        k_db_per_decade: layout.value(z, Key::SoundSlope)?,
        background_dba: background(layout, z, background_dba),
    };
    Some(sound.level(fan_share).db())
}

/// The background as noted, with what the fit makes of its error.
fn background(layout: &Layout, z: &[f64], noted_dba: Option<f64>) -> Option<f64> {
    noted_dba.map(|b| b + layout.value(z, Key::BackgroundOffset).unwrap_or(0.0))
}

pub(crate) fn clock_mhz(
    layout: &Layout,
    z: &[f64],
    workload: usize,
    means: Means,
    kind: usize,
) -> Option<f64> {
    let package = layout.machine(z, workload).package;
    package
        .clocks_mhz(means.power_w, means.package_c)
        .get(kind)
        .copied()
}

/// A score from a work rate, by the workload's direction: a rate, or the time for fixed work.
pub(crate) fn score(evidence: &Evidence, workload: usize, rate: f64) -> f64 {
    match evidence.workloads.get(workload).map(|w| w.direction) {
        Some(Direction::Lower) => 1.0 / rate,
        _ => rate,
    }
}

impl Problem for Posterior<'_> {
    fn len_params(&self) -> usize {
        self.layout.len()
    }

    fn len_residuals(&self) -> usize {
        self.observations.len() + self.layout.len()
    }

    fn residuals(&self, z: &[f64], out: &mut [f64]) {
        let (misfit, prior) = out.split_at_mut(self.observations.len());
        self.misfit(z, misfit);
        prior.copy_from_slice(z);
    }

    fn jacobian(&self, z: &[f64], out: &mut Jacobian) -> Derivatives {
        let m = self.observations.len();
        let n = z.len();
        let column = |j: usize| {
            let mut trial = z.to_vec();
            let (mut up, mut down) = (vec![0.0; m], vec![0.0; m]);
            trial[j] = z[j] + DIFFERENCE_STEP;
            self.misfit(&trial, &mut up);
            trial[j] = z[j] - DIFFERENCE_STEP;
            self.misfit(&trial, &mut down);
            up.iter()
                .zip(&down)
                .map(|(u, d)| (u - d) / (2.0 * DIFFERENCE_STEP))
                .collect::<Vec<_>>()
        };
        let column = &column;
        let columns: Vec<Vec<f64>> = std::thread::scope(|scope| {
            let far = scope.spawn(move || (n / 2..n).map(column).collect::<Vec<_>>());
            let mut near: Vec<_> = (0..n / 2).map(column).collect();
            near.extend(far.join().unwrap_or_default());
            near
        });
        out.fill(0.0);
        for (j, values) in columns.iter().enumerate() {
            for (i, value) in values.iter().enumerate() {
                out[(i, j)] = *value;
            }
            out[(m + j, j)] = 1.0;
        }
        Derivatives::Analytic
    }
}

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

/// Fits all models to the runs of one cooling.
///
/// # Errors
/// No runs, no temperatures or powers, or a solver that stopped without an answer.
pub fn fit(evidence: Evidence) -> Result<CoolingFit, InferError> {
    if evidence.runs.is_empty() {
        return Err(InferError::NoRuns);
    }
    if evidence.readings(|w| w.package_c).next().is_none() {
        return Err(InferError::NoReadings);
    }
    let layout = Layout::new(&evidence);
    let observations = observations(&evidence);
    let blocks = blocks(&observations);
    let problem = Posterior {
        layout: &layout,
        evidence: &evidence,
        observations: &observations,
        blocks: &blocks,
        weight: 1.0,
    };
    let solved = solve(&problem)?;
    let covariance = solved
        .covariance(Some(1.0))
        .map_err(|e| InferError::Solver(e.to_string()))?;
    let root = covariance
        .clone()
        .cholesky()
        .ok_or_else(|| InferError::Solver("the covariance is not positive definite".into()))?
        .unpack();
    let log_density = |z: &[f64]| {
        let mut residuals = vec![0.0; problem.len_residuals()];
        problem.residuals(z, &mut residuals);
        -0.5 * residuals.iter().map(|r| r * r).sum::<f64>()
    };
    let length = Length {
        draws: DRAWS,
        thin: thinning(&evidence),
    };
    let sampled = sample(&solved.params, &root, log_density, length, SEED);
    Ok(CoolingFit {
        z: solved.params.clone(),
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

/// Weights of the readings, one solution after another. Precise readings that bend sharply (limits,
/// fan curves) make a landscape with wells far from the prior; with the prior in the lead first, the
/// solver enters the right one.
const WEIGHTS: [f64; 3] = [0.1, 0.35, 1.0];
/// Iterations that a solution on the way may take.
const EARLY_ITERATIONS: usize = 12;

fn solve(problem: &Posterior<'_>) -> Result<Fit, InferError> {
    // The residuals are in standard deviations: a change of 1e-4 of their sum of squares is nothing.
    let options = Options {
        max_iterations: 60,
        reduction_tolerance: 1e-4,
        step_tolerance: 1e-3,
        gradient_tolerance: 1e-5,
        refinements: 0,
        ..Options::default()
    };
    let early = Options {
        max_iterations: EARLY_ITERATIONS,
        reduction_tolerance: 1e-2,
        ..options.clone()
    };
    let mut start = vec![0.0; problem.layout.len()];
    for weight in WEIGHTS.into_iter().filter(|w| *w < 1.0) {
        let softer = Posterior { weight, ..*problem };
        start = minimise(&softer, &start, &early)
            .map_err(|e| InferError::Solver(e.to_string()))?
            .params;
    }
    minimise(problem, &start, &options).map_err(|e| InferError::Solver(e.to_string()))
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
    let steps = (75_000.0 / simulated_s.max(1.0)).clamp(10.0, 150.0) as usize;
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
                if r.abs() > OFF {
                    findings.push(off(run, o, r));
                }
            }
        }
        findings
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

    /// Correlation of two parameters.
    pub fn correlation(&self, a: Key, b: Key) -> Option<f64> {
        let (i, j) = (self.layout.place(a)?, self.layout.place(b)?);
        let c = &self.covariance;
        Some(c[(i, j)] / (c[(i, i)] * c[(j, j)]).sqrt())
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
