//! Groups of runs under one set of parameters and each group's changes from it.
//!
//! Two coolings of one machine share its package, limits, sensors and case; the units of one model
//! share nearly everything, give or take. One posterior over the common parameters and the changes
//! therefore compares them: whatever both sides have in common (an offset of the temperature
//! sensor, a gain of the power reading, the error of the models' shape) moves both alike and falls
//! out of their ratio. What does not fall out is what differs from run to run, which
//! the likelihood carries for each run by itself.
//!
//! The parameters are those of one [`Layout`] over all runs together, so that the groups stand on
//! the same scales; a change is normal around its `shift` on the scale of the parameter's prior.

use settlepoint_domain::{Basis, Estimate, Workload};
use settlepoint_model::Cooling;
use settlepoint_stats::least_squares::{Derivatives, Fit, Jacobian, Options, Problem, minimise};
use settlepoint_stats::{DMatrix, DVector};

use crate::evidence::{Evidence, RunEvidence};
use crate::fit::InferError;
use crate::forward::Intake;
use crate::layout::{Key, Layout};
use crate::posterior::RunReadings;

/// Step of the differences on the scale of the priors, as in the fit of one cooling.
const DIFFERENCE_STEP: f64 = 2e-3;
/// Weights of the readings on the way to the full ones, as in the fit of one cooling.
const WEIGHTS: [f64; 2] = [0.1, 0.35];
/// Iterations that a solution on the way may take, and the last one.
const ITERATIONS: [usize; 2] = [10, 40];

/// How far a parameter of a group may lie from the common one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// The parameter.
    pub key: Key,
    /// Centre, on the scale on which the parameter's prior is normal (a logarithm for factors).
    pub shift: f64,
    /// Standard deviation on that scale.
    pub sd: f64,
}

impl Change {
    /// A change around none.
    pub const fn new(key: Key, sd: f64) -> Self {
        Self {
            key,
            shift: 0.0,
            sd,
        }
    }
}

/// Runs that have all parameters in common.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// The runs; none for what is only to be inferred from the other groups.
    pub runs: Vec<RunEvidence>,
    /// Changes from the common parameters; parameters that the fit does not have are skipped.
    pub changes: Vec<Change>,
}

/// A change's places: in the common parameters and in the whole vector, with its prior in standard
/// deviations of the common parameter's.
#[derive(Clone, Copy, Debug)]
struct Slot {
    common: usize,
    own: usize,
    shift: f64,
    sd: f64,
}

/// The joint posterior.
#[derive(Clone, Debug)]
pub struct Joint {
    /// Parameters and priors, the same for all groups.
    pub layout: Layout,
    /// All runs, group by group.
    pub evidence: Evidence,
    /// Whether the solver met its tolerance.
    pub converged: bool,
    slots: Vec<Vec<Slot>>,
    /// Most probable values of the common parameters, then of every change.
    mode: Vec<f64>,
    covariance: DMatrix<f64>,
}

struct Posterior<'a> {
    layout: &'a Layout,
    evidence: &'a Evidence,
    slots: &'a [Vec<Slot>],
    /// Group of each run.
    group_of: &'a [usize],
    /// Readings of each run.
    readings: &'a [RunReadings],
    weight: f64,
}

fn of_group(layout: &Layout, slots: &[Slot], whole: &[f64]) -> Vec<f64> {
    let mut z = whole[..layout.len()].to_vec();
    for s in slots {
        z[s.common] += s.shift + s.sd * whole[s.own];
    }
    z
}

impl Posterior<'_> {
    fn len_misfit(&self) -> usize {
        self.readings.iter().map(RunReadings::len).sum()
    }

    fn group(&self, group: usize, whole: &[f64]) -> Vec<f64> {
        of_group(self.layout, &self.slots[group], whole)
    }

    /// Misfits of the runs of `only` (of all for `None`); the others stay as they are.
    fn misfit(&self, whole: &[f64], only: Option<usize>, out: &mut [f64]) {
        let mut from = 0;
        for (readings, &group) in self.readings.iter().zip(self.group_of) {
            let own = &mut out[from..from + readings.len()];
            if only.is_none_or(|o| o == group) {
                let z = self.group(group, whole);
                readings.misfit(self.layout, self.evidence, &z, self.weight, own);
            }
            from += readings.len();
        }
    }

    /// The only group that a parameter touches; `None` for a common one.
    fn touches(&self, parameter: usize) -> Option<usize> {
        self.slots
            .iter()
            .position(|slots| slots.iter().any(|s| s.own == parameter))
    }

    fn column(&self, whole: &[f64], j: usize) -> Vec<f64> {
        let m = self.len_misfit();
        let only = self.touches(j);
        let (mut up, mut down) = (vec![0.0; m], vec![0.0; m]);
        let mut trial = whole.to_vec();
        trial[j] = whole[j] + DIFFERENCE_STEP;
        self.misfit(&trial, only, &mut up);
        trial[j] = whole[j] - DIFFERENCE_STEP;
        self.misfit(&trial, only, &mut down);
        up.iter()
            .zip(&down)
            .map(|(u, d)| (u - d) / (2.0 * DIFFERENCE_STEP))
            .collect()
    }
}

