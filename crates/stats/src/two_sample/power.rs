//! How many repetitions a question needs.

use super::SampleError;
use crate::distributions::{ChiSquared, StandardNormal, StudentT};

/// Most repetitions that are ever asked for; beyond, the answer is "more than that".
const MOST: f64 = 1e6;

/// How the repetitions are arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Repeats {
    /// As many on each of two independent sides; effects in units of the common standard deviation.
    EachSide,
    /// Pairs, or values of one sample; effects in units of the standard deviation of differences.
    Pairs,
}

impl Repeats {
    fn dof(self, n: f64) -> f64 {
        match self {
            Self::EachSide => 2.0 * (n - 1.0),
            Self::Pairs => n - 1.0,
        }
    }

    /// Factor from an effect to the mean of its t statistic.
    fn precision(self, n: f64) -> f64 {
        match self {
            Self::EachSide => (0.5 * n).sqrt(),
            Self::Pairs => n.sqrt(),
        }
    }
}

/// Probability of a noncentral t variate at most `t`: `P((Z + delta) / S <= t)` with `Z` standard
/// normal and `S` the root of a chi-squared variate over its `dof`. The normal probability is
/// averaged over the density of `S`; absolute error below 1e-10 for up to 1e5 degrees of freedom.
pub fn noncentral_t_cdf(t: f64, dof: f64, delta: f64) -> f64 {
    over_scale(dof, |s| StandardNormal.cdf(t * s - delta)).clamp(0.0, 1.0)
}

/// Positive nodes and weights of Gauss and Legendre's rule of eight points: M. Abramowitz and I. A.
/// Stegun, "Handbook of Mathematical Functions" (1964), table 25.4.
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_3),
];
/// Panels on which the rule is used; the density of the scale is smooth, and a panel is less than
/// one of its widths.
const PANELS: usize = 24;
/// Widths to either side; beyond lies less than exp(-9^2 / 2), or 3e-18.
const WIDTHS: f64 = 9.0;

/// Mean of `f(S)`, `S` the root of a chi-squared variate over its degrees of freedom.
fn over_scale(dof: f64, f: impl Fn(f64) -> f64) -> f64 {
    let Ok(law) = ChiSquared::new(dof) else {
        return f64::NAN;
    };
    let width = 1.0 / dof.sqrt();
    let (low, high) = ((1.0 - WIDTHS * width).max(0.0), 1.0 + WIDTHS * width);
    let half = 0.5 * (high - low) / PANELS as f64;
    let at = |s: f64| 2.0 * dof * s * law.pdf(dof * s * s) * f(s);
    let panel = |i: usize| {
        let middle = low + (2 * i + 1) as f64 * half;
        let pair = |(x, w): &(f64, f64)| w * (at(middle - x * half) + at(middle + x * half));
        GAUSS.iter().map(pair).sum::<f64>()
    };
    half * (0..PANELS).map(panel).sum::<f64>()
}

/// Probability that a two-sided t test at `alpha` finds a true `effect` with `n` repetitions (which
/// need not be whole).
pub fn two_sample_power(effect: f64, n: f64, alpha: f64, repeats: Repeats) -> f64 {
    let dof = repeats.dof(n);
    let Ok(student) = StudentT::new(dof) else {
        return f64::NAN;
    };
    let critical = student.quantile(1.0 - 0.5 * alpha);
    let delta = effect * repeats.precision(n);
    over_scale(dof, |s| {
        StandardNormal.sf(critical * s - delta) + StandardNormal.cdf(-critical * s - delta)
    })
}

/// Probability that two one-sided tests at `alpha` each find a true `effect` to lie between `low`
/// and `high`, all in standard deviations: D. B. Owen, Biometrika 52 (1965) 437-446.
pub fn equivalence_power(
    effect: f64,
    bounds: (f64, f64),
    n: f64,
    alpha: f64,
    repeats: Repeats,
) -> f64 {
    let dof = repeats.dof(n);
    let Ok(student) = StudentT::new(dof) else {
        return f64::NAN;
    };
    let critical = student.quantile(1.0 - alpha);
    let (below, above) = (
        (effect - bounds.0) * repeats.precision(n),
        (bounds.1 - effect) * repeats.precision(n),
    );
    over_scale(dof, |s| {
        (StandardNormal.cdf(above - critical * s) - StandardNormal.cdf(critical * s - below))
            .max(0.0)
    })
}

