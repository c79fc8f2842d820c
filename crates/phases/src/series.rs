//! Means of correlated readings and robust noise.

use settlepoint_domain::{Basis, Estimate};

/// Mean with its 90 % interval, the variance raised for autocorrelation and never below the
/// rounding's q²/12, which averaging does not reduce when the reading stands still.
pub(crate) fn mean(values: &[f64], resolution: f64) -> Option<Estimate> {
    if values.is_empty() {
        return None;
    }
    let (m, variance) = moments(values);
    let effective = effective_count(values, m, variance);
    let rounding = resolution * resolution / 12.0;
    let still = if variance < rounding { rounding } else { 0.0 };
    let sd = (variance / effective + still).sqrt() * student_over_normal(effective - 1.0);
    Some(Estimate::normal(m, sd, Basis::Measured))
}

/// Mean and unbiased variance.
pub(crate) fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let m = values.iter().sum::<f64>() / n.max(1.0);
    let squares: f64 = values.iter().map(|v| (v - m) * (v - m)).sum();
    (m, squares / (n - 1.0).max(1.0))
}

/// Independent readings that would know the mean as well: n / (1 + 2 sum of autocorrelations),
/// summed over pairs of lags while these are positive (C. J. Geyer, Statistical Science 7 (1992)
/// 473-483).
pub(crate) fn effective_count(values: &[f64], m: f64, variance: f64) -> f64 {
    let n = values.len();
    if variance <= 0.0 || n < 4 {
        return n.max(1) as f64;
    }
    let lag = |k: usize| -> f64 {
        let sum: f64 = values
            .iter()
            .zip(&values[k..])
            .map(|(a, b)| (a - m) * (b - m))
            .sum();
        sum / (n as f64 * variance)
    };
    let mut sum = 0.0;
    let mut k = 1;
    // Beyond some hundreds of lags the estimate is noise, and hours-long logs must stay fast.
    while k + 1 < (n / 2).min(600) {
        let pair = lag(k) + lag(k + 1);
        if pair <= 0.0 {
            break;
        }
        sum += pair;
        k += 2;
    }
    (n as f64 / (1.0 + 2.0 * sum)).clamp(1.0, n as f64)
}

/// Student's 90 % factor over the normal one, first term in 1/freedom (E. A. Cornish and
/// R. A. Fisher, 1938).
pub(crate) fn student_over_normal(freedom: f64) -> f64 {
    const Z: f64 = 1.644_853_626_951_472_2;
    1.0 + (Z * Z + 1.0) / (4.0 * freedom.max(1.0))
}

/// Variance of readings about their slowly moving level: half the mean squared difference of
/// neighbours, without the largest 2 %, which are steps.
pub(crate) fn difference_variance(values: &[f64]) -> f64 {
    let mut squares: Vec<f64> = values
        .windows(2)
        .map(|w| (w[1] - w[0]) * (w[1] - w[0]))
        .filter(|d| !d.is_nan())
        .collect();
    squares.sort_by(f64::total_cmp);
    let dropped = squares.len().div_ceil(50).max(2).min(squares.len());
    squares.truncate(squares.len() - dropped);
    squares.iter().sum::<f64>() / (2.0 * squares.len().max(1) as f64)
}

/// Variance that the mean of n readings shows, times n: for noise that stays a while, larger than
/// the variance of one reading.
///
/// Half the median squared difference of neighbouring block means, times the block's length, over
/// blocks of 2, 4 ... 64 while some forty remain; the largest counts. Longer blocks would take
/// the levels themselves for noise. The median (0.455 of the
/// mean for a squared normal value) does not see the steps between levels.
pub(crate) fn long_run_variance(values: &[f64]) -> f64 {
    const MEDIAN_OF_SQUARED_NORMAL: f64 = 0.454_936;
    std::iter::successors(Some(2_usize), |block| Some(2 * block))
        .take_while(|&block| block <= 64 && values.len() / block >= 40)
        .filter_map(|block| {
            let means: Vec<f64> = values
                .chunks_exact(block)
                .map(|chunk| chunk.iter().sum::<f64>() / block as f64)
                .collect();
            let squares: Vec<f64> = means
                .windows(2)
                .map(|w| (w[1] - w[0]) * (w[1] - w[0]))
                .collect();
            let middle = quantile(&squares, 0.5)?;
            Some(block as f64 * middle / (2.0 * MEDIAN_OF_SQUARED_NORMAL))
        })
        .fold(0.0, f64::max)
}

/// The value below which a share of the values lies.
pub(crate) fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of an index is between 0 and the index"
    )]
    let index = (share.clamp(0.0, 1.0) * last as f64).round() as usize;
    sorted.get(index).copied()
}

/// Median positive step of the times, s.
pub(crate) fn median_step_s(time_s: &[f64]) -> Option<f64> {
    let steps: Vec<f64> = time_s
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|&step| step > 0.0)
        .collect();
    quantile(&steps, 0.5)
}
