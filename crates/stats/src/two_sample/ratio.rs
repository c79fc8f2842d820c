//! Ratios of means: geometric by logarithms, arithmetic by the delta method and Fieller's theorem.

use super::student::{StudentEstimate, paired, weighted_sum, welch};
use super::{SampleError, checked, logarithms};
use crate::distributions::StudentT;
use crate::series::moments;

/// Natural logarithm of the ratio of geometric means, `a` over `b`, of independent samples: Welch's
/// estimate on logarithms. The exponential of its ends is the interval of the ratio.
///
/// # Errors
///
/// As [`welch`]; [`SampleError::NotPositive`] for a value not above 0.
pub fn geometric_ratio(a: &[f64], b: &[f64]) -> Result<StudentEstimate, SampleError> {
    welch(&logarithms(a)?, &logarithms(b)?)
}

/// The same of paired values.
///
/// # Errors
///
/// As [`paired`]; [`SampleError::NotPositive`] for a value not above 0.
pub fn paired_ratio(a: &[f64], b: &[f64]) -> Result<StudentEstimate, SampleError> {
    paired(&logarithms(a)?, &logarithms(b)?)
}

/// A ratio of arithmetic means by the delta method.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeltaRatio {
    /// The ratio of the means.
    pub ratio: f64,
    /// Its logarithm with its standard error (the relative one of the ratio) and degrees of
    /// freedom.
    pub ln_ratio: StudentEstimate,
}

/// Ratio of arithmetic means, `a` over `b`, of independent samples; relative variances add.
///
/// # Errors
///
/// [`SampleError`] unless each sample has two finite values, means above 0 and some scatter.
pub fn delta_ratio(a: &[f64], b: &[f64]) -> Result<DeltaRatio, SampleError> {
    let (above, below) = (relative(a)?, relative(b)?);
    let ln_ratio = weighted_sum(&[(1.0, above), (-1.0, below)])?;
    Ok(DeltaRatio {
        ratio: ln_ratio.value.exp(),
        ln_ratio,
    })
}

/// Logarithm of a mean, with the mean's relative error.
fn relative(values: &[f64]) -> Result<StudentEstimate, SampleError> {
    checked(values, 2)?;
    let moments = moments(values).map_err(|_| SampleError::NotFinite)?;
    if moments.mean <= 0.0 {
        return Err(SampleError::NotPositive {
            value: moments.mean,
        });
    }
    Ok(StudentEstimate {
        value: moments.mean.ln(),
        standard_error: moments.naive_standard_error() / moments.mean,
        dof: moments.count as f64 - 1.0,
    })
}

/// Interval of the ratio of arithmetic means of independent samples: E. C. Fieller, J. R. Statist.
/// Soc. B 16 (1954) 175-185, with the degrees of freedom of [`delta_ratio`].
///
/// # Errors
///
/// As [`delta_ratio`]; [`SampleError::DenominatorNearZero`] where the set is not an interval.
pub fn fieller_interval(a: &[f64], b: &[f64], level: f64) -> Result<(f64, f64), SampleError> {
    let delta = delta_ratio(a, b)?;
    let (above, below) = (relative(a)?, relative(b)?);
    let factor = StudentT::new(delta.ln_ratio.dof)
        .map_err(|_| SampleError::NoScatter)?
        .coverage_factor(level);
    // In units of the two means: (1 - g) r^2 - 2 r + (1 - h) = 0 with the relative limits g, h.
    let g = (factor * below.standard_error).powi(2);
    let h = (factor * above.standard_error).powi(2);
    let under = g + h - g * h;
    if g >= 1.0 || under < 0.0 {
        return Err(SampleError::DenominatorNearZero);
    }
    let end = |sign: f64| delta.ratio * (1.0 + sign * under.sqrt()) / (1.0 - g);
    Ok((end(-1.0), end(1.0)))
}
