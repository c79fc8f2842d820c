use settlepoint_domain::{Basis as Ground, Estimate, Figure, Finding, Severity};
use settlepoint_stats::DMatrix;

use super::basis::{Basis, Shape};
use super::error::brief;
use super::fan::{self, FanLaw};
use super::input::Drive;
use super::noise::Noise;
use super::select::{Choice, Search, choice_drive, idle_stage, residuals_k, rows_used};
use super::separable::{Priors, Problem, Solution, Stop, TOLERANCE};
use super::still;
use super::{NetworkError, NetworkInput, Options};

/// Half-width of a two-sided 90 % interval of a normal distribution, in standard deviations.
pub(super) const Z_90: f64 = 1.644_853_626_951_472_2;
/// A time constant longer than this many records was not seen to settle.
const RECORDS: f64 = 3.0;
/// Above this standard deviation of its logarithm a time constant is known to no better than a
/// factor of five either way: not identified.
const LN_TAU_UNKNOWN: f64 = 1.0;
/// Above this relative standard deviation the 90 % interval of a resistance reaches 0.
const RESISTANCE_UNKNOWN: f64 = 1.0 / Z_90;
/// The power must predict stretches held out better than its absence by this share of the error.
const HEATS: f64 = 0.10;

/// One Foster stage.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// Its share of the resistance, K/W.
    pub resistance_k_per_w: Estimate,
    /// Its time constant, s, or what would tell it.
    pub time_constant_s: Figure,
    /// Whether the time constant is more than three times the record: it did not settle, and the
    /// resistance with it rests on the shape of the rise alone.
    pub beyond_record: bool,
}

/// The thermal network of one log.
#[derive(Clone, Debug)]
pub struct NetworkFit {
    /// Foster stages, by rising time constant.
    pub stages: Vec<Stage>,
    /// Sum of the stages' resistances: steady temperature rise over power, K/W.
    pub resistance_k_per_w: Figure,
    /// Temperature at no power, °C; where the room was logged, its mean plus
    /// [`NetworkFit::offset_k`].
    pub reference_c: Estimate,
    /// How far the reference lies above the logged room, K; none if the room was not logged.
    pub offset_k: Option<Estimate>,
    /// Time constant of the sensor's own lag, s, if the log shows one.
    pub sensor_lag_s: Option<Figure>,
    /// How the resistances follow the fan, where it moved and that predicts better; the K/W then
    /// is at the law's reference speed.
    pub fan: Option<FanLaw>,
    /// What the residuals are made of.
    pub noise: Noise,
    /// Root mean square residual of the rows fitted, K.
    pub rmse_k: f64,
    /// Rows fitted.
    pub rows: usize,
    /// Root mean square error on stretches held out within the rows fitted, K.
    pub cross_rmse_k: f64,
    /// Covariance of the parameters, ordered: resistances (K/W), reference or offset (K), starting
    /// deviations (K) if the start is free, logarithms of the time constants, that of the lag.
    pub covariance: DMatrix<f64>,
    /// Steps of the search.
    pub steps: usize,
    /// Why the search ended.
    pub stopped: Stop,
    /// What the user should know.
    pub findings: Vec<Finding>,
    pub(super) shape: Shape,
    pub(super) solution: Solution,
    pub(super) discrepancy_share: f64,
}

/// Fits the thermal network of a log, the number of stages chosen by prediction of stretches held
/// out.
///
/// # Errors
/// [`NetworkError::NotIdentified`] when power and temperature do not determine a K/W, with the run
/// that would; the other variants when columns are missing, too short or of different length.
pub fn fit(input: &NetworkInput, options: &Options) -> Result<NetworkFit, NetworkError> {
    let drive = input.drive(options.fit_until_s, None)?;
    still::refuse(&drive, input.room_c.is_some(), input.resolution_k)?;
    let mut trials = Vec::new();
    for law in fan::laws(input, options.fit_until_s) {
        trials.push(Trial::new(input, options, law)?);
    }
    let best = trials.into_iter().min_by(|a, b| {
        a.choice
            .best
            .held_out_k
            .total_cmp(&b.choice.best.held_out_k)
    });
    match best {
        Some(trial) => trial.finish(input, options),
        None => Err(NetworkError::TooShort { rows: 0, needed: 1 }),
    }
}