impl Problem for Posterior<'_> {
    fn len_params(&self) -> usize {
        self.layout.len() + self.slots.iter().map(Vec::len).sum::<usize>()
    }

    fn len_residuals(&self) -> usize {
        self.len_misfit() + self.len_params()
    }

    fn residuals(&self, z: &[f64], out: &mut [f64]) {
        let (misfit, prior) = out.split_at_mut(self.len_misfit());
        self.misfit(z, None, misfit);
        prior.copy_from_slice(z);
    }

    fn jacobian(&self, z: &[f64], out: &mut Jacobian) -> Derivatives {
        let n = z.len();
        let m = self.len_misfit();
        // Every second column each: common parameters cost more than changes, and come first.
        let half = |first: usize| -> Vec<(usize, Vec<f64>)> {
            (first..n)
                .step_by(2)
                .map(|j| (j, self.column(z, j)))
                .collect()
        };
        let half = &half;
        let columns: Vec<(usize, Vec<f64>)> = std::thread::scope(|scope| {
            let other = scope.spawn(move || half(1));
            let mut columns = half(0);
            columns.extend(other.join().unwrap_or_default());
            columns
        });
        out.fill(0.0);
        for (j, values) in columns {
            for (i, value) in values.into_iter().enumerate() {
                out[(i, j)] = value;
            }
            out[(m + j, j)] = 1.0;
        }
        Derivatives::Analytic
    }
}

/// Fits the groups together. `fan_max_rpm` is the full speed of the common parameters, where known.
///
/// # Errors
/// No runs, no temperatures, or a solver that stopped without an answer.
pub fn joint(
    workloads: Vec<Workload>,
    groups: Vec<Group>,
    fan_max_rpm: Option<f64>,
) -> Result<Joint, InferError> {
    let group_of: Vec<usize> = groups
        .iter()
        .enumerate()
        .flat_map(|(i, g)| std::iter::repeat_n(i, g.runs.len()))
        .collect();
    let (runs, changes): (Vec<_>, Vec<_>) = groups.into_iter().map(|g| (g.runs, g.changes)).unzip();
    let evidence = Evidence {
        workloads,
        runs: runs.into_iter().flatten().collect(),
        fan_max_rpm,
    };
    if evidence.runs.is_empty() {
        return Err(InferError::NoRuns);
    }
    if evidence.readings(|w| w.package_c).next().is_none() {
        return Err(InferError::NoReadings);
    }
    let layout = Layout::new(&evidence);
    let slots = slots(&layout, &changes);
    let readings: Vec<RunReadings> = (0..evidence.runs.len())
        .map(|run| RunReadings::of(&evidence, run))
        .collect();
    let problem = Posterior {
        layout: &layout,
        evidence: &evidence,
        slots: &slots,
        group_of: &group_of,
        readings: &readings,
        weight: 1.0,
    };
    let solved = solve(&problem)?;
    let covariance = solved
        .covariance(Some(1.0))
        .map_err(|e| InferError::Solver(e.to_string()))?;
    Ok(Joint {
        mode: solved.params.clone(),
        covariance,
        converged: solved.stopped.converged(),
        layout,
        evidence,
        slots,
    })
}

fn slots(layout: &Layout, changes: &[Vec<Change>]) -> Vec<Vec<Slot>> {
    let mut own = layout.len();
    let mut slot = |change: &Change| {
        let common = layout.place(change.key)?;
        let scale = layout.priors()[common].sd;
        own += 1;
        Some(Slot {
            common,
            own: own - 1,
            shift: change.shift / scale,
            sd: change.sd / scale,
        })
    };
    changes
        .iter()
        .map(|list| list.iter().filter_map(&mut slot).collect())
        .collect()
}

/// The better of two ways. Limits and fan curves make wells: a group with one run may settle in a
/// wrong one (held by the temperature limit all along, say) that no single start leaves. One way lets
/// everything move at once; the other first takes all groups for one machine but for its resistance
/// and then lets them part.
fn solve(problem: &Posterior<'_>) -> Result<Fit, InferError> {
    let free = staged(problem);
    let tied = tied(problem).and_then(|start| minimised(problem, 1.0, &start));
    match (free, tied) {
        (Ok(a), Ok(b)) if b.residual_ss < a.residual_ss => Ok(b),
        (Err(_), Ok(b)) => Ok(b),
        (free, _) => free,
    }
}

/// Share of their freedom that changes keep while all groups are taken for one machine, give or take
/// its resistance.
const TIED: f64 = 0.02;

fn tied(problem: &Posterior<'_>) -> Result<Vec<f64>, InferError> {
    let resistance = problem.layout.place(Key::RiseAtStock);
    let share = |s: &Slot| {
        if Some(s.common) == resistance {
            1.0
        } else {
            TIED
        }
    };
    let tie = |s: &Slot| Slot {
        sd: share(s) * s.sd,
        ..*s
    };
    let slots: Vec<Vec<Slot>> = problem
        .slots
        .iter()
        .map(|slots| slots.iter().map(tie).collect())
        .collect();
    let mut start = staged(&Posterior {
        slots: &slots,
        ..*problem
    })?
    .params;
    for s in problem.slots.iter().flatten() {
        start[s.own] *= share(s);
    }
    Ok(start)
}

