//! Correlation time of a series with irregular times.

use super::{SeriesError, checked, moments};

/// A first-order process `x(t + d) = exp(-d / tau) x(t) + noise`, seen at irregular times.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct IrregularCorrelation {
    /// Correlation time tau in the unit of the times; zero if neighbours are not correlated,
    /// infinite if the record is too short to show any decay.
    pub time_constant: f64,
    /// Stationary standard deviation.
    pub standard_deviation: f64,
    /// Mean, weighted as the correlation demands (generalised least squares).
    pub mean: f64,
    /// Standard error of that mean.
    pub standard_error: f64,
    /// Variance of one value over that of the mean.
    pub effective_count: f64,
}

impl IrregularCorrelation {
    /// Correlation of two values `lag` apart.
    pub fn correlation(&self, lag: f64) -> f64 {
        if self.time_constant > 0.0 {
            (-lag / self.time_constant).exp()
        } else {
            0.0
        }
    }
}

/// Estimates tau, mean and spread by maximum likelihood of the first-order Gaussian process, its
/// exact density written as a product over steps (R. H. Jones, "Time series analysis with
/// unequally spaced data", Handbook of Statistics 5 (1985) 157-177). The profile over ln tau is
/// searched on a grid and refined by golden section, between a tenth of the least step and ten
/// times the record.
///
/// # Errors
///
/// [`SeriesError`] if lengths differ, there are fewer than 4 values, one is not finite, times do
/// not rise, or all values are equal.
pub fn irregular_correlation(
    times: &[f64],
    values: &[f64],
) -> Result<IrregularCorrelation, SeriesError> {
    if times.len() != values.len() {
        return Err(SeriesError::UnequalLengths);
    }
    checked(times, 4)?;
    checked(values, 4)?;
    if let Some(before) = times.windows(2).position(|pair| pair[1] <= pair[0]) {
        return Err(SeriesError::TimesNotRising { index: before + 1 });
    }
    let moments = moments(values)?;
    if moments.squared_deviations <= 0.0 {
        return Err(SeriesError::Constant);
    }
    let centred: Vec<f64> = values.iter().map(|v| v - moments.mean).collect();
    let steps: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let least_step = steps.iter().copied().fold(f64::INFINITY, f64::min);
    let record = times[times.len() - 1] - times[0];
    let (low, high) = ((0.1 * least_step).ln(), (10.0 * record).ln());
    let log_tau = least_at(low, high, |log_tau| {
        Profile::new(&steps, &centred, log_tau.exp()).deviance
    });
    let profile = Profile::new(&steps, &centred, log_tau.exp());
    let edge = 1e-3 * (high - low);
    let time_constant = if log_tau < low + edge {
        0.0
    } else if log_tau > high - edge {
        f64::INFINITY
    } else {
        log_tau.exp()
    };
    Ok(IrregularCorrelation {
        time_constant,
        standard_deviation: profile.variance.sqrt(),
        mean: moments.mean + profile.mean,
        standard_error: (profile.variance / profile.information).sqrt(),
        effective_count: profile.information,
    })
}

/// Likelihood at one tau, mean and variance at their best.
struct Profile {
    /// Minus twice the logarithm of the likelihood, up to a constant.
    deviance: f64,
    mean: f64,
    variance: f64,
    /// `1^T R^-1 1` for the correlation matrix R.
    information: f64,
}

impl Profile {
    fn new(steps: &[f64], values: &[f64], tau: f64) -> Self {
        // Each value less its prediction from the one before, over the root of the share of
        // variance that is new: independent with equal variance. The same is done to the mean.
        let mut log_shares = 0.0;
        let (mut yy, mut yo, mut oo) = (values[0] * values[0], values[0], 1.0);
        for (step, pair) in steps.iter().zip(values.windows(2)) {
            let rho = (-step / tau).exp();
            let share = -(-2.0 * step / tau).exp_m1();
            let (y, one) = (pair[1] - rho * pair[0], 1.0 - rho);
            yy += y * y / share;
            yo += y * one / share;
            oo += one * one / share;
            log_shares += share.ln();
        }
        let count = values.len() as f64;
        let mean = yo / oo;
        // One degree of freedom goes to the mean (restricted likelihood), which takes most of the
        // bias off tau in short records.
        let variance = (yy - yo * mean) / (count - 1.0);
        Self {
            deviance: (count - 1.0) * variance.ln() + log_shares + oo.ln(),
            mean,
            variance,
            information: oo,
        }
    }
}

/// Grid points before the refinement; the profile is smooth over a factor of 1.5 in tau.
const GRID: u32 = 60;

/// Position of the least value of `function` between `low` and `high`.
fn least_at(low: f64, high: f64, function: impl Fn(f64) -> f64) -> f64 {
    let width = (high - low) / f64::from(GRID);
    let at = |k: u32| low + f64::from(k) * width;
    let best = (0..=GRID)
        .map(|k| (function(at(k)), k))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(0, |(_, k)| k);
    golden_section(
        (at(best) - width).max(low),
        (at(best) + width).min(high),
        function,
    )
}

fn golden_section(mut low: f64, mut high: f64, function: impl Fn(f64) -> f64) -> f64 {
    let ratio = 0.5 * (5_f64.sqrt() - 1.0);
    let (mut a, mut b) = (high - ratio * (high - low), low + ratio * (high - low));
    let (mut at_a, mut at_b) = (function(a), function(b));
    // 50 steps shrink the bracket by 3e10: ln tau to rounding of the likelihood.
    for _ in 0..50 {
        if at_a < at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - ratio * (high - low);
            at_a = function(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + ratio * (high - low);
            at_b = function(b);
        }
    }
    0.5 * (low + high)
}
