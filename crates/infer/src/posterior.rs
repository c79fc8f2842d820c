//! The density of all parameters given all readings, in the two forms in which it is needed: as
//! residuals for the solver, and as a logarithm for the samplers.
//!
//! A reading's error is Student's in its tails, has a part in common with the other readings of
//! its quantity in the run, and a size that is itself uncertain: sensors differ, and each quantity
//! has one factor on all of its errors ([`Key::ErrorScale`]). That factor is no parameter of the
//! solver, whose sums of squares cannot weigh it; it is found between two solutions from what the
//! residuals leave ([`Posterior::error_scales`]) and drawn with all the rest.

use settlepoint_domain::Direction;
use settlepoint_stats::DMatrix;
use settlepoint_stats::least_squares::{Derivatives, Jacobian, Problem};

use crate::evidence::{Evidence, Reading, RunEvidence};
use crate::forward::{Means, RunPrediction, predict_run};
use crate::layout::{ErrorKind, Key, Layout};

/// Step of the differences on the scale of the priors. The simulator is smooth to about 1e-7 there;
/// truncation and rounding are both far below the readings' errors.
const DIFFERENCE_STEP: f64 = 2e-3;

/// What a reading is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quantity {
    Power,
    Package,
    FanSpeed,
    Level,
    Clock(usize),
    Score,
    BoostLength,
}

impl Quantity {
    /// The size of error that it shares.
    pub(crate) fn error(self) -> ErrorKind {
        match self {
            Self::Power => ErrorKind::Power,
            Self::Package => ErrorKind::Temperature,
            Self::FanSpeed => ErrorKind::FanSpeed,
            Self::Level => ErrorKind::Level,
            Self::Clock(_) => ErrorKind::Clock,
            Self::Score => ErrorKind::Score,
            Self::BoostLength => ErrorKind::BoostLength,
        }
    }
}

/// One residual: which run and window, what, and the reading.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Observation {
    pub(crate) run: usize,
    pub(crate) window: usize,
    pub(crate) quantity: Quantity,
    pub(crate) reading: Reading,
}

pub(crate) fn observations(evidence: &Evidence) -> Vec<Observation> {
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

/// Readings of one quantity in one run, in the order of the observations: a part of their errors is
/// in common.
pub(crate) type Block = Vec<usize>;

/// The blocks of all observations.
pub(crate) fn blocks(observations: &[Observation]) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for (i, o) in observations.iter().enumerate() {
        let same = |block: &&mut Block| {
            let first = &observations[block[0]];
            first.run == o.run && first.quantity == o.quantity
        };
        match blocks.iter_mut().find(same) {
            Some(block) => block.push(i),
            None => blocks.push(vec![i]),
        }
    }
    blocks
}

/// What is known of a block's common error while its readings are taken one by one.
///
/// Each standardised residual is `a g + sqrt(1 - a²) e` with one standard normal `g` for the block
/// and an `e` of its own: given those before it, it is normal about what they tell of `g`.
#[derive(Clone, Copy, Debug, Default)]
struct Common {
    /// Precision of `g` that the readings so far add.
    precision: f64,
    /// The same times their estimate.
    weighted: f64,
}

impl Common {
    /// Turns the next standardised residual into one that is independent of those before, in place;
    /// returns its standard deviation given those.
    fn whiten(&mut self, residual: &mut f64, share: f64) -> f64 {
        let own = (1.0 - share * share).max(1e-6);
        let known = 1.0 + self.precision;
        let sd = (own + share * share / known).sqrt();
        let expected = share * self.weighted / known;
        self.precision += share * share / own;
        self.weighted += share * *residual / own;
        *residual = (*residual - expected) / sd;
        sd
    }
}

/// The posterior of one fit.
pub(crate) struct Posterior<'a> {
    pub(crate) layout: &'a Layout,
    pub(crate) evidence: &'a Evidence,
    pub(crate) observations: &'a [Observation],
    pub(crate) blocks: &'a [Block],
    /// Factor on every residual of a reading: below 1 the prior leads.
    pub(crate) weight: f64,
    /// Standardised logarithms of the factors on errors: the last entries of a whole vector.
    pub(crate) scales: Vec<f64>,
}

