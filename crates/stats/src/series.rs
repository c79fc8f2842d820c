//! Means, scales and slopes of series as sensors give them: autocorrelated, with outliers,
//! irregular in time.
//!
//! ```
//! use settlepoint_stats::series::{moments, theil_sen};
//!
//! let temp_c = [70.1, 70.3, 70.2, 70.9, 70.8, 74.5, 71.0, 71.3, 71.2, 71.8, 71.6, 72.1];
//! assert!((moments(&temp_c)?.mean - 71.316_666_666_666_67).abs() < 1e-12);
//! let time_min: Vec<f64> = (0..12).map(f64::from).collect();
//! let slope = theil_sen(&time_min, &temp_c, 0.95)?;
//! assert!(slope.low < 1.0 / 6.0 && 1.0 / 6.0 < slope.high);
//! # Ok::<(), settlepoint_stats::series::SeriesError>(())
//! ```

mod autocorrelation;
mod irregular;
mod robust;

use std::fmt;

pub use autocorrelation::{
    CorrelatedMean, Truncation, autocorrelation, autocovariance, batch_means_standard_error,
    correlated_mean, newey_west_standard_error,
};
pub use irregular::{IrregularCorrelation, irregular_correlation};
pub use robust::{RobustSlope, mad_scale, median, quantile, theil_sen};

/// Why a series has no such statistic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum SeriesError {
    /// There are too few values.
    TooShort {
        /// Number of values.
        values: usize,
        /// Least number needed.
        needed: usize,
    },
    /// A value or time is `NaN` or infinite.
    NotFinite {
        /// Index of the first such value.
        index: usize,
    },
    /// Two arguments should have the same length.
    UnequalLengths,
    /// Times do not rise.
    TimesNotRising {
        /// Index of the first time that is not above the one before.
        index: usize,
    },
    /// All values (or all times) are equal, so the statistic does not exist.
    Constant,
    /// A level or fraction is not between 0 and 1.
    Level,
}

impl fmt::Display for SeriesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooShort { values, needed } => {
                write!(f, "{values} values, {needed} needed; record longer")
            }
            Self::NotFinite { index } => {
                write!(f, "value {index} is not finite; leave gaps out first")
            }
            Self::UnequalLengths => f.write_str("times and values must have the same length"),
            Self::TimesNotRising { index } => {
                write!(
                    f,
                    "time {index} is not above the one before; sort and remove repeats"
                )
            }
            Self::Constant => f.write_str(
                "all values are equal; the reading is stuck or too coarse for this statistic",
            ),
            Self::Level => f.write_str("the level must lie between 0 and 1"),
        }
    }
}

impl std::error::Error for SeriesError {}

/// At least `needed` values, all finite.
fn checked(values: &[f64], needed: usize) -> Result<(), SeriesError> {
    if values.len() < needed {
        let values = values.len();
        return Err(SeriesError::TooShort { values, needed });
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(SeriesError::NotFinite { index }),
        None => Ok(()),
    }
}

/// A sum that keeps what rounding drops, as accurate as in twice the precision: T. Ogita,
/// S. M. Rump and S. Oishi, SIAM J. Sci. Comput. 26 (2005) 1955-1988, algorithm 4.4.
pub fn accurate_sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (sum, rest) = values.into_iter().fold((0.0, 0.0), |(sum, rest), value| {
        let (sum, error) = two_sum(sum, value);
        (sum, rest + error)
    });
    sum + rest
}

/// `a + b` as rounded, and the error of that (D. E. Knuth).
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let b_part = sum - a;
    (sum, (a - (sum - b_part)) + (b - b_part))
}

/// Mean and spread of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Moments {
    /// Number of values.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sum of squared deviations from the mean.
    pub squared_deviations: f64,
}

impl Moments {
    /// Standard deviation with n - 1 in the denominator; `NaN` for one value.
    pub fn standard_deviation(&self) -> f64 {
        (self.squared_deviations / (self.count as f64 - 1.0)).sqrt()
    }

    /// Standard error of the mean of independent values; for sensor logs see [`correlated_mean`].
    pub fn naive_standard_error(&self) -> f64 {
        self.standard_deviation() / (self.count as f64).sqrt()
    }
}

/// Mean and spread by two passes with compensated sums; the second corrects for the rounding of
/// the mean (T. F. Chan, G. H. Golub and R. J. `LeVeque`, Amer. Statist. 37 (1983) 242-247,
/// eq. 1.7).
///
/// # Errors
///
/// [`SeriesError`] if there is no value or one is not finite.
pub fn moments(values: &[f64]) -> Result<Moments, SeriesError> {
    checked(values, 1)?;
    let count = values.len() as f64;
    let mean = accurate_sum(values.iter().copied()) / count;
    let left = accurate_sum(values.iter().map(|v| v - mean));
    let squares = accurate_sum(values.iter().map(|v| (v - mean).powi(2)));
    Ok(Moments {
        count: values.len(),
        mean: mean + left / count,
        squared_deviations: (squares - left * left / count).max(0.0),
    })
}
