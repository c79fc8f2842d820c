//! Propagation of uncertainty: JCGM 100:2008 (GUM), clauses 5.1, 5.2 and annex G.4; several
//! outputs as in JCGM 102:2011, 6.2.
//!
//! ```
//! use settlepoint_stats::DMatrix;
//! use settlepoint_stats::uncertainty::{Input, combine, propagate};
//!
//! // Thermal resistance: (74.0 +- 0.5 less 25.0 +- 0.3 degrees) over 120 +- 1 W.
//! let covariance = DMatrix::from_diagonal(&vec![0.25, 0.09, 1.0].into());
//! let result = propagate(
//!     |x, out| out[0] = (x[0] - x[1]) / x[2],
//!     &[74.0, 25.0, 120.0],
//!     &covariance,
//!     1,
//! )?;
//! assert!((result.standard_uncertainty(0) - 0.00593).abs() < 1e-5);
//!
//! // With degrees of freedom for each input, the factor for 95 %.
//! let inputs = [
//!     Input { sensitivity: 1.0 / 120.0, standard_uncertainty: 0.5, dof: 8.0 },
//!     Input { sensitivity: -1.0 / 120.0, standard_uncertainty: 0.3, dof: f64::INFINITY },
//!     Input { sensitivity: -0.0034, standard_uncertainty: 1.0, dof: 5.0 },
//! ];
//! assert!(combine(&inputs).expanded(0.95) > 1.96 * 0.0059);
//! # Ok::<(), settlepoint_stats::uncertainty::PropagationError>(())
//! ```

use std::fmt;

use nalgebra::DMatrix;

use crate::distributions::StudentT;

/// Why an uncertainty cannot be propagated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum PropagationError {
    /// The covariance is not n x n for n estimates.
    Shape,
    /// A variance is negative, or an estimate or covariance is not finite.
    Input {
        /// Index of the input.
        input: usize,
    },
    /// The function is not finite at the estimates or one standard uncertainty around them.
    Output {
        /// Index of the output.
        output: usize,
    },
}

impl fmt::Display for PropagationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Shape => f.write_str("the covariance must be n x n for n estimates"),
            Self::Input { input } => write!(
                f,
                "input {input} is not finite or has a negative variance; check its uncertainty"
            ),
            Self::Output { output } => write!(
                f,
                "output {output} is not finite near the estimates; propagate draws instead"
            ),
        }
    }
}

impl std::error::Error for PropagationError {}

/// Outputs of a function with their covariance to first order.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Propagated {
    /// Values of the function at the estimates, length m.
    pub estimates: Vec<f64>,
    /// Derivatives of the outputs with respect to the inputs, m x n.
    pub sensitivities: DMatrix<f64>,
    /// Covariance of the outputs, m x m.
    pub covariance: DMatrix<f64>,
}

impl Propagated {
    /// Standard uncertainty of one output; `NaN` if there is no such output.
    pub fn standard_uncertainty(&self, output: usize) -> f64 {
        let variance = self.covariance.get((output, output));
        variance.map_or(f64::NAN, |v| v.sqrt())
    }

    /// Correlation of two outputs; `NaN` if one of them has no uncertainty.
    pub fn correlation(&self, first: usize, second: usize) -> f64 {
        let covariance = self.covariance.get((first, second)).copied();
        covariance.unwrap_or(f64::NAN)
            / (self.standard_uncertainty(first) * self.standard_uncertainty(second))
    }
}

/// `S C S^T` for sensitivities S (m x n) and the covariance C of the inputs (n x n): GUM eq. (13),
/// for several outputs JCGM 102 eq. (3).
///
/// # Errors
///
/// [`PropagationError::Shape`] unless the shapes fit.
pub fn propagate_linear(
    sensitivities: &DMatrix<f64>,
    covariance: &DMatrix<f64>,
) -> Result<DMatrix<f64>, PropagationError> {
    if !covariance.is_square() || covariance.nrows() != sensitivities.ncols() {
        return Err(PropagationError::Shape);
    }
    Ok(sensitivities * covariance * sensitivities.transpose())
}

/// Step of the differences in standard uncertainties; the fourth-order rule leaves a relative
/// error of a few 1e-10 where the function bends over some ten of them.
const STEP: f64 = 0.02;