/// Repetitions at which [`two_sample_power`] reaches `power`, not rounded up; infinite beyond a
/// million.
///
/// # Errors
///
/// [`SampleError::Level`] unless the effect is finite and not zero and the shares lie between 0
/// and 1.
pub fn repeats_for_difference(
    effect: f64,
    power: f64,
    alpha: f64,
    repeats: Repeats,
) -> Result<f64, SampleError> {
    if !effect.is_finite() || effect == 0.0 {
        return Err(SampleError::Level { given: effect });
    }
    shares(power, alpha)?;
    let quantiles = StandardNormal.quantile(1.0 - 0.5 * alpha) + StandardNormal.quantile(power);
    let guess = start(quantiles / effect.abs(), repeats);
    Ok(solve(guess, power, |n| {
        two_sample_power(effect, n, alpha, repeats)
    }))
}

/// Repetitions at which [`equivalence_power`] reaches `power`, not rounded up; infinite beyond a
/// million.
///
/// # Errors
///
/// [`SampleError::Level`] unless the effect lies between the bounds and the shares between 0
/// and 1.
pub fn repeats_for_equivalence(
    effect: f64,
    bounds: (f64, f64),
    power: f64,
    alpha: f64,
    repeats: Repeats,
) -> Result<f64, SampleError> {
    if !(bounds.0 < effect && effect < bounds.1) {
        return Err(SampleError::Level { given: effect });
    }
    shares(power, alpha)?;
    let room = (effect - bounds.0).min(bounds.1 - effect);
    let quantiles = StandardNormal.quantile(1.0 - alpha) + StandardNormal.quantile(power);
    Ok(solve(start(quantiles / room, repeats), power, |n| {
        equivalence_power(effect, bounds, n, alpha, repeats)
    }))
}

fn shares(power: f64, alpha: f64) -> Result<(), SampleError> {
    for given in [power, alpha] {
        if !(given > 0.0 && given < 1.0) {
            return Err(SampleError::Level { given });
        }
    }
    Ok(())
}

/// The normal approximation.
fn start(ratio: f64, repeats: Repeats) -> f64 {
    let n = ratio * ratio;
    match repeats {
        Repeats::EachSide => 2.0 * n,
        Repeats::Pairs => n,
    }
}

/// Least repetitions for which a spread can be estimated, and where the search begins.
const LEAST: f64 = 1.02;

/// Where a power that rises with `n` crosses `wanted`: a bracket about the guess, then the secant
/// rule of Illinois (M. Dowell and P. Jarratt, BIT 11 (1971) 168-174) on the logarithm of n.
fn solve(guess: f64, wanted: f64, power: impl Fn(f64) -> f64) -> f64 {
    if guess.is_nan() || guess > MOST {
        return f64::INFINITY;
    }
    let miss = |ln_n: f64| power(ln_n.exp().max(LEAST)) - wanted;
    let (mut low, mut high) = (LEAST.ln(), guess.max(2.0).ln());
    let (mut miss_low, mut miss_high) = (miss(low), miss(high));
    if miss_low >= 0.0 {
        return LEAST;
    }
    while miss_high < 0.0 {
        (low, miss_low) = (high, miss_high);
        high += 0.3;
        miss_high = miss(high);
        if high > MOST.ln() {
            return f64::INFINITY;
        }
    }
    for _ in 0..60 {
        let middle = high - miss_high * (high - low) / (miss_high - miss_low);
        let miss_middle = miss(middle);
        if miss_middle.abs() < 1e-12 || (high - low).abs() < 1e-12 {
            return middle.exp();
        }
        if miss_middle * miss_high < 0.0 {
            (low, miss_low) = (high, miss_high);
        } else {
            miss_low *= 0.5;
        }
        (high, miss_high) = (middle, miss_middle);
    }
    high.exp()
}
