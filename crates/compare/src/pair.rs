//! Two settings on one workload.

use std::fmt;

use settlepoint_domain::{Basis, Direction, Estimate};
use settlepoint_stats::random::Random;
use settlepoint_stats::resample::{bca, bca_two};
use settlepoint_stats::two_sample::{
    EXACT_VALUES, SampleError, StudentEstimate, least_signed_p, least_two_sided_p, mann_whitney,
    paired, signed_rank, welch,
};

use crate::design::{Design, Layout};
use crate::repeats::{RepeatsAtSpread, SPREADS_PCT, repeats_to_settle};

/// One score.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// The value in the workload's unit.
    pub value: f64,
    /// The block (round) in which it was measured, if noted.
    pub block: Option<String>,
    /// Position in the order of measurement, if noted.
    pub order: Option<u32>,
}

impl Observation {
    /// A value of which nothing else is known.
    pub fn of(value: f64) -> Self {
        Self {
            value,
            block: None,
            order: None,
        }
    }
}

/// How values are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// By their ratio: rates, times, energies.
    Ratio,
    /// By their difference in decibels: a percentage of decibels has no meaning.
    Decibel,
}

/// What is compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Workload {
    /// Label.
    pub name: String,
    /// Unit of the scores, as shown.
    pub unit: String,
    /// Which way is better.
    pub direction: Direction,
    /// Ratios or decibels.
    pub scale: Scale,
    /// Share in the whole, relative to the others; 0 counts not at all.
    pub weight: f64,
    /// The owner's margin where it differs from the common one, percent (dB on that scale).
    pub margin: Option<f64>,
}

impl Workload {
    /// Scores of which more is better, with weight 1 and the common margin.
    pub fn named(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            unit: String::new(),
            direction: Direction::Higher,
            scale: Scale::Ratio,
            weight: 1.0,
            margin: None,
        }
    }
}

/// How to compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Difference that does not matter to the owner, percent.
    pub margin_pct: f64,
    /// The same for levels, dB.
    pub margin_db: f64,
    /// Whether blocks are used where they are noted.
    pub use_blocks: bool,
    /// Whether rank tests and bootstrap are worked out beside the method that decides.
    pub cross_checks: bool,
    /// Spread of single scores known from elsewhere (other workloads), as a standard deviation of
    /// logarithms: used where there is only one repetition.
    pub known_spread: Option<f64>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            margin_pct: 1.0,
            // About the smallest difference that listeners notice in one steady sound.
            margin_db: 1.0,
            use_blocks: true,
            cross_checks: true,
            known_spread: None,
        }
    }
}

/// The answer in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Verdict {
    /// The other setting is better by more than scatter explains.
    Faster,
    /// It is worse by more than scatter explains.
    Slower,
    /// It differs by less than the margin.
    Same,
    /// The data do not tell.
    CannotTell,
    /// On a level: it is quieter.
    Quieter,
    /// On a level: it is louder.
    Louder,
}

impl Verdict {
    /// The token in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Faster => "faster",
            Self::Slower => "slower",
            Self::Same => "same",
            Self::CannotTell => "cannot_tell",
            Self::Quieter => "quieter",
            Self::Louder => "louder",
        }
    }

    /// Whether a difference was found.
    pub const fn differs(self) -> bool {
        !matches!(self, Self::Same | Self::CannotTell)
    }
}

/// Methods that do not decide but should agree.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CrossChecks {
    /// Two-sided exact p-value of the rank-sum test, within blocks of the signed-rank test.
    pub rank_p: Option<f64>,
    /// Why there is none, or why it can say nothing.
    pub rank_note: Option<String>,
    /// Bias-corrected and accelerated 95 % bootstrap interval, as a ratio (dB for levels).
    pub bca_95: Option<(f64, f64)>,
}

/// What is known of two settings on one workload.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Comparison {
    /// The workload.
    pub workload: Workload,
    /// Number of values of base and other.
    pub counts: (usize, usize),
    /// Ratio of geometric means, other over base, with its 90 % interval (difference in dB for
    /// levels); with one repetition on a side the interval is unbounded.
    pub ratio: Estimate,
    /// The 95 % interval, which decides whether there is a difference.
    pub interval_95: Option<(f64, f64)>,
    /// Logarithm of the ratio (difference in dB) with its error.
    pub estimate: Option<StudentEstimate>,
    /// Arrangement and reason.
    pub layout: Layout,
    /// Why it is so arranged.
    pub layout_reason: String,
    /// Two-sided p-value of "no difference".
    pub p_difference: Option<f64>,
    /// p-value of "differs by the margin or more".
    pub p_equivalence: Option<f64>,
    /// Margin used, percent or dB.
    pub margin: f64,
    /// The answer.
    pub verdict: Verdict,
    /// Repetitions a side in all that would settle it, if it is not settled and that many can be
    /// made.
    pub repeats_needed: Option<u32>,
    /// Repetitions needed at several spreads, where the spread is not known.
    pub repeats_at_spreads: Vec<RepeatsAtSpread>,
    /// Standard deviation of single scores (of differences within blocks), as logarithm or dB.
    pub spread: Option<f64>,
    /// Other methods.
    pub cross_checks: CrossChecks,
}

