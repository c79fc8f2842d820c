//! What the residuals are made of: readings that err independently (rounding, mostly) and a part
//! that stays for a while.

/// Noise of a log: a white part and a part with first-order correlation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Standard deviation of the part that is new in every reading, K.
    pub white_k: f64,
    /// Standard deviation of the part that stays, K.
    pub slow_k: f64,
    /// Time after which the slow part's correlation has fallen to 1/e, s.
    pub correlation_s: f64,
}

impl Noise {
    /// Standard deviation of one reading, K.
    pub fn sigma_k(&self) -> f64 {
        self.white_k.hypot(self.slow_k)
    }

    /// Variance of the mean of `rows` readings over `span_s` seconds, K².
    ///
    /// The slow part is a first-order process; the variance of its mean over T is
    /// `2 x (1 - x (1 - exp(-1/x)))` of its own, with x = correlation time over T (G. I. Taylor,
    /// Proc. London Math. Soc. 20 (1921), equation for the mean of a correlated series).
    pub(super) fn variance_of_mean(&self, span_s: f64, rows: usize) -> f64 {
        let white = self.white_k * self.white_k / rows.max(1) as f64;
        let x = self.correlation_s / span_s.max(f64::MIN_POSITIVE);
        let share = if x > 1e3 {
            1.0
        } else {
            2.0 * x * (1.0 - x * (1.0 - (-1.0 / x).exp()))
        };
        white + self.slow_k * self.slow_k * share
    }

    /// How many rows `step_s` apart say together what one independent reading would.
    pub(super) fn redundancy(&self, step_s: f64) -> f64 {
        let total = self.sigma_k().powi(2);
        if total <= 0.0 {
            return 1.0;
        }
        let phi = (-step_s / self.correlation_s.max(1e-9 * step_s)).exp();
        let slow = self.slow_k * self.slow_k / total;
        1.0 + 2.0 * slow * phi / (1.0 - phi).max(1e-6)
    }

    /// From the residuals of a fit of `parameters` numbers, `step_s` apart on the median, of
    /// readings rounded to `resolution_k`.
    ///
    /// The sum of autocovariances runs over pairs of lags while these are positive (C. J. Geyer,
    /// Statistical Science 7 (1992) 473-483, section 3.3); its size and the first lag give the
    /// correlation time and the share of the slow part. The variance is raised for the numbers
    /// fitted out of few effective readings, and is never below the rounding's own, q²/12.
    pub(super) fn of(
        residual_k: &[f64],
        step_s: f64,
        parameters: usize,
        resolution_k: f64,
    ) -> Self {
        let n = residual_k.len().max(1) as f64;
        let lag = |k: usize| -> f64 {
            residual_k
                .iter()
                .zip(&residual_k[k.min(residual_k.len())..])
                .map(|(a, b)| a * b)
                .sum::<f64>()
                / n
        };
        let total = lag(0);
        let first = lag(1);
        let sum = positive_sum(lag, residual_k.len() / 3);
        let rounding = resolution_k * resolution_k / 12.0;
        let phi = if sum > 0.0 && first > 0.0 {
            (1.0 - first / sum).clamp(0.0, 0.999_9)
        } else {
            0.0
        };
        let slow = if phi > 1e-3 {
            (first / phi).min(total)
        } else {
            0.0
        };
        let effective = n / (1.0 + 2.0 * sum.max(0.0) / total.max(f64::MIN_POSITIVE));
        let raise = effective
            / (effective - parameters as f64)
                .max(0.25 * effective)
                .max(1.0);
        let white = (raise.max(1.0) * (total - slow)).max(rounding);
        let correlation_s = if phi > 1e-3 {
            -step_s / phi.ln()
        } else {
            step_s
        };
        Self {
            white_k: white.sqrt(),
            slow_k: (raise.max(1.0) * slow).sqrt(),
            correlation_s,
        }
    }

    /// Effective number of readings among `rows`, `step_s` apart.
    pub(super) fn effective(&self, rows: usize, step_s: f64) -> f64 {
        rows as f64 / self.redundancy(step_s)
    }
}

/// Sum of autocovariances from lag 1 while pairs of them are positive.
fn positive_sum(lag: impl Fn(usize) -> f64, longest: usize) -> f64 {
    let mut sum = 0.0;
    let mut k = 1;
    while k + 1 < longest {
        let pair = lag(k) + lag(k + 1);
        if pair <= 0.0 {
            break;
        }
        sum += pair;
        k += 2;
    }
    sum
}
