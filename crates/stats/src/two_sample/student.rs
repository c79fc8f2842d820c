//! Estimates whose error follows Student's t distribution.

use super::{SampleError, checked};
use crate::distributions::StudentT;
use crate::series::moments;

/// An estimate with its standard error and degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentEstimate {
    /// The estimate.
    pub value: f64,
    /// Its standard error, above 0.
    pub standard_error: f64,
    /// Degrees of freedom of the standard error, above 0, not rounded.
    pub dof: f64,
}

impl StudentEstimate {
    /// The distance from `null` in standard errors.
    pub fn t(&self, null: f64) -> f64 {
        (self.value - null) / self.standard_error
    }

    /// Probability of an estimate at least as far from `null` on either side if `null` is true.
    pub fn p_two_sided(&self, null: f64) -> f64 {
        (2.0 * self.upper_tail(self.t(null).abs())).min(1.0)
    }

    /// Probability of an estimate at least this far above `null` if `null` is true.
    pub fn p_greater(&self, null: f64) -> f64 {
        self.upper_tail(self.t(null))
    }

    /// Two-sided interval of this `level` (0.95 for 95 %).
    pub fn interval(&self, level: f64) -> (f64, f64) {
        let half = self.quantile(0.5 + 0.5 * level) * self.standard_error;
        (self.value - half, self.value + half)
    }

    /// Two one-sided tests of "beyond the bounds": D. J. Schuirmann, J. Pharmacokin. Biopharm. 15
    /// (1987) 657-680. Equivalent at 5 % exactly if the 90 % interval lies within the bounds.
    pub fn equivalence(&self, low: f64, high: f64) -> Equivalence {
        let p_low = self.p_greater(low);
        let p_high = self.upper_tail(-self.t(high));
        Equivalence { p_low, p_high }
    }

    fn upper_tail(&self, t: f64) -> f64 {
        self.student().map_or(f64::NAN, |s| s.sf(t))
    }

    fn quantile(&self, p: f64) -> f64 {
        self.student().map_or(f64::NAN, |s| s.quantile(p))
    }

    fn student(&self) -> Option<StudentT> {
        StudentT::new(self.dof).ok()
    }
}

/// The p-values of two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// Of "not above the lower bound".
    pub p_low: f64,
    /// Of "not below the upper bound".
    pub p_high: f64,
}

impl Equivalence {
    /// The p-value of "not equivalent": the larger of the two (intersection-union).
    pub fn p(&self) -> f64 {
        self.p_low.max(self.p_high)
    }
}

/// Difference of the means of two independent samples, `a` minus `b`, variances not assumed equal:
/// B. L. Welch, Biometrika 34 (1947) 28-35, degrees of freedom by Satterthwaite.
///
/// # Errors
///
/// [`SampleError`] unless each sample has two finite values and one of them scatters.
pub fn welch(a: &[f64], b: &[f64]) -> Result<StudentEstimate, SampleError> {
    let (a, b) = (mean(a)?, mean(b)?);
    weighted_sum(&[(1.0, a), (-1.0, b)])
}

/// Mean of the differences of paired values, `a` minus `b`.
///
/// # Errors
///
/// [`SampleError`] unless there are two pairs of finite values whose differences scatter.
pub fn paired(a: &[f64], b: &[f64]) -> Result<StudentEstimate, SampleError> {
    if a.len() != b.len() {
        return Err(SampleError::UnequalLengths);
    }
    let differences: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
    let estimate = mean(&differences)?;
    if estimate.standard_error > 0.0 {
        Ok(estimate)
    } else {
        Err(SampleError::NoScatter)
    }
}

/// The mean of a sample; its standard error may be zero.
fn mean(values: &[f64]) -> Result<StudentEstimate, SampleError> {
    checked(values, 2)?;
    let moments = moments(values).map_err(|_| SampleError::NotFinite)?;
    Ok(StudentEstimate {
        value: moments.mean,
        standard_error: moments.naive_standard_error(),
        dof: moments.count as f64 - 1.0,
    })
}

/// A sum of independent estimates, each with its weight; degrees of freedom by F. E.
/// Satterthwaite, Biometrics Bull. 2 (1946) 110-114.
///
/// # Errors
///
/// [`SampleError::NoScatter`] if no part has an error, [`SampleError::TooFew`] for no part.
pub fn weighted_sum(parts: &[(f64, StudentEstimate)]) -> Result<StudentEstimate, SampleError> {
    if parts.is_empty() {
        return Err(SampleError::TooFew {
            values: 0,
            needed: 1,
        });
    }
    let squares: Vec<f64> = parts
        .iter()
        .map(|(w, e)| (w * e.standard_error).powi(2))
        .collect();
    let variance: f64 = squares.iter().sum();
    if variance.is_nan() || variance <= 0.0 {
        return Err(SampleError::NoScatter);
    }
    // Shares instead of variances, so that tiny spreads do not underflow.
    let spent: f64 = squares
        .iter()
        .zip(parts)
        .map(|(square, (_, e))| (square / variance).powi(2) / e.dof)
        .sum();
    Ok(StudentEstimate {
        value: parts.iter().map(|(w, e)| w * e.value).sum(),
        standard_error: variance.sqrt(),
        dof: 1.0 / spent,
    })
}