/// The choice of a model under one law of the fan.
struct Trial {
    law: Option<FanLaw>,
    drive: Drive,
    choice: Choice,
    priors: Priors,
}

impl Trial {
    fn new(
        input: &NetworkInput,
        options: &Options,
        law: Option<FanLaw>,
    ) -> Result<Self, NetworkError> {
        let drive = input.drive(options.fit_until_s, law)?;
        let coarse = choice_drive(&drive);
        let priors = first_priors(&coarse, input.room_c.is_some());
        let free_start = !starts_settled(&drive, input.resolution_k);
        let mut search = Search::new(&coarse, options, input.resolution_k, priors);
        let choice = search.run(free_start);
        let priors = search.priors();
        Ok(Self {
            law,
            drive,
            choice,
            priors,
        })
    }

    fn finish(self, input: &NetworkInput, options: &Options) -> Result<NetworkFit, NetworkError> {
        let with_room = input.room_c.is_some();
        refuse_unheated(&self.choice, &self.drive, with_room)?;
        let fitted = Fitted::new(&self.drive, &self.choice, self.priors, input.resolution_k);
        let mut network = fitted.report(&self.choice, options, with_room)?;
        network.fan = self.law;
        network
            .findings
            .extend(fan::finding(input, options.fit_until_s, self.law));
        Ok(network)
    }
}

/// Reference of an unlogged room: 25 °C give or take 15 K, any room or inlet. Over a logged room:
/// 1 K (intake and room sensors differ by about that). A start may be off by the whole range.
/// Time constants: anything from the sampling step to the record, by a factor of e^2.5 either way
/// around their geometric middle.
fn first_priors(drive: &Drive, with_room: bool) -> Priors {
    let range_k = temperature_range_k(drive).max(0.1);
    let step_s = drive.median_step_s();
    Priors {
        reference: if with_room { 0.0 } else { 25.0 },
        reference_sd: if with_room { 1.0 } else { 15.0 },
        start_sd_k: range_k,
        ln_tau: 0.5 * (step_s.ln() + drive.span_s().max(step_s).ln()),
        ln_tau_sd: 2.5,
        weight_k: 0.02 * range_k,
    }
}

fn temperature_range_k(drive: &Drive) -> f64 {
    let present = drive.temp.iter().copied().filter(|v| !v.is_nan());
    let (lo, hi) = present.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
        (lo.min(v), hi.max(v))
    });
    (hi - lo).max(0.0)
}

/// Whether temperature stood still while power stayed what it was at the start.
fn starts_settled(drive: &Drive, resolution_k: f64) -> bool {
    let (lo, hi) = drive
        .power_w
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), &p| {
            (lo.min(p), hi.max(p))
        });
    let near_w = 0.1 * (hi - lo);
    let end = drive
        .power_w
        .iter()
        .position(|p| (p - drive.start_power_w).abs() > near_w)
        .unwrap_or(drive.len());
    let temps: Vec<f64> = (0..end)
        .filter(|&i| drive.used[i])
        .map(|i| drive.temp[i])
        .collect();
    if temps.len() < 6 || hi <= lo {
        return false;
    }
    let third = temps.len() / 3;
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let drift_k = mean(&temps[temps.len() - third..]) - mean(&temps[..third]);
    drift_k.abs() <= resolution_k.max(0.02 * temperature_range_k(drive))
}

/// The power must predict better than no power at all. A slow sweep looks like one long decay;
/// over a logged room, though, a decay cannot hold a temperature up, and a reference alone is the
/// alternative: the power must then halve its error.
fn refuse_unheated(choice: &Choice, drive: &Drive, with_room: bool) -> Result<(), NetworkError> {
    let (with, without) = (choice.best.held_out_k, choice.null.held_out_k);
    let total: f64 = choice.best.solution.beta[..choice.best.shape.stages]
        .iter()
        .sum();
    let over_room = with_room && with < 0.5 * choice.flat.held_out_k;
    if total > 0.0 && (with < (1.0 - HEATS) * without || over_room) {
        return Ok(());
    }
    Err(NetworkError::NotIdentified {
        evidence: format!(
            "stretches held out over {} s are predicted to {} K with the logged power and to {} K \
             without it",
            brief(drive.span_s().round()),
            brief(with),
            brief(without)
        ),
        needs: needs_step(),
    })
}

fn needs_step() -> String {
    "a run with a clear step of the part's own power, from idle to load and back, with the power \
     of every heat source logged"
        .to_owned()
}