fn staged(problem: &Posterior<'_>) -> Result<Fit, InferError> {
    let mut start = vec![0.0; problem.len_params()];
    for weight in WEIGHTS {
        start = minimised(problem, weight, &start)?.params;
    }
    minimised(problem, 1.0, &start)
}

fn minimised(problem: &Posterior<'_>, weight: f64, start: &[f64]) -> Result<Fit, InferError> {
    let early = weight < 1.0;
    let options = Options {
        max_iterations: ITERATIONS[usize::from(!early)],
        reduction_tolerance: if early { 1e-2 } else { 1e-4 },
        step_tolerance: 1e-3,
        gradient_tolerance: 1e-5,
        refinements: 0,
        ..Options::default()
    };
    let weighed = Posterior { weight, ..*problem };
    minimise(&weighed, start, &options).map_err(|e| InferError::Solver(e.to_string()))
}

impl Joint {
    /// A quantity worked out from the parameters of two groups, with its 90 % interval: the
    /// posterior's covariance propagated to first order (JCGM 100:2008, 5.2.2). What both groups have
    /// in common cancels in the quantity's own slopes.
    ///
    /// Slopes are taken over half a standard deviation to either side, so that they hold for the
    /// width of the interval and not for a point of it. There is no chance in it: the same notebook
    /// gives the same interval, and a verdict at the edge does not hang on a seed.
    pub fn compare(
        &self,
        first: usize,
        second: usize,
        of: impl Fn(&[f64], &[f64]) -> f64,
    ) -> Estimate {
        let at = |whole: &[f64]| {
            of(
                &of_group(&self.layout, &self.slots[first], whole),
                &of_group(&self.layout, &self.slots[second], whole),
            )
        };
        let mut trial = self.mode.clone();
        let slopes: Vec<f64> = (0..trial.len())
            .map(|j| {
                let step = 0.5 * self.covariance[(j, j)].max(0.0).sqrt();
                trial[j] = self.mode[j] + step;
                let up = at(&trial);
                trial[j] = self.mode[j] - step;
                let down = at(&trial);
                trial[j] = self.mode[j];
                (up - down) / (2.0 * step)
            })
            .collect();
        let slopes = DVector::from_vec(slopes);
        let variance = (&self.covariance * &slopes).dot(&slopes);
        Estimate::normal(at(&self.mode), variance.max(0.0).sqrt(), Basis::Measured)
    }

    /// A quantity of one group.
    pub fn derive(&self, group: usize, of: impl Fn(&[f64]) -> f64) -> Estimate {
        self.compare(group, group, |z, _| of(z))
    }
}

/// Where a resistance is read off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At {
    /// Package power, W.
    pub power_w: f64,
    /// Room, °C.
    pub room_c: f64,
    /// Altitude, m.
    pub altitude_m: f64,
}

/// Settled rise of the package over the room for each watt, K/W, with the fan at a share of full
/// speed: everything between die and room, the air that the package and other parts warm included.
pub fn resistance_k_per_w(layout: &Layout, z: &[f64], fan_share: f64, at: At) -> f64 {
    let density = settlepoint_model::air_density_kg_m3(at.room_c, at.altitude_m);
    let cooling = layout.machine(z, 0).cooling;
    let ladder = inner_k_per_w(&cooling) + 1.0 / cooling.conductance_w_per_k(fan_share, density);
    let mut warmed = cooling.clone();
    Intake::of(layout, z).lengthen(&mut warmed);
    let warming = inner_k_per_w(&warmed) - inner_k_per_w(&cooling);
    ladder * layout.discrepancy(z, at.power_w, fan_share)
        + warming
        + cooling.case_offset_k / at.power_w
}

/// Everything between the die and the last node, K/W.
fn inner_k_per_w(cooling: &Cooling) -> f64 {
    let inner = cooling.nodes.len().saturating_sub(1);
    cooling.nodes[..inner]
        .iter()
        .map(|n| n.resistance_k_per_w)
        .sum()
}

/// The share of full speed that a speed is; `None` where no run has a speed in rpm.
pub fn share_at_rpm(layout: &Layout, z: &[f64], rpm: f64) -> Option<f64> {
    layout.value(z, Key::FanFull).map(|full| rpm / full)
}

/// The share of full speed at which the fans alone make a level; `None` without any level.
pub fn share_at_level(layout: &Layout, z: &[f64], level_dba: f64) -> Option<f64> {
    let full = layout.value(z, Key::SoundFull)?;
    let slope = layout.value(z, Key::SoundSlope)?;
    Some(10.0_f64.powf((level_dba - full) / slope))
}

/// Level of the fans alone at a share of full speed, dB(A).
pub fn fan_level_dba(layout: &Layout, z: &[f64], fan_share: f64) -> Option<f64> {
    let full = layout.value(z, Key::SoundFull)?;
    let slope = layout.value(z, Key::SoundSlope)?;
    Some(full + slope * fan_share.log10())
}
