//! Normal, Student t, chi-squared and F distributions: density, both tails, quantiles.
//!
//! Tails come from the incomplete gamma and beta functions (series and continued fractions of
//! M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions" (1964), 6.5.29, 6.5.31,
//! 26.5.8, the fractions by the method of Lentz). The factor in front of them is built as in
//! C. Loader, "Fast and accurate computation of binomial probabilities" (2000), which avoids the
//! differences of large logarithms that cost others half their digits at many degrees of freedom.
//! Quantiles solve for the logarithm of the smaller tail by Newton's method inside a bracket.
//!
//! Against 60-digit values, from half a degree of freedom to a million, the relative error of
//! densities and tails stays below 1e-13, that of quantiles below 1e-14.
//!
//! ```
//! use settlepoint_stats::distributions::StudentT;
//!
//! // GUM, table G.2: 16 degrees of freedom, 99 %.
//! let t = StudentT::new(16.0)?;
//! assert!((t.quantile(0.995) - 2.92).abs() < 0.005);
//! # Ok::<(), settlepoint_stats::distributions::DegreesOfFreedomError>(())
//! ```

mod incomplete;
mod quantile;

use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::fmt;

use incomplete::{beta_density, beta_tails, gamma_density, gamma_tails};
use quantile::{Tails, positive_quantile};

/// Degrees of freedom must be positive; those of [`StudentT`] may be infinite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DegreesOfFreedomError {
    /// What was given.
    pub given: f64,
}

impl fmt::Display for DegreesOfFreedomError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} degrees of freedom: they must be positive; take at least two observations more \
             than parameters",
            self.given
        )
    }
}

impl std::error::Error for DegreesOfFreedomError {}

fn positive(given: f64) -> Result<f64, DegreesOfFreedomError> {
    if given > 0.0 {
        Ok(given)
    } else {
        Err(DegreesOfFreedomError { given })
    }
}

/// Above this many degrees of freedom the t distribution differs from the normal by less than
/// the last digit within thirty standard deviations.
const AS_GOOD_AS_NORMAL: f64 = 1e20;

/// Standard normal distribution.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct StandardNormal;

impl StandardNormal {
    /// Density at `x`.
    pub fn pdf(self, x: f64) -> f64 {
        (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
    }

    /// Probability of a value below `x`.
    pub fn cdf(self, x: f64) -> f64 {
        self.sf(-x)
    }

    /// Probability of a value above `x`, accurate also where it is tiny.
    pub fn sf(self, x: f64) -> f64 {
        let (within, beyond) = gamma_tails(0.5, 0.5 * x * x);
        if x >= 0.0 {
            0.5 * beyond
        } else {
            0.5 + 0.5 * within
        }
    }

    /// Value below which a fraction `p` lies; `NaN` unless 0 <= p <= 1.
    pub fn quantile(self, p: f64) -> f64 {
        symmetric_quantile(p, &|x| Tails {
            lower: gamma_tails(0.5, 0.5 * x * x).0,
            upper: 2.0 * self.sf(x),
            density: 2.0 * self.pdf(x),
        })
    }
}

/// Student's t distribution; infinite degrees of freedom make it the standard normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentT {
    dof: f64,
}

impl StudentT {
    /// With `dof` degrees of freedom, which need not be whole.
    ///
    /// # Errors
    ///
    /// [`DegreesOfFreedomError`] unless `dof` is positive.
    pub fn new(dof: f64) -> Result<Self, DegreesOfFreedomError> {
        positive(dof).map(|dof| Self { dof })
    }

    /// Density at `x`.
    pub fn pdf(self, x: f64) -> f64 {
        if self.dof > AS_GOOD_AS_NORMAL {
            return StandardNormal.pdf(x);
        }
        if x == 0.0 {
            // The beta density below is singular here; next to it the t density is flat.
            return self.pdf(1e-9);
        }
        // |T| maps to the beta variate x^2 / (dof + x^2).
        let (share, rest) = self.shares(x);
        let density = beta_density(0.5, 0.5 * self.dof, share, rest);
        density * share * rest / x.abs()
    }

    /// Probability of a value below `x`.
    pub fn cdf(self, x: f64) -> f64 {
        self.sf(-x)
    }

    /// Probability of a value above `x`, accurate also where it is tiny.
    pub fn sf(self, x: f64) -> f64 {
        let (within, beyond) = self.two_sided(x);
        if x >= 0.0 {
            0.5 * beyond
        } else {
            0.5 + 0.5 * within
        }
    }

    /// Value below which a fraction `p` lies; `NaN` unless 0 <= p <= 1.
    pub fn quantile(self, p: f64) -> f64 {
        symmetric_quantile(p, &|x| {
            let (lower, upper) = self.two_sided(x);
            Tails {
                lower,
                upper,
                density: 2.0 * self.pdf(x),
            }
        })
    }

    /// Half-width, in standard errors, of the two-sided interval of this `level` (0.9 for 90 %).
    pub fn coverage_factor(self, level: f64) -> f64 {
        self.quantile(0.5 + 0.5 * level)
    }