/// The final fit on all rows.
struct Fitted<'a> {
    drive: &'a Drive,
    rows: Vec<usize>,
    shape: Shape,
    solution: Solution,
    noise: Noise,
    covariance: DMatrix<f64>,
    residual_k: Vec<f64>,
    priors: Priors,
}

impl<'a> Fitted<'a> {
    fn new(drive: &'a Drive, choice: &Choice, priors: Priors, resolution_k: f64) -> Self {
        let rows = rows_used(drive);
        let shape = choice.best.shape;
        let step_s = drive.median_step_s();
        let mut fitted = Self {
            solution: choice.best.solution.clone(),
            noise: Noise {
                white_k: 0.0,
                slow_k: 0.0,
                correlation_s: step_s,
            },
            covariance: DMatrix::zeros(0, 0),
            residual_k: Vec::new(),
            drive,
            rows,
            shape,
            priors,
        };
        fitted.refresh(resolution_k);
        fitted.priors.weight_k = fitted.noise.sigma_k() * fitted.noise.redundancy(step_s).sqrt();
        fitted.solve_until_all_heat();
        fitted.refresh(resolution_k);
        fitted.covariance = fitted.covariance();
        fitted
    }

    /// Fits all rows; a stage that merged rows suggested and all rows do not is dropped.
    fn solve_until_all_heat(&mut self) {
        let mut start = self.solution.ln_tau.clone();
        loop {
            let problem = Problem {
                drive: self.drive,
                rows: &self.rows,
                shape: self.shape,
                priors: self.priors,
            };
            let solution = problem.solve(&start, TOLERANCE);
            self.solution = sorted(self.shape, &solution);
            let resistances = &self.solution.beta[..self.shape.stages];
            let idle = idle_stage(resistances);
            let Some(stage) = idle.filter(|_| resistances.len() > 1) else {
                return;
            };
            start.clone_from(&self.solution.ln_tau);
            start.remove(stage);
            self.shape.stages -= 1;
        }
    }

    fn refresh(&mut self, resolution_k: f64) {
        self.residual_k = residuals_k(self.drive, &self.rows, self.shape, &self.solution);
        let parameters = self.shape.linear() + self.shape.nonlinear();
        self.noise = Noise::of(
            &self.residual_k,
            self.drive.median_step_s(),
            parameters,
            resolution_k,
        );
    }

    /// `H^-1 (J' Omega J + priors) H^-1` with `H = J' J + priors`: least squares treats rows as
    /// independent, and `Omega`, white plus first-order noise over the true times, puts right
    /// what that does to the intervals (the "sandwich" of H. White, Econometrica 48 (1980)
    /// 817-838, with the fitted correlation). Holds for irregular steps and gaps; O(rows).
    fn covariance(&self) -> DMatrix<f64> {
        let basis = Basis::new(self.drive, self.shape, &self.solution.ln_tau);
        let mut columns = basis.nonlinear_columns(self.shape, &self.solution.beta);
        let mut all = basis.columns;
        all.append(&mut columns);
        let (bread, meat) = self.normal_and_noise(&all);
        let precision = self.prior_precision();
        // Priors count at the strength that they had in the fit.
        let w2 = self.priors.weight_k * self.priors.weight_k;
        let h = bread + &precision * w2;
        let k = meat + &precision * (w2 * w2);
        match h.clone().cholesky() {
            Some(factor) => {
                let left = factor.solve(&k);
                factor.solve(&left.transpose())
            }
            None => h.svd(true, true).pseudo_inverse(1e-12).map_or_else(
                |_| DMatrix::zeros(all.len(), all.len()),
                |inv| &inv * k * &inv,
            ),
        }
    }

    /// `J'J` and `J' Omega J`.
    fn normal_and_noise(&self, columns: &[Vec<f64>]) -> (DMatrix<f64>, DMatrix<f64>) {
        let p = columns.len();
        let (white, slow) = (self.noise.white_k.powi(2), self.noise.slow_k.powi(2));
        let (mut bread, mut cross) = (DMatrix::zeros(p, p), DMatrix::<f64>::zeros(p, p));
        let mut carried = vec![0.0; p];
        let mut last_s = None;
        for &row in &self.rows {
            let t = self.drive.time_s[row];
            let phi = last_s.map_or(0.0, |l: f64| ((l - t) / self.noise.correlation_s).exp());
            last_s = Some(t);
            for c in &mut carried {
                *c *= phi;
            }
            for i in 0..p {
                for j in 0..p {
                    bread[(i, j)] += columns[i][row] * columns[j][row];
                    cross[(i, j)] += columns[i][row] * carried[j];
                }
            }
            for (c, column) in carried.iter_mut().zip(columns) {
                *c += column[row];
            }
        }
        let meat = &bread * (white + slow) + (&cross + cross.transpose()) * slow;
        (bread, meat)
    }

