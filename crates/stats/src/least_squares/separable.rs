//! Separable least squares: linear parameters are solved for, only the others are searched.
//!
//! A sum of exponentials is linear in its amplitudes; for given time constants these follow from
//! one QR decomposition, and the search runs over the time constants alone, from starts that need
//! no amplitudes. G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432; the Jacobian
//! is the simplification of L. Kaufman, BIT 15 (1975) 49-57, eq. (2.6): `-P dPhi c` with P the
//! projector onto what the basis cannot express, less by a term of second order in the residuals.

use std::cell::RefCell;

use nalgebra::{DMatrix, DVector};

use super::{Derivatives, Fit, FitError, Jacobian, Options, Problem, minimise};

/// A model `sum_k c_k phi_k(alpha)` of m observations with q linear parameters c and p others.
pub trait Separable {
    /// Number of nonlinear parameters, p.
    fn len_nonlinear(&self) -> usize;

    /// Number of linear parameters, q.
    fn len_linear(&self) -> usize;

    /// Observations, length m, divided by their standard deviations where these differ.
    fn observed(&self) -> &[f64];

    /// Writes the basis (m x q) at `nonlinear` (length p), in the same weights.
    fn basis(&self, nonlinear: &[f64], out: &mut DMatrix<f64>);

    /// As [`Problem::typical_size`], for the nonlinear parameters.
    fn typical_size(&self, index: usize) -> f64 {
        let _ = index;
        0.0
    }
}

/// Minimises a [`Separable`] model from a start of the nonlinear parameters.
///
/// The fit returned is that of the full problem: its parameters are the nonlinear ones followed
/// by the linear ones, its Jacobian has both, and so have its covariance and ties.
///
/// # Errors
///
/// As [`minimise`]; `m >= p + q` is needed.
///
/// ```
/// use settlepoint_stats::DMatrix;
/// use settlepoint_stats::least_squares::{Options, Separable, minimise_separable};
///
/// struct Cooling { time_s: Vec<f64>, temp_c: Vec<f64> }
/// impl Separable for Cooling {
///     fn len_nonlinear(&self) -> usize { 1 }
///     fn len_linear(&self) -> usize { 2 }
///     fn observed(&self) -> &[f64] { &self.temp_c }
///     fn basis(&self, tau_s: &[f64], out: &mut DMatrix<f64>) {
///         for (i, t) in self.time_s.iter().enumerate() {
///             out[(i, 0)] = 1.0;
///             out[(i, 1)] = (-t / tau_s[0]).exp();
///         }
///     }
/// }
/// let model = Cooling {
///     time_s: vec![0.0, 10.0, 20.0, 40.0, 80.0],
///     temp_c: vec![65.0, 49.3, 39.7, 30.4, 25.7],
/// };
/// let fit = minimise_separable(&model, &[60.0], &Options::default())?;
/// assert!((fit.params[0] - 20.0).abs() < 0.2 && (fit.params[1] - 25.0).abs() < 0.2);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn minimise_separable<S: Separable>(
    model: &S,
    start: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    let (p, q) = (model.len_nonlinear(), model.len_linear());
    if model.observed().len() < p + q {
        return Err(FitError::TooFewResiduals {
            residuals: model.observed().len(),
            params: p + q,
        });
    }
    let reduced = Reduced::new(model);
    let coarse = Options {
        refinements: 0,
        ..options.clone()
    };
    let search = minimise(&reduced, start, &coarse)?;
    let linear = reduced.linear_at(&search.params);
    let mut params = search.params;
    params.extend(linear.iter());
    // The projected Jacobian drops a term; the full problem started at the solution supplies the
    // last digits, the covariance and, if the search was cut short, nothing.
    let full = Full {
        model,
        basis: RefCell::new(DMatrix::zeros(model.observed().len(), q)),
    };
    let mut fit = minimise(&full, &params, options)?;
    fit.iterations += search.iterations;
    fit.evaluations += search.evaluations;
    Ok(fit)
}

/// The problem in the nonlinear parameters, its linear ones eliminated.
struct Reduced<'a, S> {
    model: &'a S,
    observed: DVector<f64>,
    basis: RefCell<DMatrix<f64>>,
}

impl<'a, S: Separable> Reduced<'a, S> {
    fn new(model: &'a S) -> Self {
        let observed = DVector::from_column_slice(model.observed());
        let basis = RefCell::new(DMatrix::zeros(observed.len(), model.len_linear()));
        Self {
            model,
            observed,
            basis,
        }
    }

    fn projection_at(&self, nonlinear: &[f64]) -> Projection {
        let mut basis = self.basis.borrow_mut();
        self.model.basis(nonlinear, &mut basis);
        Projection::new(&basis)
    }

    fn linear_at(&self, nonlinear: &[f64]) -> DVector<f64> {
        self.projection_at(nonlinear).coefficients(&self.observed)
    }

