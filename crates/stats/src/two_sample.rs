//! Two samples: is there a difference, how large is it, is it small enough not to matter, and how
//! many repetitions would tell.
//!
//! A mean, a difference or a logarithm of a ratio that has a standard error and degrees of freedom
//! is a [`StudentEstimate`]; intervals, tests of a difference and tests of equivalence all come
//! from it. [`welch`], [`paired`] and [`geometric_ratio`] make one from samples.
//!
//! ```
//! use settlepoint_stats::two_sample::geometric_ratio;
//!
//! let (stock, lower) = ([862.0, 858.0, 866.0], [743.0, 739.0, 746.0]);
//! let ln_ratio = geometric_ratio(&lower, &stock)?;
//! let (low, high) = ln_ratio.interval(0.95);
//! assert!(ln_ratio.value.exp() < 0.87 && high.exp() < 0.88 && low.exp() > 0.84);
//! assert!(ln_ratio.p_two_sided(0.0) < 1e-3);
//! # Ok::<(), settlepoint_stats::two_sample::SampleError>(())
//! ```

mod anova;
mod holm;
mod power;
mod rank;
mod ratio;
mod student;

use std::fmt;

pub use anova::{OneWay, one_way};
pub use holm::{bonferroni, holm};
pub use power::{
    Repeats, equivalence_power, noncentral_t_cdf, repeats_for_difference, repeats_for_equivalence,
    two_sample_power,
};
pub use rank::{
    EXACT_VALUES, MannWhitney, Shift, hodges_lehmann, least_signed_p, least_two_sided_p,
    mann_whitney, permutation_mean, signed_rank,
};
pub use ratio::{DeltaRatio, delta_ratio, fieller_interval, geometric_ratio, paired_ratio};
pub use student::{Equivalence, StudentEstimate, paired, weighted_sum, welch};

/// Why samples give no such statistic.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum SampleError {
    /// There are too few values in one of the samples.
    TooFew {
        /// Number of values.
        values: usize,
        /// Least number needed.
        needed: usize,
    },
    /// A value is `NaN` or infinite.
    NotFinite,
    /// A value is not above zero, so it has no logarithm and no ratio.
    NotPositive {
        /// The value.
        value: f64,
    },
    /// Paired samples, or weights and estimates, differ in length.
    UnequalLengths,
    /// The values of a sample are all equal, so their scatter cannot be estimated.
    NoScatter,
    /// A share, level or effect is out of its range.
    Level {
        /// What was given.
        given: f64,
    },
    /// The denominator of a ratio may be zero within its error.
    DenominatorNearZero,
}

impl fmt::Display for SampleError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew { values, needed } => {
                write!(
                    f,
                    "{values} values where {needed} are needed; repeat the measurement"
                )
            }
            Self::NotFinite => f.write_str("a value is not finite; leave missing values out"),
            Self::NotPositive { value } => {
                write!(
                    f,
                    "the value {value} is not above 0; ratios need positive values"
                )
            }
            Self::UnequalLengths => f.write_str("paired values must be as many on both sides"),
            Self::NoScatter => f.write_str(
                "all values are equal, so their scatter is unknown; note scores with more digits",
            ),
            Self::Level { given } => {
                write!(f, "{given} is out of range; give a level between 0 and 1")
            }
            Self::DenominatorNearZero => {
                f.write_str("the denominator may be zero; take more values or compare differences")
            }
        }
    }
}

impl std::error::Error for SampleError {}

/// At least `needed` finite values.
pub(crate) fn checked(values: &[f64], needed: usize) -> Result<(), SampleError> {
    if values.len() < needed {
        let values = values.len();
        return Err(SampleError::TooFew { values, needed });
    }
    if values.iter().all(|v| v.is_finite()) {
        Ok(())
    } else {
        Err(SampleError::NotFinite)
    }
}

/// Natural logarithms of positive values.
pub(crate) fn logarithms(values: &[f64]) -> Result<Vec<f64>, SampleError> {
    values
        .iter()
        .map(|&value| {
            if value > 0.0 {
                Ok(value.ln())
            } else if value.is_nan() {
                Err(SampleError::NotFinite)
            } else {
                Err(SampleError::NotPositive { value })
            }
        })
        .collect()
}
