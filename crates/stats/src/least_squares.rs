//! Nonlinear least squares: a scaled trust-region form of the Levenberg-Marquardt method.
//!
//! The step solves `min |J p + r|` inside the ellipsoid `|D p| <= delta`, where `D` holds the
//! largest column norms of the Jacobian seen so far, so the method does not depend on the units
//! of the parameters. The Jacobian is reduced by Householder QR and the small triangle by a
//! one-sided Jacobi singular value decomposition; the trust-region equation is then a sum over
//! singular values and rank deficiency needs no special case. After convergence a few
//! Gauss-Newton steps on a fourth-order Jacobian bring the parameters to the accuracy of the
//! gradient, which is about twice as many digits as the sum of squares can resolve.
//!
//! Sources: J. J. Moré, "The Levenberg-Marquardt algorithm: implementation and theory", Lecture
//! Notes in Mathematics 630 (1978) 105-116 (scaling, trust region, tests for convergence);
//! M. K. Transtrum and J. P. Sethna, arXiv:1201.5885 (geodesic acceleration).
//!
//! ```
//! use settlepoint_stats::least_squares::{Options, Problem, minimise};
//!
//! struct Decay { time_s: Vec<f64>, temp_rise_k: Vec<f64> }
//! impl Problem for Decay {
//!     fn len_params(&self) -> usize { 2 }
//!     fn len_residuals(&self) -> usize { self.time_s.len() }
//!     fn residuals(&self, params: &[f64], out: &mut [f64]) {
//!         for ((out, t), y) in out.iter_mut().zip(&self.time_s).zip(&self.temp_rise_k) {
//!             *out = params[0] * (-t / params[1]).exp() - y;
//!         }
//!     }
//! }
//!
//! let problem = Decay {
//!     time_s: vec![0.0, 10.0, 20.0, 40.0],
//!     temp_rise_k: vec![30.0, 18.2, 11.0, 4.1],
//! };
//! let fit = minimise(&problem, &[20.0, 10.0], &Options::default())?;
//! assert!(fit.stopped.converged());
//! assert!((fit.params[1] - 20.0).abs() < 0.1);
//! let standard_errors = fit.standard_errors(None)?;
//! assert!(standard_errors[1] < 0.2);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod differences;
mod error;
mod fit;
mod jacobi_svd;
mod separable;
mod solver;
mod step;

pub use error::{FitError, NotIdentified};
pub use fit::{Fit, Stop, TiedDirection};
pub use separable::{Separable, minimise_separable};
pub use solver::{Options, minimise};

/// Derivatives of the residuals, one row per residual, one column per parameter, stored by
/// columns.
pub type Jacobian = nalgebra::DMatrix<f64>;

/// Where the derivatives of a [`Problem`] come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Derivatives {
    /// [`Problem::jacobian`] has filled its argument.
    Analytic,
    /// The problem has no derivatives of its own; the solver takes differences of the residuals.
    Differences,
}

/// Residuals to be made small in the sense of least squares, already divided by their standard
/// deviations where these differ.
pub trait Problem {
    /// Number of parameters, n.
    fn len_params(&self) -> usize;

    /// Number of residuals, m, at least n. Priors count as residuals.
    fn len_residuals(&self) -> usize;

    /// Writes the m residuals at `params` (length n) into `out` (length m).
    ///
    /// A parameter outside the domain of the model may yield `NaN` or an infinity: the solver
    /// then rejects the trial and shortens its step.
    fn residuals(&self, params: &[f64], out: &mut [f64]);

    /// Writes the derivatives of the residuals (m x n) into `out` and returns
    /// [`Derivatives::Analytic`]; by default leaves it to the solver to take central differences.
    ///
    /// `out` comes with unspecified contents.
    fn jacobian(&self, params: &[f64], out: &mut Jacobian) -> Derivatives {
        let _ = (params, out);
        Derivatives::Differences
    }

    /// Size of a change of parameter `index` that matters, in the unit of the parameter; the
    /// steps of the differences are a small fraction of this or of the value, whichever is
    /// larger.
    ///
    /// The default of zero suits parameters with a natural zero (a resistance, a rate). A
    /// logarithm, an offset or a temperature in Celsius, whose value may be near zero by chance,
    /// should give its natural size (1 for a logarithm).
    fn typical_size(&self, index: usize) -> f64 {
        let _ = index;
        0.0
    }
}
