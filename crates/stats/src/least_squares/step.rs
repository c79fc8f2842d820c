//! The linearised problem at one point and its step inside a trust region.

use nalgebra::{DMatrix, DVector};

use super::Jacobian;
use super::jacobi_svd::{JacobiSvd, jacobi_svd};

/// Singular values below this fraction of the largest carry no direction: they are rounding.
const RANK_TOLERANCE: f64 = 1e-14;

/// `J D^-1 = Q U diag(s) V^T` and what the steps need of it.
pub(super) struct Linearised {
    q_u: Rotations,
    s: Vec<f64>,
    v: DMatrix<f64>,
    /// `(Q U)^T r`, length n.
    projected: DVector<f64>,
    scale: Vec<f64>,
}

struct Rotations {
    qr: nalgebra::QR<f64, nalgebra::Dyn, nalgebra::Dyn>,
    u: DMatrix<f64>,
}

impl Rotations {
    fn transpose_times(&self, rhs: &[f64]) -> DVector<f64> {
        let mut rhs = DVector::from_column_slice(rhs);
        self.qr.q_tr_mul(&mut rhs);
        self.u.tr_mul(&rhs.rows(0, self.u.nrows()))
    }
}

/// A step and what it promises.
pub(super) struct Step {
    /// Change of the parameters, in their units.
    pub(super) change: Vec<f64>,
    /// `|D change|`.
    pub(super) scaled_norm: f64,
    /// `|J change|^2`.
    pub(super) linear_squared: f64,
    /// Levenberg-Marquardt parameter, zero when the Gauss-Newton step fits the region.
    pub(super) damping: f64,
}

impl Linearised {
    /// Decomposes a finite Jacobian (m >= n); `scale` is the diagonal of D, all positive.
    pub(super) fn new(jacobian: &Jacobian, residuals: &[f64], scale: &[f64]) -> Self {
        let mut scaled = jacobian.clone();
        for (mut column, &d) in scaled.column_iter_mut().zip(scale) {
            column /= d;
        }
        let qr = scaled.qr();
        let JacobiSvd { u, s, v } = jacobi_svd(qr.r());
        let q_u = Rotations { qr, u };
        let projected = q_u.transpose_times(residuals);
        Self {
            q_u,
            s,
            v,
            projected,
            scale: scale.to_vec(),
        }
    }

    /// Largest cosine of the angle between the residuals and a column of the Jacobian.
    pub(super) fn gradient_cosine(&self, jacobian: &Jacobian, residual_norm: f64) -> f64 {
        let gradient = &self.v * self.weighted(&self.projected, |s| s);
        gradient
            .iter()
            .zip(&self.scale)
            .zip(jacobian.column_iter())
            .map(|((g, d), column)| match column.norm() * residual_norm {
                0.0 => 0.0,
                size => (g * d / size).abs(),
            })
            .fold(0.0, f64::max)
    }

    /// The step that minimises the linearised residuals within `|D change| <= radius`; `radius`
    /// may be infinite.
    pub(super) fn step(&self, radius: f64) -> Step {
        let damping = self.damping(radius);
        self.damped(&self.projected, damping)
    }

    /// Second-order correction for the directional second derivative `curvature` (length m).
    pub(super) fn acceleration(&self, curvature: &[f64], damping: f64) -> Step {
        self.damped(&(0.5 * self.q_u.transpose_times(curvature)), damping)
    }

    fn damped(&self, projected: &DVector<f64>, damping: f64) -> Step {
        let along = self.weighted(projected, |s| -s / (s * s + damping));
        let linear_squared = self
            .s
            .iter()
            .zip(along.iter())
            .map(|(s, y)| (s * y).powi(2))
            .sum();
        let scaled = &self.v * &along;
        Step {
            change: scaled.iter().zip(&self.scale).map(|(y, d)| y / d).collect(),
            scaled_norm: along.norm(),
            linear_squared,
            damping,
        }
    }

    /// Applies a function of the singular value, zero where the value is only rounding.
    fn weighted(&self, projected: &DVector<f64>, weight: impl Fn(f64) -> f64) -> DVector<f64> {
        let least = RANK_TOLERANCE * self.s.first().copied().unwrap_or(0.0);
        DVector::from_iterator(
            self.s.len(),
            self.s.iter().zip(projected.iter()).map(
                |(&s, &g)| {
                    if s > least { weight(s) * g } else { 0.0 }
                },
            ),
        )
    }

    /// Solves `|y(damping)| = radius` to a tenth, as Moré does, by Newton's method on `1/|y|`,
    /// which rises to the root from below without safeguards.
    fn damping(&self, radius: f64) -> f64 {
        let mut damping = 0.0;
        for _ in 0..50 {
            let y = self.weighted(&self.projected, |s| s / (s * s + damping));
            let norm = y.norm();
            if norm <= 1.1 * radius {
                break;
            }
            let slope: f64 = self
                .s
                .iter()
                .zip(y.iter())
                .filter(|(_, y)| **y != 0.0)
                .map(|(s, y)| y * y / (s * s + damping))
                .sum();
            damping += (norm / radius - 1.0) * norm * norm / slope;
        }
        damping
    }
}
