//! Linear least squares with known or unknown variance and with priors.
//!
//! Solved by Householder QR of the rows over their standard deviations, never by normal
//! equations. Priors are further rows: a prior with covariance C = L L^T is whitened to
//! `L^-1 (b - mean)`, which makes the solution the mode of the posterior. G. H. Golub and
//! C. F. Van Loan, "Matrix Computations", 4th ed. (2013), sections 5.3 and 6.1.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::least_squares::NotIdentified;
use crate::random::CovarianceError;

/// Rows `design b = observed`, each divided by the standard deviation of its observation.
///
/// ```
/// use settlepoint_stats::linear::LinearSystem;
///
/// // 25 degrees plus 0.3 K/W, from two readings of 0.5 K each and a prior on the offset.
/// let mut system = LinearSystem::new(2);
/// system.observe(&[1.0, 60.0], 43.1, 0.5);
/// system.observe(&[1.0, 120.0], 61.0, 0.5);
/// system.prior(0, 25.0, 1.0);
/// let solution = system.solve()?;
/// assert!((solution.params[1] - 0.3).abs() < 0.01);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LinearSystem {
    params: usize,
    /// Whitened rows, one after the other.
    rows: Vec<f64>,
    observed: Vec<f64>,
}

/// The solution of a [`LinearSystem`].
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LinearFit {
    /// Parameters, length n.
    pub params: Vec<f64>,
    /// Covariance of the parameters, n x n, for standard deviations that are known. Multiply by
    /// `residual_ss / (m - n)` where they are known only relative to each other.
    pub covariance: DMatrix<f64>,
    /// Sum of the squared whitened residuals, priors included.
    pub residual_ss: f64,
    /// Rows less parameters.
    pub degrees_of_freedom: usize,
}

impl LinearSystem {
    /// An empty system of `params` parameters.
    pub fn new(params: usize) -> Self {
        Self {
            params,
            rows: Vec::new(),
            observed: Vec::new(),
        }
    }

    /// Adds an observation with its row of the design (length n; shorter rows are filled with
    /// zeros, longer ones cut) and its standard deviation (positive).
    pub fn observe(&mut self, design: &[f64], observed: f64, standard_deviation: f64) {
        let filled = design.iter().copied().chain(std::iter::repeat(0.0));
        let whitened = filled.take(self.params).map(|d| d / standard_deviation);
        self.rows.extend(whitened);
        self.observed.push(observed / standard_deviation);
    }

    /// Adds an independent normal prior on one parameter.
    pub fn prior(&mut self, param: usize, mean: f64, standard_deviation: f64) {
        let mut design = vec![0.0; self.params];
        if let Some(d) = design.get_mut(param) {
            *d = 1.0;
        }
        self.observe(&design, mean, standard_deviation);
    }

    /// Adds a joint normal prior on all parameters.
    ///
    /// # Errors
    ///
    /// [`CovarianceError`] if the covariance is not n x n and positive definite.
    pub fn joint_prior(
        &mut self,
        mean: &[f64],
        covariance: &DMatrix<f64>,
    ) -> Result<(), CovarianceError> {
        let whitening = Whitening::new(covariance)?;
        if mean.len() != self.params || covariance.nrows() != self.params {
            return Err(CovarianceError::Shape);
        }
        let rows = whitening.matrix(&DMatrix::identity(self.params, self.params));
        let observed = whitening.vector(mean);
        for (row, observed) in rows.row_iter().zip(observed) {
            self.rows.extend(row.iter());
            self.observed.push(observed);
        }
        Ok(())
    }

    /// Solves for the parameters.
    ///
    /// # Errors
    ///
    /// [`NotIdentified`] if rows and priors together do not determine every parameter, or a
    /// value is not finite.
    pub fn solve(&self) -> Result<LinearFit, NotIdentified> {
        let design = DMatrix::from_row_slice(self.observed.len(), self.params, &self.rows);
        let observed = DVector::from_column_slice(&self.observed);
        let solution = solve(&design, &observed)?;
        let residual_ss = (&observed - &design * &solution.params).norm_squared();
        Ok(LinearFit {
            params: solution.params.as_slice().to_vec(),
            covariance: &solution.root * solution.root.transpose(),
            residual_ss,
            degrees_of_freedom: self.observed.len() - self.params,
        })
    }
}