    /// Probabilities of a value nearer to and farther from zero than `x`.
    fn two_sided(self, x: f64) -> (f64, f64) {
        if self.dof > AS_GOOD_AS_NORMAL {
            return gamma_tails(0.5, 0.5 * x * x);
        }
        let (share, rest) = self.shares(x);
        beta_tails(0.5, 0.5 * self.dof, share, rest)
    }

    /// `x^2 / (dof + x^2)` and `dof / (dof + x^2)`.
    fn shares(self, x: f64) -> (f64, f64) {
        if x.is_infinite() {
            return (1.0, 0.0);
        }
        let ratio = x / self.dof.sqrt();
        let total = ratio.mul_add(ratio, 1.0);
        if total.is_infinite() {
            return (1.0, (1.0 / ratio) * (1.0 / ratio));
        }
        (ratio * ratio / total, 1.0 / total)
    }
}

/// Chi-squared distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChiSquared {
    dof: f64,
}

impl ChiSquared {
    /// With `dof` degrees of freedom, which need not be whole.
    ///
    /// # Errors
    ///
    /// [`DegreesOfFreedomError`] unless `dof` is positive and finite.
    pub fn new(dof: f64) -> Result<Self, DegreesOfFreedomError> {
        finite(dof).map(|dof| Self { dof })
    }

    /// Density at `x`.
    pub fn pdf(self, x: f64) -> f64 {
        0.5 * gamma_density(0.5 * self.dof, 0.5 * x)
    }

    /// Probability of a value below `x`.
    pub fn cdf(self, x: f64) -> f64 {
        gamma_tails(0.5 * self.dof, 0.5 * x).0
    }

    /// Probability of a value above `x`, accurate also where it is tiny.
    pub fn sf(self, x: f64) -> f64 {
        gamma_tails(0.5 * self.dof, 0.5 * x).1
    }

    /// Value below which a fraction `p` lies; `NaN` unless 0 <= p <= 1.
    pub fn quantile(self, p: f64) -> f64 {
        let start = self.dof.max(0.1);
        positive_quantile(p, 1.0 - p, start, &|x| Tails {
            lower: self.cdf(x),
            upper: self.sf(x),
            density: self.pdf(x),
        })
    }
}

/// Fisher's F distribution, of the ratio of two variance estimates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherF {
    above: f64,
    below: f64,
}

impl FisherF {
    /// With the degrees of freedom above and below the line.
    ///
    /// # Errors
    ///
    /// [`DegreesOfFreedomError`] unless both are positive and finite.
    pub fn new(above: f64, below: f64) -> Result<Self, DegreesOfFreedomError> {
        Ok(Self {
            above: finite(above)?,
            below: finite(below)?,
        })
    }

    /// Density at `x`.
    pub fn pdf(self, x: f64) -> f64 {
        if x < 0.0 || x.is_infinite() {
            return 0.0;
        }
        let (share, rest) = self.shares(x);
        let density = beta_density(0.5 * self.above, 0.5 * self.below, share, rest);
        density * rest * rest * self.above / self.below
    }

    /// Probability of a value below `x`.
    pub fn cdf(self, x: f64) -> f64 {
        self.tails(x).0
    }

    /// Probability of a value above `x`, accurate also where it is tiny.
    pub fn sf(self, x: f64) -> f64 {
        self.tails(x).1
    }

    /// Value below which a fraction `p` lies; `NaN` unless 0 <= p <= 1.
    pub fn quantile(self, p: f64) -> f64 {
        positive_quantile(p, 1.0 - p, 1.0, &|x| {
            let (lower, upper) = self.tails(x);
            Tails {
                lower,
                upper,
                density: self.pdf(x),
            }
        })
    }

    fn tails(self, x: f64) -> (f64, f64) {
        let (share, rest) = self.shares(x.max(0.0));
        beta_tails(0.5 * self.above, 0.5 * self.below, share, rest)
    }

    /// The beta variate of `x` and its complement.
    fn shares(self, x: f64) -> (f64, f64) {
        if x.is_infinite() {
            return (1.0, 0.0);
        }
        let ratio = x * self.above / self.below;
        (ratio / (1.0 + ratio), 1.0 / (1.0 + ratio))
    }
}

fn finite(given: f64) -> Result<f64, DegreesOfFreedomError> {
    if given.is_finite() {
        positive(given)
    } else {
        Err(DegreesOfFreedomError { given })
    }
}

/// Quantile of a distribution symmetric about zero from the tails of its absolute value.
fn symmetric_quantile(p: f64, tails: &dyn Fn(f64) -> Tails) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    // Exact: for p above one half the difference has no rounding, below it is used as it is.
    let tail = if p <= 0.5 { p } else { 1.0 - p };
    let size = positive_quantile(1.0 - 2.0 * tail, 2.0 * tail, FRAC_1_SQRT_2, tails);
    if p < 0.5 { -size } else { size }
}
