//! What can go wrong before, in and after a fit.

use std::fmt;

/// Why [`minimise`](super::minimise) could not begin or go on.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum FitError {
    /// There are fewer residuals than parameters.
    TooFewResiduals {
        /// Number of residuals.
        residuals: usize,
        /// Number of parameters.
        params: usize,
    },
    /// The start has the wrong length.
    StartLength {
        /// Length of the start.
        given: usize,
        /// Number of parameters.
        params: usize,
    },
    /// A starting value is `NaN` or infinite.
    StartNotFinite {
        /// Index of the parameter.
        param: usize,
    },
    /// A residual at the start is `NaN` or infinite.
    ResidualNotFinite {
        /// Index of the first such residual.
        residual: usize,
    },
    /// A derivative is `NaN` or infinite, or cannot be had by differences.
    DerivativeNotFinite {
        /// Index of the parameter.
        param: usize,
        /// The parameters at that point.
        at: Vec<f64>,
    },
}

impl fmt::Display for FitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewResiduals { residuals, params } => write!(
                f,
                "{residuals} residuals cannot determine {params} parameters; \
                 add observations or priors, or fix parameters"
            ),
            Self::StartLength { given, params } => write!(
                f,
                "the start has {given} values, the problem {params} parameters; \
                 give one value per parameter"
            ),
            Self::StartNotFinite { param } => write!(
                f,
                "starting value of parameter {param} is not finite; give a finite value"
            ),
            Self::ResidualNotFinite { residual } => write!(
                f,
                "residual {residual} is not finite at the start; \
                 start inside the domain of the model and check the observations"
            ),
            Self::DerivativeNotFinite { param, at } => write!(
                f,
                "no finite derivative with respect to parameter {param} at {at:?}; \
                 check its domain, or transform it (a logarithm for a positive quantity)"
            ),
        }
    }
}

impl std::error::Error for FitError {}

/// Some combination of parameters leaves the residuals unchanged, so there is no covariance.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum NotIdentified {
    /// The residuals do not change along this direction.
    Direction {
        /// Components of the direction, one per parameter, scaled so that the largest is 1 after
        /// each parameter is measured in units of its own effect on the residuals.
        direction: Vec<f64>,
        /// Indices of the parameters that take part, the strongest first.
        params: Vec<usize>,
    },
    /// There are as many parameters as residuals, so the scatter cannot be estimated.
    NoFreedom,
}

impl fmt::Display for NotIdentified {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Direction { params, .. } => write!(
                f,
                "the data do not separate parameters {params:?}; \
                 fix one of them, give it a prior, or measure where they act differently"
            ),
            Self::NoFreedom => write!(
                f,
                "as many parameters as residuals: the scatter cannot be estimated; \
                 state the variance of the residuals, or add observations"
            ),
        }
    }
}

impl std::error::Error for NotIdentified {}