impl Comparison {
    /// Repetitions still to be made on the side that has fewest.
    pub fn further_repeats(&self) -> Option<u32> {
        let fewest = u32::try_from(self.counts.0.min(self.counts.1)).unwrap_or(u32::MAX);
        self.repeats_needed.map(|n| n.saturating_sub(fewest).max(1))
    }

    /// How much faster, as a logarithm: positive is better, whichever way scores count.
    pub fn ln_speed(&self) -> Option<StudentEstimate> {
        let estimate = self.estimate?;
        Some(StudentEstimate {
            value: oriented(self.workload.direction, estimate.value),
            ..estimate
        })
    }
}

fn oriented(direction: Direction, value: f64) -> f64 {
    match direction {
        Direction::Higher => value,
        Direction::Lower => -value,
    }
}

/// Why two settings cannot be compared at all.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum CompareError {
    /// A side has no value.
    Empty {
        /// The workload.
        workload: String,
    },
    /// A value has no logarithm or is not finite.
    Value {
        /// The workload.
        workload: String,
        /// The value.
        value: f64,
    },
    /// The samples do not allow a statistic.
    Sample(SampleError),
    /// The margin is out of range.
    Margin {
        /// What was given.
        given: f64,
    },
}

impl fmt::Display for CompareError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty { workload } => {
                write!(
                    f,
                    "'{workload}' has no score on one of the sides; run it there too"
                )
            }
            Self::Value { workload, value } => write!(
                f,
                "'{workload}' has the score {value}; scores must be finite and above 0 to have a ratio"
            ),
            Self::Sample(error) => error.fmt(f),
            Self::Margin { given } => {
                write!(
                    f,
                    "a margin of {given} makes no sense; give 0.01 to 50 percent (or dB)"
                )
            }
        }
    }
}

impl std::error::Error for CompareError {}

impl From<SampleError> for CompareError {
    fn from(error: SampleError) -> Self {
        Self::Sample(error)
    }
}

/// Compares two sides on one workload.
///
/// The deciding method is Student's: Welch's interval of the difference of mean logarithms for
/// independent values, that of the mean difference within blocks where there are blocks. "Same"
/// needs two one-sided tests at 5 % (the 90 % interval within the margin) and goes before "faster"
/// and "slower", which need the 95 % interval to exclude no difference: a difference that is real
/// but smaller than the owner cares about is "same".
///
/// # Errors
///
/// [`CompareError`] for a side without values, a value without logarithm, a margin out of range.
pub fn compare(
    workload: &Workload,
    base: &[Observation],
    other: &[Observation],
    options: &Options,
) -> Result<Comparison, CompareError> {
    check(workload, base, other)?;
    let margin = margin_of(workload, options)?;
    let transform = transform(workload.scale);
    let design = Design::of(base, other, options.use_blocks, transform);
    let estimate = estimate(&design)?;
    let mut comparison = start(workload, &design, margin, (base.len(), other.len()));
    match estimate {
        Some(estimate) => decide(&mut comparison, estimate, &design),
        None => unsettled(&mut comparison, &design, options),
    }
    if options.cross_checks {
        comparison.cross_checks = cross_checks(&design, workload.scale);
    }
    Ok(comparison)
}

fn check(
    workload: &Workload,
    base: &[Observation],
    other: &[Observation],
) -> Result<(), CompareError> {
    if base.is_empty() || other.is_empty() {
        let workload = workload.name.clone();
        return Err(CompareError::Empty { workload });
    }
    let fits = |value: f64| value.is_finite() && (workload.scale == Scale::Decibel || value > 0.0);
    match base.iter().chain(other).find(|o| !fits(o.value)) {
        Some(bad) => Err(CompareError::Value {
            workload: workload.name.clone(),
            value: bad.value,
        }),
        None => Ok(()),
    }
}

fn margin_of(workload: &Workload, options: &Options) -> Result<f64, CompareError> {
    let common = match workload.scale {
        Scale::Ratio => options.margin_pct,
        Scale::Decibel => options.margin_db,
    };
    let given = workload.margin.unwrap_or(common);
    if (0.01..=50.0).contains(&given) {
        Ok(given)
    } else {
        Err(CompareError::Margin { given })
    }
}