impl Posterior<'_> {
    /// How far each reading lies from its prediction, in standard deviations as stated. `z` may be
    /// without its error scales: no prediction depends on them.
    pub(crate) fn raw(&self, z: &[f64]) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.observations.len());
        for (index, run) in self.evidence.runs.iter().enumerate() {
            let prediction = predict_run(self.layout, z, index, run, 1.0);
            while let Some(o) = self.observations.get(out.len()).filter(|o| o.run == index) {
                out.push(residual(self.layout, z, run, &prediction, self.evidence, o));
            }
        }
        out
    }

    /// Turns raw residuals into independent ones, standard normal in the middle, under these scales.
    /// Returns the logarithm of the readings' joint standard deviation, for each kind of error.
    fn whiten(&self, raw: &mut [f64], scales: &[f64]) -> [f64; ErrorKind::ALL.len()] {
        let factors = self.layout.error_factors(scales);
        let mut sizes = [0.0; ErrorKind::ALL.len()];
        for block in self.blocks {
            let kind = self.observations[block[0]].quantity.error() as usize;
            let [own, shared] = factors[kind];
            let mut common = Common::default();
            let logged = block.len() >= LOGGED;
            for (place, &i) in block.iter().enumerate() {
                let reading = self.observations[i].reading;
                let shared_sd = shared * reading.shared_sd;
                let sd = shared_sd.hypot(own * reading.own_sd());
                sizes[kind] += (sd / reading.sd).ln();
                // Weighed first: on the way the tails are still far off and every reading pulls.
                raw[i] *= self.weight * reading.sd / sd;
                if !logged {
                    raw[i] = tempered(raw[i]);
                }
                sizes[kind] += common.whiten(&mut raw[i], shared_sd / sd).ln();
                if logged && place > 0 {
                    raw[i] = tempered(raw[i]);
                }
            }
        }
        sizes
    }

    fn misfit(&self, z: &[f64], out: &mut [f64]) {
        out.copy_from_slice(&self.raw(z));
        self.whiten(out, &self.scales);
    }

    /// Logarithm of the density at a whole vector whose [`Posterior::raw`] is known, up to a
    /// constant.
    pub(crate) fn log_density(&self, z: &[f64], raw: &[f64]) -> f64 {
        let scales = &z[self.layout.len_physical()..];
        let mut residuals = raw.to_vec();
        let sizes = self.whiten(&mut residuals, scales);
        -0.5 * (square(&residuals) + square(z)) - sizes.iter().sum::<f64>()
    }

    /// The most probable error scales given the residuals that a solution leaves, with the standard
    /// deviation of each. A residual that the parameters followed says nothing of its error, so each
    /// kind of reading counts by what is left of it: its mean of 1 minus the leverage.
    pub(crate) fn error_scales(
        &self,
        params: &[f64],
        jacobian: &Jacobian,
        covariance: &DMatrix<f64>,
    ) -> Vec<(f64, f64)> {
        let free = self.free_shares(jacobian, covariance);
        let raw = self.raw(params);
        let density = |scales: &[f64]| {
            let mut residuals = raw.clone();
            let sizes = self.whiten(&mut residuals, scales);
            let size: f64 = sizes.iter().zip(&free).map(|(s, f)| s * f).sum();
            -0.5 * (square(&residuals) + square(scales)) - size
        };
        let mut scales = self.scales.clone();
        for _ in 0..SWEEPS {
            for i in 0..scales.len() {
                scales[i] = peak(|z| {
                    let mut trial = scales.clone();
                    trial[i] = z;
                    density(&trial)
                });
            }
        }
        (0..scales.len())
            .map(|i| {
                let at = |step: f64| {
                    let mut trial = scales.clone();
                    trial[i] += step;
                    density(&trial)
                };
                let curvature = (2.0 * at(0.0) - at(BEND) - at(-BEND)) / (BEND * BEND);
                // The prior alone bends by 1.
                (scales[i], curvature.max(1.0).sqrt().recip())
            })
            .collect()
    }

    /// For each kind of error, the share of its readings that no parameter followed.
    fn free_shares(
        &self,
        jacobian: &Jacobian,
        covariance: &DMatrix<f64>,
    ) -> [f64; ErrorKind::ALL.len()] {
        let spread = jacobian * covariance;
        let mut counts = [(0.0, 0.0); ErrorKind::ALL.len()];
        for (i, o) in self.observations.iter().enumerate() {
            let leverage: f64 = spread.row(i).dot(&jacobian.row(i));
            let (all, free) = &mut counts[o.quantity.error() as usize];
            *all += 1.0;
            *free += (1.0 - leverage).clamp(0.0, 1.0);
        }
        counts.map(|(all, free)| free / f64::max(all, 1.0))
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
    /// independent of each other, with errors of the size that the priors expect.
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
            *place = residual(layout, z, run, &prediction, evidence, o);
        }
        let problem = Posterior {
            layout,
            evidence,
            observations: &self.observations,
            blocks: &self.blocks,
            weight,
            scales: Vec::new(),
        };
        problem.whiten(out, &vec![0.0; layout.len() - layout.len_physical()]);
    }
}

/// Rounds over all error scales; they hang together weakly.
const SWEEPS: usize = 3;
/// Step of the second difference of the density along a scale.
const BEND: f64 = 0.1;

fn square(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum()
}

/// The highest place of a function with one peak between -4 and 5, by golden sections.
fn peak(of: impl Fn(f64) -> f64) -> f64 {
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut lo, mut hi) = (-4.0, 5.0);
    let (mut a, mut b) = (hi - golden * (hi - lo), lo + golden * (hi - lo));
    let (mut at_a, mut at_b) = (of(a), of(b));
    while hi - lo > 0.01 {
        if at_a > at_b {
            (hi, b, at_b) = (b, a, at_a);
            a = hi - golden * (hi - lo);
            at_a = of(a);
        } else {
            (lo, a, at_a) = (a, b, at_b);
            b = lo + golden * (hi - lo);
            at_b = of(b);
        }
    }
    f64::midpoint(lo, hi)
}

/// Degrees of freedom of the tails of a reading's error.
const TAIL: f64 = 8.0;
/// Windows of one quantity from which a run counts as logged. Its common error then has no long tail:
/// nobody mistypes a whole log, and a gain that every run may have far off at little cost explains
/// anything. Typed runs have one or two readings, each of which may be a slip.
const LOGGED: usize = 4;
/// A reading farther than this from what its run should have given is reported, in standard
/// deviations.
pub(crate) const OFF: f64 = 4.5;

/// A residual whose square is that of a normal error when small and grows like a logarithm when
/// large, as that of Student's t: one mistyped cell must not bend the whole fit (K. L. Lange,
/// R. J. A. Little and J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881-896).
fn tempered(residual: f64) -> f64 {
    (TAIL * (residual * residual / TAIL).ln_1p())
        .sqrt()
        .copysign(residual)
}

pub(crate) fn residual(
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
        self.layout.len_physical()
    }

    fn len_residuals(&self) -> usize {
        self.observations.len() + self.layout.len_physical()
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
