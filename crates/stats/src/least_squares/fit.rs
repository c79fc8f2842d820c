//! The result of a fit, its covariance, and which parameters are tied.

use nalgebra::DMatrix;

use super::jacobi_svd::{JacobiSvd, jacobi_svd};
use super::{Jacobian, NotIdentified};

/// Why the solver stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Stop {
    /// The residuals are orthogonal to every column of the Jacobian, or all zero.
    Gradient,
    /// Neither the linearised nor the actual sum of squares can fall any further.
    Reduction,
    /// The trust region is smaller than the wanted accuracy of the parameters.
    Step,
    /// The permitted number of iterations is used up; the parameters are the best so far.
    MaxIterations,
    /// Shorter and shorter steps all left the domain of the model, or none reduced the sum of
    /// squares: the solution lies on the edge of the domain or the derivatives are wrong.
    Stuck,
}

impl Stop {
    /// True if the parameters minimise the sum of squares locally.
    pub fn converged(self) -> bool {
        matches!(self, Self::Gradient | Self::Reduction | Self::Step)
    }
}

/// A fit: parameters, residual sum of squares and the Jacobian there.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Fit {
    /// Parameters, length n.
    pub params: Vec<f64>,
    /// Residuals at the parameters, length m.
    pub residuals: Vec<f64>,
    /// Sum of the squared residuals.
    pub residual_ss: f64,
    /// Derivatives of the residuals at the parameters, m x n.
    pub jacobian: Jacobian,
    /// Jacobians taken during the search, the steps that refine the last digits included.
    pub iterations: usize,
    /// Calls of [`Problem::residuals`](super::Problem::residuals), those for differences included.
    pub evaluations: usize,
    /// Why the solver stopped.
    pub stopped: Stop,
}

/// A direction in parameter space along which the residuals hardly change.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct TiedDirection {
    /// Singular value of the Jacobian, its columns scaled to length 1, over the largest one.
    pub relative_singular_value: f64,
    /// One weight per parameter, the largest 1 in size; each parameter is measured in units of
    /// its own effect on the residuals. Weights 1 and -1 mean that the effect of raising one is
    /// undone by raising the other.
    pub direction: Vec<f64>,
    /// Indices of the parameters with a weight above 0.1 in size, the strongest first.
    pub params: Vec<usize>,
}

/// Singular values below this fraction of the largest are not told from zero: differences carry
/// errors of about 1e-11.
const IDENTIFIED_TOLERANCE: f64 = 1e-10;

impl Fit {
    /// Degrees of freedom, m - n.
    pub fn degrees_of_freedom(&self) -> usize {
        self.residuals.len() - self.params.len()
    }

    /// Estimated standard deviation of the residuals, `sqrt(residual_ss / (m - n))`; `NaN`
    /// without degrees of freedom.
    pub fn residual_standard_deviation(&self) -> f64 {
        (self.residual_ss / self.degrees_of_freedom() as f64).sqrt()
    }

    /// Covariance of the parameters, `variance (J^T J)^-1`, n x n, in the linear approximation.
    ///
    /// `variance` is that of the residuals: `Some(1.0)` if they were divided by known standard
    /// deviations, `None` to estimate it as `residual_ss / (m - n)`.
    ///
    /// # Errors
    ///
    /// [`NotIdentified`] if a combination of parameters leaves the residuals unchanged, or if the
    /// variance is to be estimated without degrees of freedom.
    pub fn covariance(&self, variance: Option<f64>) -> Result<DMatrix<f64>, NotIdentified> {
        let variance = match variance {
            Some(variance) => variance,
            None if self.degrees_of_freedom() == 0 => return Err(NotIdentified::NoFreedom),
            None => self.residual_ss / self.degrees_of_freedom() as f64,
        };
        let (scale, JacobiSvd { s, v, .. }) = scaled_svd(&self.jacobian);
        if let Some(tied) = tied_directions(&s, &v, IDENTIFIED_TOLERANCE).pop() {
            return Err(NotIdentified::Direction {
                direction: tied.direction,
                params: tied.params,
            });
        }
        let mut root = v;
        for (mut column, s) in root.column_iter_mut().zip(&s) {
            column /= *s;
        }
        for (mut row, d) in root.row_iter_mut().zip(&scale) {
            row /= *d;
        }
        Ok(&root * root.transpose() * variance)
    }

    /// Square roots of the diagonal of [`Fit::covariance`].
    ///
    /// # Errors
    ///
    /// As [`Fit::covariance`].
    pub fn standard_errors(&self, variance: Option<f64>) -> Result<Vec<f64>, NotIdentified> {
        let covariance = self.covariance(variance)?;
        Ok(covariance.diagonal().iter().map(|v| v.sqrt()).collect())
    }

    /// Condition number of the Jacobian, its columns scaled to length 1: about 1 if the
    /// parameters act independently, infinite if some do not act at all.
    pub fn condition(&self) -> f64 {
        let (_, JacobiSvd { s, .. }) = scaled_svd(&self.jacobian);
        match (s.first(), s.last()) {
            (Some(largest), Some(least)) if *least > 0.0 => largest / least,
            _ => f64::INFINITY,
        }
    }

    /// Directions whose singular value is below `threshold` times the largest (1e-3 shows strong
    /// ties, 1e-10 what cannot be told at all), the most tied last.
    pub fn tied_directions(&self, threshold: f64) -> Vec<TiedDirection> {
        let (_, JacobiSvd { s, v, .. }) = scaled_svd(&self.jacobian);
        tied_directions(&s, &v, threshold)
    }
}

fn tied_directions(s: &[f64], v: &DMatrix<f64>, threshold: f64) -> Vec<TiedDirection> {
    let largest = s.first().copied().unwrap_or(0.0);
    s.iter()
        .zip(v.column_iter())
        .filter(|(s, _)| **s <= threshold * largest)
        .map(|(&s, weights)| {
            let mut params: Vec<usize> = (0..weights.len()).collect();
            params.sort_by(|&i, &j| weights[j].abs().total_cmp(&weights[i].abs()));
            let strongest = weights[params[0]];
            let direction: Vec<f64> = weights.iter().map(|w| w / strongest).collect();
            params.retain(|&i| direction[i].abs() > 0.1);
            TiedDirection {
                relative_singular_value: if largest > 0.0 { s / largest } else { 0.0 },
                direction,
                params,
            }
        })
        .collect()
}

/// Column lengths (1 for a zero column) and the decomposition of the Jacobian over them.
fn scaled_svd(jacobian: &Jacobian) -> (Vec<f64>, JacobiSvd) {
    let mut scaled = jacobian.clone();
    let scale: Vec<f64> = scaled
        .column_iter_mut()
        .map(|mut column| {
            let norm = column.norm();
            let d = if norm > 0.0 { norm } else { 1.0 };
            column /= d;
            d
        })
        .collect();
    (scale, jacobi_svd(scaled.qr().r()))
}