/// Bounds of equivalence on the scale of the estimate. A loss of x % is undone by a gain of
/// 1/(1 - x); the bounds are these two, symmetric in logarithms.
fn bounds(scale: Scale, margin: f64) -> (f64, f64) {
    match scale {
        Scale::Ratio => {
            let low = (-margin / 100.0).ln_1p();
            (low, -low)
        }
        Scale::Decibel => (-margin, margin),
    }
}

fn transform(scale: Scale) -> fn(f64) -> f64 {
    match scale {
        Scale::Ratio => f64::ln,
        Scale::Decibel => |level| level,
    }
}

fn shown(scale: Scale) -> fn(f64) -> f64 {
    match scale {
        Scale::Ratio => f64::exp,
        Scale::Decibel => |level| level,
    }
}

/// The estimate that decides; `None` where there is no scatter to judge by.
fn estimate(design: &Design) -> Result<Option<StudentEstimate>, CompareError> {
    let made = match design.layout {
        Layout::Single => return Ok(None),
        Layout::Paired | Layout::Blocked => paired(&design.other, &design.base),
        Layout::Independent => welch(&design.other, &design.base),
    };
    match made {
        Ok(estimate) => Ok(Some(estimate)),
        Err(SampleError::NoScatter) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Everything that needs no scatter.
fn start(workload: &Workload, design: &Design, margin: f64, counts: (usize, usize)) -> Comparison {
    let value = shown(workload.scale)(mean(&design.other) - mean(&design.base));
    let lo = match workload.scale {
        Scale::Ratio => 0.0,
        Scale::Decibel => f64::NEG_INFINITY,
    };
    Comparison {
        workload: workload.clone(),
        counts,
        ratio: Estimate {
            value,
            lo,
            hi: f64::INFINITY,
            basis: Basis::Measured,
        },
        interval_95: None,
        estimate: None,
        layout: design.layout,
        layout_reason: design.reason.clone(),
        p_difference: None,
        p_equivalence: None,
        margin,
        verdict: Verdict::CannotTell,
        repeats_needed: None,
        repeats_at_spreads: Vec::new(),
        spread: None,
        cross_checks: CrossChecks::default(),
    }
}

fn decide(comparison: &mut Comparison, estimate: StudentEstimate, design: &Design) {
    let (scale, direction) = (comparison.workload.scale, comparison.workload.direction);
    let show = shown(scale);
    let bounds = bounds(scale, comparison.margin);
    let (inner, outer) = (estimate.interval(0.9), estimate.interval(0.95));
    let equivalence = estimate.equivalence(bounds.0, bounds.1).p();
    comparison.ratio.value = show(estimate.value);
    comparison.ratio.lo = show(inner.0);
    comparison.ratio.hi = show(inner.1);
    comparison.interval_95 = Some((show(outer.0), show(outer.1)));
    comparison.p_difference = Some(estimate.p_two_sided(0.0));
    comparison.p_equivalence = Some(equivalence);
    comparison.verdict = if equivalence <= 0.05 {
        Verdict::Same
    } else if outer.0 > 0.0 || outer.1 < 0.0 {
        word(scale, oriented(direction, estimate.value) > 0.0)
    } else {
        Verdict::CannotTell
    };
    let spread = spread(&estimate, design);
    comparison.spread = Some(spread);
    comparison.estimate = Some(estimate);
    if comparison.verdict == Verdict::CannotTell {
        comparison.repeats_needed =
            repeats_to_settle(estimate.value, spread, bounds, design.layout);
    }
}

fn word(scale: Scale, better: bool) -> Verdict {
    match (scale, better) {
        (Scale::Ratio, true) => Verdict::Faster,
        (Scale::Ratio, false) => Verdict::Slower,
        (Scale::Decibel, true) => Verdict::Quieter,
        (Scale::Decibel, false) => Verdict::Louder,
    }
}

/// Standard deviation of single values (of differences within blocks) behind a standard error.
fn spread(estimate: &StudentEstimate, design: &Design) -> f64 {
    let (n, m) = (design.base.len() as f64, design.other.len() as f64);
    match design.layout {
        Layout::Paired | Layout::Blocked => estimate.standard_error * n.sqrt(),
        Layout::Independent | Layout::Single => {
            estimate.standard_error / (1.0 / n + 1.0 / m).sqrt()
        }
    }
}

/// Without scatter of its own: the repetitions needed at a known spread, or at several.
fn unsettled(comparison: &mut Comparison, design: &Design, options: &Options) {
    let scale = comparison.workload.scale;
    let bounds = bounds(scale, comparison.margin);
    let effect = mean(&design.other) - mean(&design.base);
    let at = |spread: f64| repeats_to_settle(effect, spread, bounds, Layout::Single);
    let to_log = |percent: f64| match scale {
        Scale::Ratio => (percent / 100.0).ln_1p(),
        Scale::Decibel => percent,
    };
    let from_log = |spread: f64| match scale {
        Scale::Ratio => 100.0 * spread.exp_m1(),
        Scale::Decibel => spread,
    };
    let known = options.known_spread.filter(|_| scale == Scale::Ratio);
    comparison.repeats_at_spreads = match known {
        Some(spread) => vec![RepeatsAtSpread {
            spread: from_log(spread),
            repeats: at(spread),
        }],
        None => SPREADS_PCT
            .iter()
            .map(|&spread| RepeatsAtSpread {
                spread,
                repeats: at(to_log(spread)),
            })
            .collect(),
    };
    if let Some(spread) = known {
        comparison.spread = Some(spread);
        comparison.repeats_needed = at(spread);
    }
    if design.layout != Layout::Single {
        comparison.layout_reason +=
            "; all values of a side are equal, so note scores with more digits";
    }
}

/// Values on each side from which the bootstrap is trusted.
const BOOTSTRAP_VALUES: usize = 20;
/// Resamples: the ends of a 95 % interval then scatter by 3 % of its width.
const BOOTSTRAP_DRAWS: usize = 2000;
/// Any fixed number: the same data give the same interval.
const SEED: u64 = 0x5e77;

fn cross_checks(design: &Design, scale: Scale) -> CrossChecks {
    let within: Vec<f64> = design
        .other
        .iter()
        .zip(&design.base)
        .map(|(other, base)| other - base)
        .collect();
    let (rank, bca) = match design.layout {
        Layout::Single => return CrossChecks::default(),
        Layout::Independent => (rank_sum(design), bootstrap(design)),
        Layout::Paired | Layout::Blocked => (signed(&within), bootstrap_within(&within)),
    };
    let (rank_p, rank_note) = match rank {
        Ok(p) => (p, None),
        Err(note) => (None, Some(note)),
    };
    let show = shown(scale);
    CrossChecks {
        rank_p,
        rank_note,
        bca_95: bca.map(|(low, high)| (show(low), show(high))),
    }
}

/// Exact p-value of the rank-sum test, or why there is none.
fn rank_sum(design: &Design) -> Result<Option<f64>, String> {
    let (n, m) = (design.base.len(), design.other.len());
    let least = least_two_sided_p(n, m);
    if least > 0.05 {
        return Err(format!(
            "a rank or permutation test of {n} against {m} values cannot reach 5 %: its smallest \
             p-value is {least:.2}"
        ));
    }
    if n + m > EXACT_VALUES {
        return Err(format!(
            "more than {EXACT_VALUES} values: no exact rank test is worked out"
        ));
    }
    Ok(mann_whitney(&design.other, &design.base)
        .ok()
        .and_then(|test| test.p_exact))
}

/// Exact p-value of the signed-rank test within blocks, or why there is none.
fn signed(within: &[f64]) -> Result<Option<f64>, String> {
    let n = within.len();
    let least = least_signed_p(n);
    if least > 0.05 {
        return Err(format!(
            "a rank or permutation test within {n} blocks cannot reach 5 %: its smallest p-value is \
             {least:.2}"
        ));
    }
    if n > EXACT_VALUES {
        return Err(format!(
            "more than {EXACT_VALUES} blocks: no exact rank test is worked out"
        ));
    }
    Ok(signed_rank(within).ok())
}

fn bootstrap(design: &Design) -> Option<(f64, f64)> {
    let enough = design.base.len().min(design.other.len()) >= BOOTSTRAP_VALUES;
    let mut random = Random::from_seed(SEED);
    let (other, base) = (&design.other, &design.base);
    let made = enough.then(|| bca_two(other, base, mean, 0.95, BOOTSTRAP_DRAWS, &mut random));
    made?.ok().map(|bca| bca.interval)
}

fn bootstrap_within(within: &[f64]) -> Option<(f64, f64)> {
    let mut random = Random::from_seed(SEED);
    let made = (within.len() >= BOOTSTRAP_VALUES)
        .then(|| bca(within, mean, 0.95, BOOTSTRAP_DRAWS, &mut random));
    made?.ok().map(|bca| bca.interval)
}

/// Spread of single scores common to comparisons of ratios that have repetitions: the root of the
/// mean variance of logarithms, weighted by degrees of freedom; `None` where none has any.
pub fn common_spread(comparisons: &[Comparison]) -> Option<f64> {
    let usable = comparisons
        .iter()
        .filter(|c| c.workload.scale == Scale::Ratio && c.layout == Layout::Independent)
        .filter_map(|c| Some((c.spread?, c.estimate?.dof)));
    let (sum, dof) = usable.fold((0.0, 0.0), |(sum, all), (spread, dof)| {
        (sum + dof * spread * spread, all + dof)
    });
    (dof > 0.0).then(|| (sum / dof).sqrt())
}