    fn prior_precision(&self) -> DMatrix<f64> {
        let (p, l) = (self.shape.linear(), self.shape.nonlinear());
        let mut precision = DMatrix::zeros(p + l, p + l);
        let reference = self.shape.reference();
        precision[(reference, reference)] = self.priors.reference_sd.powi(-2);
        for i in reference + 1..p {
            precision[(i, i)] = self.priors.start_sd_k.powi(-2);
        }
        for i in p..p + l {
            precision[(i, i)] = self.priors.ln_tau_sd.powi(-2);
        }
        precision
    }

    /// Student's factor over the normal one, by the first term of its expansion (E. A. Cornish and
    /// R. A. Fisher, 1938): few effective readings know the noise badly.
    fn student(&self) -> f64 {
        let parameters = (self.shape.linear() + self.shape.nonlinear()) as f64;
        let effective = self
            .noise
            .effective(self.rows.len(), self.drive.median_step_s());
        let freedom = (effective - parameters).max(2.0);
        1.0 + (Z_90 * Z_90 + 1.0) / (4.0 * freedom)
    }

    fn sd(&self, index: usize) -> f64 {
        self.covariance[(index, index)].max(0.0).sqrt() * self.student()
    }

    fn report(
        self,
        choice: &Choice,
        options: &Options,
        with_room: bool,
    ) -> Result<NetworkFit, NetworkError> {
        let resistance_k_per_w = self.total_resistance()?;
        let stages: Vec<Stage> = (0..self.shape.stages).map(|k| self.stage(k)).collect();
        let reference = self.shape.reference();
        let offset = Estimate::normal(
            self.solution.beta[reference],
            self.sd(reference),
            Ground::Measured,
        );
        let room_mean = self.drive.room_c.iter().sum::<f64>() / self.drive.len() as f64;
        let mut findings = self.findings(&stages);
        let reference_c = offset.affine(1.0, room_mean);
        if !with_room {
            findings.extend(implausible(reference_c));
        }
        let n = self.residual_k.len().max(1) as f64;
        Ok(NetworkFit {
            resistance_k_per_w,
            reference_c,
            offset_k: with_room.then_some(offset),
            sensor_lag_s: self
                .shape
                .lag
                .then(|| self.time_constant(self.shape.poles())),
            rmse_k: (self.residual_k.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
            rows: self.rows.len(),
            cross_rmse_k: choice.best.held_out_k,
            steps: self.solution.steps,
            stopped: self.solution.stop,
            noise: self.noise,
            fan: None,
            covariance: self.covariance,
            findings,
            stages,
            shape: self.shape,
            solution: self.solution,
            discrepancy_share: options.discrepancy_share,
        })
    }

    fn total_resistance(&self) -> Result<Figure, NetworkError> {
        let stages = self.shape.stages;
        let total: f64 = self.solution.beta[..stages].iter().sum();
        let variance: f64 = self.covariance.view((0, 0), (stages, stages)).sum();
        let sd = variance.max(0.0).sqrt() * self.student();
        if sd < RESISTANCE_UNKNOWN * total {
            let ground = if self.longest_tau_s() > RECORDS * self.drive.span_s() {
                Ground::Extrapolated
            } else {
                Ground::Measured
            };
            return Ok(Figure::Known(positive(total, sd / total, ground)));
        }
        Err(NetworkError::NotIdentified {
            evidence: format!("{} K/W give or take {}", brief(total), brief(Z_90 * sd)),
            needs: needs_step(),
        })
    }

    fn longest_tau_s(&self) -> f64 {
        self.solution.ln_tau[..self.shape.stages]
            .iter()
            .fold(0.0, |a: f64, l| a.max(l.exp()))
    }

    fn stage(&self, k: usize) -> Stage {
        let value = self.solution.beta[k];
        let beyond_record = self.solution.ln_tau[k].exp() > RECORDS * self.drive.span_s();
        let ground = if beyond_record {
            Ground::Extrapolated
        } else {
            Ground::Measured
        };
        let mut resistance = Estimate::normal(value, self.sd(k), ground);
        resistance.lo = resistance.lo.max(0.0);
        Stage {
            resistance_k_per_w: resistance,
            time_constant_s: self.time_constant(k),
            beyond_record,
        }
    }

    fn time_constant(&self, k: usize) -> Figure {
        let sd = self.sd(self.shape.linear() + k);
        if self.drive.steps_fall_in_gaps() {
            return Figure::Unknown {
                needs: "a run recorded without a gap across a step of power".to_owned(),
            };
        }
        if sd > LN_TAU_UNKNOWN {
            return Figure::Unknown {
                needs: "a run with a step of power, read several times within the rise and \
                        until it has settled"
                    .to_owned(),
            };
        }
        let value = self.solution.ln_tau[k].exp();
        if value < self.drive.median_step_s() {
            return Figure::Unknown {
                needs: "a run with a step of power, read several times within the rise: it is \
                        faster than the readings follow one another"
                    .to_owned(),
            };
        }
        let beyond = value > RECORDS * self.drive.span_s();
        let ground = if beyond {
            Ground::Extrapolated
        } else {
            Ground::Measured
        };
        Figure::Known(positive(value, sd, ground))
    }

    fn findings(&self, stages: &[Stage]) -> Vec<Finding> {
        let mut findings = Vec::new();
        for stage in stages.iter().filter(|s| s.beyond_record) {
            let tau = stage.time_constant_s.value();
            findings.push(Finding {
                rule: "time_constant_beyond_record",
                severity: Severity::Warning,
                run: None,
                evidence: format!(
                    "a time constant of {} in a record of {} s",
                    tau.map_or_else(
                        || "unknown length".to_owned(),
                        |t| format!("{} s", brief(t.round()))
                    ),
                    brief(self.drive.span_s().round())
                ),
                remedy: "record until the temperature has settled, or take the long-term K/W as \
                         extrapolated"
                    .to_owned(),
            });
        }
        if !self.solution.stop.converged() {
            findings.push(Finding {
                rule: "fit_not_converged",
                severity: Severity::Warning,
                run: None,
                evidence: format!("stopped after {} steps", self.solution.steps),
                remedy: "use a longer log or fewer nodes".to_owned(),
            });
        }
        findings
    }
}

/// Rooms and intakes in which machines are run, °C, with some room on both sides.
const PLAUSIBLE_C: std::ops::RangeInclusive<f64> = 5.0..=55.0;

/// A temperature at no power that no room has: the power logged is not what heats the sensor.
fn implausible(reference_c: Estimate) -> Option<Finding> {
    let outside = reference_c.hi < *PLAUSIBLE_C.start() || reference_c.lo > *PLAUSIBLE_C.end();
    outside.then(|| Finding {
        rule: "reference_implausible",
        severity: Severity::Warning,
        run: None,
        evidence: format!(
            "at no power the temperature would be {} °C ({} to {}), which is no room: the logged \
             power is not the heat that the sensor sees, or not all of it",
            brief(reference_c.value),
            brief(reference_c.lo),
            brief(reference_c.hi)
        ),
        remedy: "log the part's own power (at the wall there is more, on one rail less), and the \
                 room's temperature"
            .to_owned(),
    })
}

/// An estimate of a positive quantity with the standard deviation of its logarithm.
fn positive(value: f64, ln_sd: f64, ground: Ground) -> Estimate {
    let factor = (Z_90 * ln_sd).exp();
    Estimate {
        value,
        lo: value / factor,
        hi: value * factor,
        basis: ground,
    }
}

/// Stages by rising time constant, so that the first is the die's in every report.
fn sorted(shape: Shape, solution: &Solution) -> Solution {
    let stages = shape.stages;
    let mut order: Vec<usize> = (0..stages).collect();
    order.sort_by(|&a, &b| solution.ln_tau[a].total_cmp(&solution.ln_tau[b]));
    let mut out = solution.clone();
    for (to, &from) in order.iter().enumerate() {
        out.ln_tau[to] = solution.ln_tau[from];
        out.beta[to] = solution.beta[from];
        if shape.free_start {
            out.beta[stages + 1 + to] = solution.beta[stages + 1 + from];
        }
    }
    out
}
