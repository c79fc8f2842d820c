//! Variable projection: given the time constants the model is linear, so only their logarithms
//! are searched, by damped Gauss-Newton steps with Kaufman's derivative.
//!
//! All rows are reduced once a step to a small triangle by Householder QR of
//! `[columns | derivatives | temperature]`; the rest works on the triangle.
//!
//! Sources: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432; L. Kaufman, BIT 15
//! (1975) 49-57; active set for the positive resistances after C. L. Lawson and R. J. Hanson,
//! "Solving Least Squares Problems" (1974), chapter 23.

use settlepoint_stats::{DMatrix, DVector};

use super::basis::{Basis, Shape};
use super::input::Drive;

/// Weak normal priors, with the size of the noise that they are weighed against.
#[derive(Clone, Copy, Debug)]
pub(super) struct Priors {
    pub(super) reference: f64,
    pub(super) reference_sd: f64,
    pub(super) start_sd_k: f64,
    pub(super) ln_tau: f64,
    pub(super) ln_tau_sd: f64,
    /// Standard deviation of the noise times the root of the number of rows that say the same.
    pub(super) weight_k: f64,
}

/// Why a search ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Stop {
    /// The sum of squares, priors included, no longer fell by a relative 1e-9.
    SumOfSquares,
    /// No damped step lowered the sum of squares.
    NoBetterStep,
    /// The limit on steps was reached: not converged.
    MaxSteps,
}

impl Stop {
    /// Whether the parameters are at a minimum.
    pub fn converged(self) -> bool {
        !matches!(self, Self::MaxSteps)
    }
}

#[derive(Clone, Debug)]
pub(super) struct Solution {
    pub(super) ln_tau: Vec<f64>,
    pub(super) beta: Vec<f64>,
    pub(super) steps: usize,
    pub(super) stop: Stop,
}

/// The rows to fit and the model to fit them with.
pub(super) struct Problem<'a> {
    pub(super) drive: &'a Drive,
    /// Rows that count.
    pub(super) rows: &'a [usize],
    pub(super) shape: Shape,
    pub(super) priors: Priors,
}

/// The problem at one set of time constants.
struct Point {
    beta: Vec<f64>,
    objective: f64,
    gradient: DVector<f64>,
    hessian: DMatrix<f64>,
}

const MAX_STEPS: usize = 60;
/// For a fit that is reported.
pub(super) const TOLERANCE: f64 = 1e-9;
/// For a fit that is only compared: its held-out error is then good to far below a percent.
pub(super) const ROUGH: f64 = 1e-4;
/// Keeps the triangle regular when two time constants meet; far below any prior.
const RIDGE: f64 = 1e-9;

