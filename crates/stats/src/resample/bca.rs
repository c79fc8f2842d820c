//! Bias-corrected and accelerated bootstrap: B. Efron, J. Amer. Statist. Assoc. 82 (1987) 171-185.

use crate::distributions::StandardNormal;
use crate::random::Random;
use crate::two_sample::{SampleError, checked};

/// A bias-corrected and accelerated interval.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Bca {
    /// The statistic of the sample itself.
    pub estimate: f64,
    /// The interval.
    pub interval: (f64, f64),
    /// Median bias in standard normal units.
    pub bias: f64,
    /// Acceleration from the jackknife.
    pub acceleration: f64,
}

/// Interval of a statistic of one sample from `draws` resamples.
///
/// # Errors
///
/// [`SampleError`] unless there are three finite values, a level between 0 and 1, and a statistic
/// that changes with the sample.
pub fn bca(
    values: &[f64],
    statistic: impl Fn(&[f64]) -> f64,
    level: f64,
    draws: usize,
    random: &mut Random,
) -> Result<Bca, SampleError> {
    checked(values, 3)?;
    let estimate = statistic(values);
    let mut resample = values.to_vec();
    let mut replicates: Vec<f64> = (0..draws)
        .map(|_| {
            refill(&mut resample, values, random);
            statistic(&resample)
        })
        .collect();
    let influence = jackknife(values, &statistic);
    adjusted(estimate, &mut replicates, acceleration(&[influence]), level)
}

/// The same for a difference of a statistic between two independent samples, `a` minus `b`.
///
/// # Errors
///
/// As [`bca`], for each sample.
pub fn bca_two(
    a: &[f64],
    b: &[f64],
    statistic: impl Fn(&[f64]) -> f64,
    level: f64,
    draws: usize,
    random: &mut Random,
) -> Result<Bca, SampleError> {
    checked(a, 3)?;
    checked(b, 3)?;
    let estimate = statistic(a) - statistic(b);
    let (mut of_a, mut of_b) = (a.to_vec(), b.to_vec());
    let mut replicates: Vec<f64> = (0..draws)
        .map(|_| {
            refill(&mut of_a, a, random);
            refill(&mut of_b, b, random);
            statistic(&of_a) - statistic(&of_b)
        })
        .collect();
    let minus: Vec<f64> = jackknife(b, &statistic).iter().map(|x| -x).collect();
    let acceleration = acceleration(&[jackknife(a, &statistic), minus]);
    adjusted(estimate, &mut replicates, acceleration, level)
}

fn refill(resample: &mut [f64], values: &[f64], random: &mut Random) {
    for to in resample {
        *to = values[random.index_below(values.len())];
    }
}

/// How the statistic would move with each value: the mean of those with one value left out, less
/// that one, over the number of values.
fn jackknife(values: &[f64], statistic: &impl Fn(&[f64]) -> f64) -> Vec<f64> {
    let n = values.len();
    let mut rest = values[1..].to_vec();
    let without: Vec<f64> = (0..n)
        .map(|i| {
            if i > 0 {
                rest[i - 1] = values[i - 1];
            }
            statistic(&rest)
        })
        .collect();
    let mean = without.iter().sum::<f64>() / n as f64;
    without
        .iter()
        .map(|s| (mean - s) * (n as f64 - 1.0) / n as f64)
        .collect()
}

/// Skewness of the influence, over six; samples add (B. Efron and R. J. Tibshirani, "An
/// Introduction to the Bootstrap" (1993), eq. 14.15).
fn acceleration(influences: &[Vec<f64>]) -> f64 {
    let sum = |power: i32| -> f64 { influences.iter().flatten().map(|x| x.powi(power)).sum() };
    let square = sum(2);
    if square > 0.0 {
        sum(3) / (6.0 * square.powf(1.5))
    } else {
        0.0
    }
}

fn adjusted(
    estimate: f64,
    replicates: &mut [f64],
    acceleration: f64,
    level: f64,
) -> Result<Bca, SampleError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(SampleError::Level { given: level });
    }
    if replicates.iter().any(|r| !r.is_finite()) {
        return Err(SampleError::NotFinite);
    }
    replicates.sort_by(f64::total_cmp);
    // A sum in another order rounds differently; within this the two are equal.
    let hair = 1e-12 * estimate.abs();
    let below = replicates.partition_point(|&r| r < estimate - hair);
    let up_to = replicates.partition_point(|&r| r <= estimate + hair);
    let share = 0.5 * (below + up_to) as f64 / replicates.len().max(1) as f64;
    if !(share > 0.0 && share < 1.0) || up_to - below == replicates.len() {
        return Err(SampleError::NoScatter);
    }
    let bias = StandardNormal.quantile(share);
    let end = |z: f64| {
        let moved = bias + (bias + z) / (1.0 - acceleration * (bias + z));
        at_share(replicates, StandardNormal.cdf(moved))
    };
    let z = StandardNormal.quantile(0.5 + 0.5 * level);
    Ok(Bca {
        estimate,
        interval: (end(-z), end(z)),
        bias,
        acceleration,
    })
}

/// The smallest replicate up to which at least this share lies.
fn at_share(sorted: &[f64], share: f64) -> f64 {
    let place = (share * sorted.len() as f64).ceil().max(1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between one and the number of replicates"
    )]
    let place = place as usize;
    sorted[place.min(sorted.len()) - 1]
}
