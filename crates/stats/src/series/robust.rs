//! Statistics that a few wild readings do not move.

use super::{SeriesError, checked};
use crate::distributions::StandardNormal;

/// Quantile by linear interpolation between order statistics, position `(n - 1) fraction`:
/// definition 7 of R. J. Hyndman and Y. Fan, Amer. Statist. 50 (1996) 361-365.
///
/// # Errors
///
/// [`SeriesError`] if there is no value, one is not finite, or the fraction is outside 0 to 1.
pub fn quantile(values: &[f64], fraction: f64) -> Result<f64, SeriesError> {
    checked(values, 1)?;
    if !(0.0..=1.0).contains(&fraction) {
        return Err(SeriesError::Level);
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    Ok(sorted_quantile(&sorted, fraction))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the position lies between 0 and the length"
)]
fn sorted_quantile(sorted: &[f64], fraction: f64) -> f64 {
    let position = (sorted.len() - 1) as f64 * fraction;
    let below = position.floor();
    let index = below as usize;
    let low = sorted[index];
    let high = sorted[(index + 1).min(sorted.len() - 1)];
    low + (high - low) * (position - below)
}

/// Median; of an even number of values the mean of the middle two.
///
/// # Errors
///
/// [`SeriesError`] if there is no value or one is not finite.
pub fn median(values: &[f64]) -> Result<f64, SeriesError> {
    quantile(values, 0.5)
}

/// Upper quartile of the standard normal distribution: the median of the absolute value.
const NORMAL_MAD: f64 = 0.674_489_750_196_081_7;

/// Standard deviation estimated by the median absolute deviation from the median, divided by
/// 0.6745 so that it is right for normal values; half of the values may be wild.
///
/// Zero for a series that is more than half one value: coarse sensors give that.
///
/// # Errors
///
/// [`SeriesError`] if there is no value or one is not finite.
pub fn mad_scale(values: &[f64]) -> Result<f64, SeriesError> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Ok(median(&deviations)? / NORMAL_MAD)
}

/// Median of the slopes of all pairs, with an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct RobustSlope {
    /// Change of y per unit of x.
    pub slope: f64,
    /// `median(y) - slope median(x)`.
    pub intercept: f64,
    /// Lower end of the interval of the slope.
    pub low: f64,
    /// Upper end of the interval of the slope.
    pub high: f64,
}

/// Slopes of at most this many points are formed in pairs; longer series are shortened first.
const MOST_POINTS: usize = 2000;

/// Theil-Sen slope and its interval at `level` (0.9 for 90 %): P. K. Sen, J. Amer. Statist.
/// Assoc. 63 (1968) 1379-1389, normal approximation with its correction for ties in y and x.
///
/// The interval is for independent errors; on an autocorrelated series use means of blocks longer
/// than the correlation. Of more than 2000 points only every k-th is used, evenly over the
/// series, as the pairs grow with the square.
///
/// # Errors
///
/// [`SeriesError`] if lengths differ, there are fewer than 2 points, a value is not finite, all x
/// are equal, or the level is outside 0 to 1.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Result<RobustSlope, SeriesError> {
    if x.len() != y.len() {
        return Err(SeriesError::UnequalLengths);
    }
    checked(x, 2)?;
    checked(y, 2)?;
    if !(level > 0.0 && level < 1.0) {
        return Err(SeriesError::Level);
    }
    let stride = x.len().div_ceil(MOST_POINTS);
    let x: Vec<f64> = x.iter().copied().step_by(stride).collect();
    let y: Vec<f64> = y.iter().copied().step_by(stride).collect();
    let slopes = sorted_slopes(&x, &y);
    if slopes.is_empty() {
        return Err(SeriesError::Constant);
    }
    let slope = sorted_quantile(&slopes, 0.5);
    let half_width = -StandardNormal.quantile(0.5 - 0.5 * level) * score_variance(&x, &y).sqrt();
    let (low, high) = interval_ranks(slopes.len(), half_width);
    Ok(RobustSlope {
        slope,
        intercept: median(&y)? - slope * median(&x)?,
        low: slopes[low],
        high: slopes[high],
    })
}

fn sorted_slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(x.len() * (x.len() - 1) / 2);
    for i in 1..x.len() {
        for j in 0..i {
            let run = x[i] - x[j];
            if run != 0.0 {
                slopes.push((y[i] - y[j]) / run);
            }
        }
    }
    slopes.sort_unstable_by(f64::total_cmp);
    slopes
}

/// Variance of Kendall's score (Sen 1968, eq. 2.6), groups of equal x and of equal y removed.
fn score_variance(x: &[f64], y: &[f64]) -> f64 {
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let groups = sorted.chunk_by(|a, b| a.total_cmp(b).is_eq());
        groups.map(|group| term(group.len() as f64)).sum()
    };
    (term(x.len() as f64) - ties(x) - ties(y)).max(0.0) / 18.0
}

/// Ranks, from 0, of the slopes at the ends of the interval.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped between 0 and the number of slopes"
)]
fn interval_ranks(count: usize, half_width: f64) -> (usize, usize) {
    let (count, last) = (count as f64, count as f64 - 1.0);
    let low = (0.5 * (count - half_width)).round_ties_even() - 1.0;
    let high = (0.5 * (count + half_width)).round_ties_even();
    (
        low.clamp(0.0, last) as usize,
        high.clamp(0.0, last) as usize,
    )
}