impl Problem<'_> {
    /// Searches from the given logarithms of the time constants until the objective falls by less
    /// than a relative `tolerance`.
    pub(super) fn solve(&self, start: &[f64], tolerance: f64) -> Solution {
        let mut ln_tau = start.to_vec();
        let mut point = self.at(&ln_tau);
        let mut damping = 1e-3;
        let mut stop = Stop::MaxSteps;
        let mut steps = 0;
        while steps < MAX_STEPS && !ln_tau.is_empty() {
            steps += 1;
            let trial = damped(&ln_tau, &point, damping);
            let next = self.at(&trial);
            let gain = point.objective - next.objective;
            if gain >= 0.0 {
                let done = gain <= tolerance * point.objective;
                (ln_tau, point) = (trial, next);
                damping = (damping * 0.2_f64).max(1e-9);
                if done {
                    stop = Stop::SumOfSquares;
                    break;
                }
            } else {
                damping *= 8.0;
                if damping > 1e7 {
                    stop = Stop::NoBetterStep;
                    break;
                }
            }
        }
        if ln_tau.is_empty() {
            stop = Stop::SumOfSquares;
        }
        Solution {
            ln_tau,
            beta: point.beta,
            steps,
            stop,
        }
    }

    /// The objective alone, K².
    pub(super) fn objective(&self, ln_tau: &[f64]) -> f64 {
        let mut basis = Basis::new(self.drive, self.shape, ln_tau);
        basis.derivatives.clear();
        self.point(&basis, ln_tau).objective
    }

    fn at(&self, ln_tau: &[f64]) -> Point {
        self.point(&Basis::new(self.drive, self.shape, ln_tau), ln_tau)
    }

    fn point(&self, basis: &Basis, ln_tau: &[f64]) -> Point {
        let triangle = self.triangle(basis);
        let (linear, rhs) = self.linear_system(&triangle);
        let (beta, active) = positive_solution(&linear, &rhs, self.shape.stages);
        let residual = &rhs - &linear * DVector::from_column_slice(&beta);
        let jacobian = self.projected_jacobian(basis, &triangle, &linear, &beta, &active);
        let mut point = Point {
            objective: residual.norm_squared(),
            gradient: jacobian.tr_mul(&residual),
            hessian: jacobian.tr_mul(&jacobian),
            beta,
        };
        self.add_time_constant_priors(&mut point, ln_tau);
        point
    }

    /// R of the QR of the rows that count of [columns | derivatives | temperature].
    fn triangle(&self, basis: &Basis) -> DMatrix<f64> {
        let columns = basis
            .columns
            .iter()
            .chain(basis.derivatives.iter().map(|d| &d.values))
            .chain(std::iter::once(&self.drive.temp));
        let count = basis.columns.len() + basis.derivatives.len() + 1;
        let mut data = Vec::with_capacity(self.rows.len() * count);
        for column in columns {
            data.extend(self.rows.iter().map(|&i| column[i]));
        }
        DMatrix::from_vec(self.rows.len(), count, data)
            .qr()
            .unpack_r()
    }

    /// The triangle's linear part with the priors' rows below it.
    fn linear_system(&self, triangle: &DMatrix<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let (p, m) = (self.shape.linear(), triangle.nrows());
        let mut a = DMatrix::zeros(m + p, p);
        a.view_mut((0, 0), (m, p))
            .copy_from(&triangle.columns(0, p));
        let mut b = DVector::zeros(m + p);
        b.rows_mut(0, m)
            .copy_from(&triangle.column(triangle.ncols() - 1));
        for column in 0..p {
            let (mean, weight) = self.linear_prior(column, triangle.column(column).norm());
            a[(m + column, column)] = weight;
            b[m + column] = weight * mean;
        }
        (a, b)
    }

    fn linear_prior(&self, column: usize, norm: f64) -> (f64, f64) {
        let priors = &self.priors;
        match column.cmp(&self.shape.reference()) {
            std::cmp::Ordering::Less => (0.0, RIDGE * norm.max(f64::MIN_POSITIVE)),
            std::cmp::Ordering::Equal => (priors.reference, priors.weight_k / priors.reference_sd),
            std::cmp::Ordering::Greater => (0.0, priors.weight_k / priors.start_sd_k),
        }
    }

    /// Kaufman's derivative of the projected residual: the part of the derivative columns that
    /// the active linear columns cannot follow, with the sign of the model.
    fn projected_jacobian(
        &self,
        basis: &Basis,
        triangle: &DMatrix<f64>,
        linear: &DMatrix<f64>,
        beta: &[f64],
        active: &[usize],
    ) -> DMatrix<f64> {
        let p = self.shape.linear();
        let mut v = DMatrix::zeros(linear.nrows(), self.shape.nonlinear());
        for (i, derivative) in basis.derivatives.iter().enumerate() {
            let factor = beta[derivative.column];
            for row in 0..triangle.nrows() {
                v[(row, derivative.parameter)] += factor * triangle[(row, p + i)];
            }
        }
        let q = linear.select_columns(active).qr().q();
        let inside = q.tr_mul(&v);
        v - q * inside
    }

    fn add_time_constant_priors(&self, point: &mut Point, ln_tau: &[f64]) {
        let weight = (self.priors.weight_k / self.priors.ln_tau_sd).powi(2);
        for (k, l) in ln_tau.iter().enumerate() {
            let off = l - self.priors.ln_tau;
            point.objective += weight * off * off;
            point.gradient[k] -= weight * off;
            point.hessian[(k, k)] += weight;
        }
    }
}

/// One Levenberg-Marquardt step, at most a factor of e in each time constant: the quadratic form
/// does not hold farther.
fn damped(ln_tau: &[f64], point: &Point, damping: f64) -> Vec<f64> {
    let mut matrix = point.hessian.clone();
    for k in 0..ln_tau.len() {
        matrix[(k, k)] += damping * (matrix[(k, k)] + f64::MIN_POSITIVE);
    }
    let step = matrix.lu().solve(&point.gradient);
    ln_tau
        .iter()
        .enumerate()
        .map(|(k, l)| l + step.as_ref().map_or(0.0, |s| s[k].clamp(-1.0, 1.0)))
        .collect()
}

/// Least squares with the first `positive` unknowns at least 0. Returns the solution and the
/// columns that are not held at 0.
fn positive_solution(
    a: &DMatrix<f64>,
    b: &DVector<f64>,
    positive: usize,
) -> (Vec<f64>, Vec<usize>) {
    let mut active: Vec<usize> = (0..a.ncols()).collect();
    loop {
        let solution = solve_columns(a, b, &active);
        let worst = active
            .iter()
            .zip(&solution)
            .filter(|&(&column, &value)| column < positive && value < 0.0)
            .min_by(|x, y| x.1.total_cmp(y.1))
            .map(|(&column, _)| column);
        if let Some(column) = worst {
            active.retain(|&c| c != column);
            continue;
        }
        let mut beta = vec![0.0; a.ncols()];
        for (&column, value) in active.iter().zip(solution) {
            beta[column] = value;
        }
        return (beta, active);
    }
}

fn solve_columns(a: &DMatrix<f64>, b: &DVector<f64>, active: &[usize]) -> Vec<f64> {
    let qr = a.select_columns(active).qr();
    let rhs = qr.q().tr_mul(b);
    match qr.unpack_r().solve_upper_triangular(&rhs) {
        Some(solution) => solution.iter().copied().collect(),
        None => vec![0.0; active.len()],
    }
}