struct Solution {
    params: DVector<f64>,
    /// `root root^T = (A^T A)^-1`.
    root: DMatrix<f64>,
}

/// A diagonal entry of the triangle below this fraction of its column is rounding.
const RANK_TOLERANCE: f64 = 1e-12;

fn solve(design: &DMatrix<f64>, observed: &DVector<f64>) -> Result<Solution, NotIdentified> {
    let n = design.ncols();
    if design.nrows() < n {
        return Err(tied(n.saturating_sub(1), n));
    }
    let mut scaled = design.clone();
    let scale: Vec<f64> = scaled
        .column_iter_mut()
        .map(|mut column| {
            let norm = column.norm();
            let d = if norm > 0.0 { norm } else { 1.0 };
            column /= d;
            d
        })
        .collect();
    let qr = scaled.qr();
    let triangle = qr.r();
    let undetermined = |&i: &usize| {
        let size: f64 = triangle[(i, i)].abs();
        size.is_nan() || size <= RANK_TOLERANCE
    };
    if let Some(param) = (0..n).find(undetermined) {
        return Err(tied(param, n));
    }
    let mut rotated = observed.clone();
    qr.q_tr_mul(&mut rotated);
    let rotated = rotated.rows(0, n).into_owned();
    let params = triangle.solve_upper_triangular(&rotated);
    let root = triangle.solve_upper_triangular(&DMatrix::identity(n, n));
    let (Some(mut params), Some(mut root)) = (params, root) else {
        return Err(tied(n - 1, n));
    };
    for (i, d) in scale.iter().enumerate() {
        params[i] /= d;
        root.row_mut(i).iter_mut().for_each(|r| *r /= d);
    }
    Ok(Solution { params, root })
}

fn tied(param: usize, n: usize) -> NotIdentified {
    let mut direction = vec![0.0; n];
    if let Some(d) = direction.get_mut(param) {
        *d = 1.0;
    }
    NotIdentified::Direction {
        direction,
        params: vec![param],
    }
}

/// Turns correlated errors into independent ones of unit variance: with C = L L^T,
/// `L^-1 e` has the identity as covariance.
#[derive(Debug, Clone)]
pub struct Whitening {
    lower: DMatrix<f64>,
}

impl Whitening {
    /// From a covariance, n x n, symmetric and positive definite.
    ///
    /// # Errors
    ///
    /// [`CovarianceError`] otherwise.
    pub fn new(covariance: &DMatrix<f64>) -> Result<Self, CovarianceError> {
        if !covariance.is_square() {
            return Err(CovarianceError::Shape);
        }
        if !covariance.iter().all(|v| v.is_finite()) {
            return Err(CovarianceError::NotFinite);
        }
        let cholesky = Cholesky::new(covariance.clone()).ok_or(CovarianceError::NotPositive)?;
        Ok(Self {
            lower: cholesky.unpack(),
        })
    }

    /// `L^-1 values`; `values` is cut or filled with zeros to length n.
    pub fn vector(&self, values: &[f64]) -> Vec<f64> {
        let n = self.lower.nrows();
        let mut out = Vec::with_capacity(n);
        for i in 0..n {
            let known: f64 = (0..i).map(|j| self.lower[(i, j)] * out[j]).sum();
            let value = values.get(i).copied().unwrap_or(0.0);
            out.push((value - known) / self.lower[(i, i)]);
        }
        out
    }

    /// `L^-1 matrix`, column by column.
    pub fn matrix(&self, matrix: &DMatrix<f64>) -> DMatrix<f64> {
        let columns: Vec<DVector<f64>> = matrix
            .column_iter()
            .map(|column| {
                let values: Vec<f64> = column.iter().copied().collect();
                DVector::from_vec(self.vector(&values))
            })
            .collect();
        DMatrix::from_columns(&columns)
    }
}
