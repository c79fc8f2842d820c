//! Autocorrelation of evenly spaced series and the standard error of their mean.

use super::{Moments, SeriesError, accurate_sum, checked, moments};

/// Autocovariances at lags 0 to `max_lag`, each divided by n (biased, positive definite).
///
/// # Errors
///
/// [`SeriesError`] unless there are more than `max_lag` values, all finite.
pub fn autocovariance(values: &[f64], max_lag: usize) -> Result<Vec<f64>, SeriesError> {
    checked(values, max_lag + 1)?;
    let mean = moments(values)?.mean;
    Ok((0..=max_lag)
        .map(|lag| covariance_at(values, mean, lag))
        .collect())
}

fn covariance_at(values: &[f64], mean: f64, lag: usize) -> f64 {
    let products = values
        .iter()
        .zip(&values[lag..])
        .map(|(a, b)| (a - mean) * (b - mean));
    accurate_sum(products) / values.len() as f64
}

/// Autocorrelations at lags 0 to `max_lag`: [`autocovariance`] over its value at lag 0. Lag 1 is
/// `sum (y_i - m)(y_{i+1} - m) / sum (y_i - m)^2`.
///
/// # Errors
///
/// [`SeriesError`] unless there are more than `max_lag` values, finite and not all equal.
pub fn autocorrelation(values: &[f64], max_lag: usize) -> Result<Vec<f64>, SeriesError> {
    let covariances = autocovariance(values, max_lag)?;
    if covariances[0] <= 0.0 {
        return Err(SeriesError::Constant);
    }
    Ok(covariances.iter().map(|c| c / covariances[0]).collect())
}

/// How the sum of autocorrelations is cut off before it is only noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Truncation {
    /// First-order process: `n (1 - r1) / (1 + r1)`.
    FirstOrder,
    /// Pair sums `r_2k + r_2k+1` while positive: C. J. Geyer, Statist. Sci. 7 (1992) 473-483,
    /// section 3.3. Makes no model; the better choice for long records.
    InitialPositive,
    /// The same, and pair sums may not rise again.
    InitialMonotone,
}

/// Mean of an evenly spaced, autocorrelated series.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct CorrelatedMean {
    /// Number, mean and spread.
    pub moments: Moments,
    /// Number of independent values that would know the mean as well; at most n (a negative
    /// correlation is not relied on) and at least 1.
    pub effective_count: f64,
    /// Standard deviation over the root of the effective count.
    pub standard_error: f64,
}

/// Mean with a standard error that allows for autocorrelation.
///
/// The effort of the pair sums is n times the number of lags until the correlation is gone; shorten
/// a drifting record of 100 000 values with
/// [`block_means`](crate::change_points::block_means) first.
///
/// A series of equal values has no correlation to estimate; its standard error is zero, and the
/// resolution of the sensor must speak for it.
///
/// # Errors
///
/// [`SeriesError`] if there are fewer than 4 values or one is not finite.
pub fn correlated_mean(
    values: &[f64],
    truncation: Truncation,
) -> Result<CorrelatedMean, SeriesError> {
    checked(values, 4)?;
    let moments = moments(values)?;
    let count = values.len() as f64;
    let time = if moments.squared_deviations > 0.0 {
        correlation_time(values, &moments, truncation)
    } else {
        1.0
    };
    let effective_count = (count / time).clamp(1.0, count);
    Ok(CorrelatedMean {
        moments,
        effective_count,
        standard_error: moments.standard_deviation() / effective_count.sqrt(),
    })
}

/// Factor by which correlation raises the variance of the mean, in samples; may be below 1.
fn correlation_time(values: &[f64], moments: &Moments, truncation: Truncation) -> f64 {
    let variance = moments.squared_deviations / moments.count as f64;
    let at = |lag: usize| covariance_at(values, moments.mean, lag) / variance;
    if truncation == Truncation::FirstOrder {
        let first = at(1);
        return (1.0 + first) / (1.0 - first).max(f64::EPSILON);
    }
    let mut time = -1.0;
    let mut least = f64::INFINITY;
    for lag in (0..values.len() - 1).step_by(2) {
        let pair = at(lag) + at(lag + 1);
        if pair <= 0.0 {
            break;
        }
        least = least.min(pair);
        time += 2.0
            * if truncation == Truncation::InitialMonotone {
                least
            } else {
                pair
            };
    }
    time.max(f64::EPSILON)
}

/// Standard error of the mean with Bartlett weights up to `max_lag`: W. K. Newey and K. D. West,
/// Econometrica 55 (1987) 703-708; no small-sample factor.
///
/// # Errors
///
/// [`SeriesError`] unless there are more than `max_lag` values, all finite.
pub fn newey_west_standard_error(values: &[f64], max_lag: usize) -> Result<f64, SeriesError> {
    let covariances = autocovariance(values, max_lag)?;
    let weighted = covariances.iter().enumerate().skip(1).map(|(lag, c)| {
        let weight = 1.0 - lag as f64 / (max_lag as f64 + 1.0);
        2.0 * weight * c
    });
    let long_run = covariances[0] + weighted.sum::<f64>();
    Ok((long_run.max(0.0) / values.len() as f64).sqrt())
}

/// Standard error of the mean from the scatter of the means of whole batches of `batch_len`
/// values; a rest at the end is left out.
///
/// # Errors
///
/// [`SeriesError`] unless there are two whole batches and all values are finite.
pub fn batch_means_standard_error(values: &[f64], batch_len: usize) -> Result<f64, SeriesError> {
    let batch_len = batch_len.max(1);
    checked(values, 2 * batch_len)?;
    let means: Vec<f64> = values
        .chunks_exact(batch_len)
        .map(|batch| accurate_sum(batch.iter().copied()) / batch_len as f64)
        .collect();
    Ok(moments(&means)?.naive_standard_error())
}
