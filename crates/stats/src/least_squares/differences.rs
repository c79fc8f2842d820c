//! Derivatives of the residuals by central differences.

use super::{Derivatives, FitError, Jacobian, Problem};

/// How the error of a difference falls with its step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    /// Two points a parameter, for the search.
    Second,
    /// Four points a parameter, for the last digits.
    Fourth,
}

/// Cube root of the machine epsilon: balances rounding against the third derivative.
const SECOND_ORDER_STEP: f64 = 6.055e-6;

/// The balance against the fifth derivative is the fifth root of epsilon, 7e-4; a third of it
/// costs half a digit of rounding and gains two digits where a phase is multiplied by many
/// periods, as in sums of sinusoids.
const FOURTH_ORDER_STEP: f64 = 2.0e-4;

/// Counts evaluations and keeps the buffers of the differences.
pub(super) struct Differentiator<'a, P: Problem + ?Sized> {
    problem: &'a P,
    pub(super) evaluations: usize,
    /// Change of each parameter that moves the residuals by their own size, as far as known. At
    /// the end it keeps the step above rounding for parameters whose value is near zero.
    pub(super) sensible_change: Vec<f64>,
    at: Vec<f64>,
    ahead: Vec<f64>,
    behind: Vec<f64>,
}

impl<'a, P: Problem + ?Sized> Differentiator<'a, P> {
    pub(super) fn new(problem: &'a P) -> Self {
        let m = problem.len_residuals();
        Self {
            problem,
            evaluations: 0,
            sensible_change: vec![0.0; problem.len_params()],
            at: vec![0.0; problem.len_params()],
            ahead: vec![0.0; m],
            behind: vec![0.0; m],
        }
    }

    /// Residuals at `params`; false if one of them is not finite.
    pub(super) fn residuals(&mut self, params: &[f64], out: &mut [f64]) -> bool {
        self.evaluations += 1;
        self.problem.residuals(params, out);
        out.iter().all(|r| r.is_finite())
    }

    /// Fills `out` with the derivatives at `params`, where the residuals are `residuals`.
    pub(super) fn jacobian(
        &mut self,
        params: &[f64],
        residuals: &[f64],
        order: Order,
        out: &mut Jacobian,
    ) -> Result<(), FitError> {
        let analytic = self.problem.jacobian(params, out) == Derivatives::Analytic;
        for j in 0..params.len() {
            let finite = if analytic {
                out.column(j).iter().all(|d| d.is_finite())
            } else {
                self.column(params, residuals, j, order, out)
            };
            if !finite {
                return Err(FitError::DerivativeNotFinite {
                    param: j,
                    at: params.to_vec(),
                });
            }
        }
        Ok(())
    }

    /// One column; where the domain of the model ends nearby, falls back to a shorter and then
    /// to a one-sided difference.
    fn column(
        &mut self,
        params: &[f64],
        residuals: &[f64],
        j: usize,
        order: Order,
        out: &mut Jacobian,
    ) -> bool {
        let size = params[j].abs().max(self.problem.typical_size(j));
        let fine = size.max(self.sensible_change[j]) * FOURTH_ORDER_STEP;
        if order == Order::Fourth && fine > 0.0 && self.central(params, j, fine, true, out) {
            return true;
        }
        let size = if size > 0.0 { size } else { 1.0 };
        let step = size * SECOND_ORDER_STEP;
        self.central(params, j, step, false, out)
            || self.one_sided(params, residuals, j, step, out)
            || self.one_sided(params, residuals, j, -step, out)
    }

    fn central(
        &mut self,
        params: &[f64],
        j: usize,
        step: f64,
        fourth: bool,
        out: &mut Jacobian,
    ) -> bool {
        let Some(width) = self.pair(params, j, step) else {
            return false;
        };
        let near_weight = if fourth { 4.0 / 3.0 } else { 1.0 };
        for ((d, a), b) in out
            .column_mut(j)
            .iter_mut()
            .zip(&self.ahead)
            .zip(&self.behind)
        {
            *d = near_weight * ((a - b) / width);
        }
        if fourth {
            let Some(width) = self.pair(params, j, 2.0 * step) else {
                return false;
            };
            for ((d, a), b) in out
                .column_mut(j)
                .iter_mut()
                .zip(&self.ahead)
                .zip(&self.behind)
            {
                *d -= (a - b) / width / 3.0;
            }
        }
        true
    }

    /// Residuals a step to either side; returns the width of the interval as rounded, or nothing
    /// if a residual is not finite.
    fn pair(&mut self, params: &[f64], j: usize, step: f64) -> Option<f64> {
        let mut ahead = std::mem::take(&mut self.ahead);
        let mut behind = std::mem::take(&mut self.behind);
        let (above, below) = (params[j] + step, params[j] - step);
        let finite =
            self.moved(params, j, above, &mut ahead) && self.moved(params, j, below, &mut behind);
        self.ahead = ahead;
        self.behind = behind;
        finite.then_some(above - below)
    }

    fn one_sided(
        &mut self,
        params: &[f64],
        residuals: &[f64],
        j: usize,
        step: f64,
        out: &mut Jacobian,
    ) -> bool {
        let mut ahead = std::mem::take(&mut self.ahead);
        let moved = params[j] + step;
        let finite = self.moved(params, j, moved, &mut ahead);
        self.ahead = ahead;
        let width = moved - params[j];
        for ((d, a), r) in out.column_mut(j).iter_mut().zip(&self.ahead).zip(residuals) {
            *d = (a - r) / width;
        }
        finite
    }

    fn moved(&mut self, params: &[f64], j: usize, value: f64, out: &mut [f64]) -> bool {
        let mut at = std::mem::take(&mut self.at);
        at.copy_from_slice(params);
        at[j] = value;
        let finite = self.residuals(&at, out);
        self.at = at;
        finite
    }
}