    /// Change of `basis * linear` with nonlinear parameter `j`, by central differences.
    fn slope(&self, nonlinear: &[f64], linear: &DVector<f64>, j: usize) -> DVector<f64> {
        let size = match nonlinear[j].abs().max(self.model.typical_size(j)) {
            0.0 => 1.0,
            size => size,
        };
        let mut basis = self.basis.borrow_mut();
        let mut moved = nonlinear.to_vec();
        let mut model_at = |value: f64| {
            moved[j] = value;
            self.model.basis(&moved, &mut basis);
            &*basis * linear
        };
        let (above, below) = (nonlinear[j] + size * STEP, nonlinear[j] - size * STEP);
        (model_at(above) - model_at(below)) / (above - below)
    }
}

/// Cube root of the machine epsilon, for central differences.
const STEP: f64 = 6.055e-6;

impl<S: Separable> Problem for Reduced<'_, S> {
    fn len_params(&self) -> usize {
        self.model.len_nonlinear()
    }

    fn len_residuals(&self) -> usize {
        self.observed.len()
    }

    fn residuals(&self, params: &[f64], out: &mut [f64]) {
        let left = self.projection_at(params).remainder(&self.observed);
        for (out, left) in out.iter_mut().zip(left.iter()) {
            *out = -left;
        }
    }

    fn jacobian(&self, params: &[f64], out: &mut Jacobian) -> Derivatives {
        let projection = self.projection_at(params);
        let linear = projection.coefficients(&self.observed);
        for j in 0..params.len() {
            let slope = self.slope(params, &linear, j);
            out.set_column(j, &projection.remainder(&slope));
        }
        Derivatives::Analytic
    }

    fn typical_size(&self, index: usize) -> f64 {
        self.model.typical_size(index)
    }
}

/// QR of the basis with its columns scaled to length 1.
struct Projection {
    qr: nalgebra::linalg::ColPivQR<f64, nalgebra::Dyn, nalgebra::Dyn>,
    scale: Vec<f64>,
    rank: usize,
}

/// Columns closer together than this count as one.
const RANK_TOLERANCE: f64 = 1e-13;

impl Projection {
    fn new(basis: &DMatrix<f64>) -> Self {
        let mut scaled = basis.clone();
        let scale: Vec<f64> = scaled
            .column_iter_mut()
            .map(|mut column| {
                let norm = column.norm();
                let d = if norm > 0.0 { norm } else { 1.0 };
                column /= d;
                d
            })
            .collect();
        let qr = scaled.col_piv_qr();
        let triangle = qr.r();
        let rank = (0..triangle.ncols())
            .take_while(|&i| triangle[(i, i)].abs() > RANK_TOLERANCE || triangle[(i, i)].is_nan())
            .count();
        Self { qr, scale, rank }
    }

    /// Least-squares coefficients; zero for columns that repeat others.
    fn coefficients(&self, values: &DVector<f64>) -> DVector<f64> {
        let mut rotated = values.clone();
        self.qr.q_tr_mul(&mut rotated);
        let triangle = self.qr.r();
        let mut solution = DVector::zeros(self.scale.len());
        for i in (0..self.rank).rev() {
            let known: f64 = (i + 1..self.rank)
                .map(|j| triangle[(i, j)] * solution[j])
                .sum();
            solution[i] = (rotated[i] - known) / triangle[(i, i)];
        }
        self.qr.p().inv_permute_rows(&mut solution);
        for (c, d) in solution.iter_mut().zip(&self.scale) {
            *c /= d;
        }
        solution
    }

    /// Part of `values` that the basis cannot express.
    fn remainder(&self, values: &DVector<f64>) -> DVector<f64> {
        let q = self.qr.q();
        let q = q.columns(0, self.rank);
        let once = values - q * q.tr_mul(values);
        // A second pass removes what rounding left ("twice is enough").
        &once - q * q.tr_mul(&once)
    }
}

/// The problem in all parameters, nonlinear ones first.
struct Full<'a, S> {
    model: &'a S,
    basis: RefCell<DMatrix<f64>>,
}

impl<S: Separable> Problem for Full<'_, S> {
    fn len_params(&self) -> usize {
        self.model.len_nonlinear() + self.model.len_linear()
    }

    fn len_residuals(&self) -> usize {
        self.model.observed().len()
    }

    fn residuals(&self, params: &[f64], out: &mut [f64]) {
        let (nonlinear, linear) = params.split_at(self.model.len_nonlinear());
        let mut basis = self.basis.borrow_mut();
        self.model.basis(nonlinear, &mut basis);
        for (i, (out, y)) in out.iter_mut().zip(self.model.observed()).enumerate() {
            let modelled: f64 = basis.row(i).iter().zip(linear).map(|(b, c)| b * c).sum();
            *out = modelled - y;
        }
    }

    fn typical_size(&self, index: usize) -> f64 {
        if index < self.model.len_nonlinear() {
            self.model.typical_size(index)
        } else {
            0.0
        }
    }
}