/// Propagates a covariance (n x n) through `function`, which writes `outputs` values for n inputs.
///
/// Sensitivities are central differences of fourth order over a small part of each standard
/// uncertainty, which is what GUM 5.1.3, note 2, allows.
///
/// # Errors
///
/// [`PropagationError`] if shapes differ, an input is not finite, or the function is not finite
/// near the estimates.
pub fn propagate(
    function: impl Fn(&[f64], &mut [f64]),
    estimates: &[f64],
    covariance: &DMatrix<f64>,
    outputs: usize,
) -> Result<Propagated, PropagationError> {
    let n = estimates.len();
    if covariance.shape() != (n, n) {
        return Err(PropagationError::Shape);
    }
    let finite = |input: &usize| {
        let row = covariance.row(*input);
        let variance: f64 = covariance[(*input, *input)];
        estimates[*input].is_finite() && row.iter().all(|c| c.is_finite()) && variance >= 0.0
    };
    if let Some(input) = (0..n).find(|input| !finite(input)) {
        return Err(PropagationError::Input { input });
    }
    let evaluate = |inputs: &[f64]| {
        let mut out = vec![0.0; outputs];
        function(inputs, &mut out);
        match out.iter().position(|v| !v.is_finite()) {
            Some(output) => Err(PropagationError::Output { output }),
            None => Ok(out),
        }
    };
    let values = evaluate(estimates)?;
    let mut sensitivities = DMatrix::zeros(outputs, n);
    for j in 0..n {
        let step = STEP * covariance[(j, j)].sqrt();
        if step > 0.0 {
            let column = slope(&evaluate, estimates, j, step)?;
            sensitivities.column_mut(j).copy_from_slice(&column);
        }
    }
    Ok(Propagated {
        estimates: values,
        covariance: propagate_linear(&sensitivities, covariance)?,
        sensitivities,
    })
}

fn slope(
    evaluate: &impl Fn(&[f64]) -> Result<Vec<f64>, PropagationError>,
    estimates: &[f64],
    j: usize,
    step: f64,
) -> Result<Vec<f64>, PropagationError> {
    let at = |value: f64| {
        let mut moved = estimates.to_vec();
        moved[j] = value;
        evaluate(&moved)
    };
    let centre = estimates[j];
    let difference = |step: f64| -> Result<Vec<f64>, PropagationError> {
        let (above, below) = (centre + step, centre - step);
        let pairs = at(above)?.into_iter().zip(at(below)?);
        Ok(pairs.map(|(a, b)| (a - b) / (above - below)).collect())
    };
    let (near, far) = (difference(step)?, difference(2.0 * step)?);
    Ok(near
        .iter()
        .zip(&far)
        .map(|(n, f)| (4.0 * n - f) / 3.0)
        .collect())
}

/// One independent input of a measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Input {
    /// Change of the result per unit of the input.
    pub sensitivity: f64,
    /// Standard uncertainty of the input.
    pub standard_uncertainty: f64,
    /// Its degrees of freedom; infinite for limits taken as known.
    pub dof: f64,
}

/// Combined uncertainty of independent inputs.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Combined {
    /// Combined standard uncertainty, GUM eq. (10).
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom, GUM eq. (G.2b), not rounded; may be infinite.
    pub effective_dof: f64,
}

impl Combined {
    /// Half-width of the two-sided interval of this `level` (0.9 for 90 %), GUM eq. (G.1d), with
    /// effective degrees of freedom as they are; the guide itself truncates them, which is wider.
    pub fn expanded(&self, level: f64) -> f64 {
        // Effective degrees of freedom below those of an input cannot arise; should there be no
        // uncertainty at all, neither is there an interval.
        StudentT::new(self.effective_dof).map_or(0.0, |t| {
            t.coverage_factor(level) * self.standard_uncertainty
        })
    }
}

/// Combines independent inputs: root sum of squares, and effective degrees of freedom by Welch
/// and Satterthwaite, `u^4 / sum(u_i^4 / dof_i)`. Not valid for correlated inputs (GUM G.4.1).
pub fn combine(inputs: &[Input]) -> Combined {
    let contribution = |input: &Input| (input.sensitivity * input.standard_uncertainty).powi(2);
    let variance: f64 = inputs.iter().map(contribution).sum();
    let shares = inputs
        .iter()
        .map(|input| (contribution(input) / variance).powi(2) / input.dof);
    Combined {
        standard_uncertainty: variance.sqrt(),
        effective_dof: 1.0 / shares.sum::<f64>(),
    }
}
