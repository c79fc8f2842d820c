//! How long the blocks of a bootstrap must be.

use crate::series::{SeriesError, moments};

/// Block lengths for a series, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct BlockLength {
    /// For blocks of one length on a circle.
    pub circular: f64,
    /// For blocks of random length (stationary bootstrap), their mean.
    pub stationary: f64,
    /// Number of lags until the correlation is gone.
    pub lags: usize,
    /// Sum of lag times covariance over the sum of covariances, samples: a bootstrap in blocks of
    /// length b makes the variance of a mean too small by about this over b.
    pub memory: f64,
    /// Sum of covariances over the variance: how many values in a row tell as much of the mean as
    /// one independent value, at least a tenth.
    pub inflation: f64,
}

/// Block length from the autocorrelation: D. N. Politis and H. White, Econometric Rev. 23 (2004)
/// 53-70, with the correction of A. Patton, D. N. Politis and H. White, Econometric Rev. 28 (2009)
/// 372-375. Both lengths lie between 1 and the smaller of 3 sqrt(n) and n / 3.
///
/// Covariances are summed only as far as the rule needs them: twice the lag from which
/// max(5, sqrt(log10 n)) correlations in a row are below 2 sqrt(log10 n / n).
///
/// # Errors
///
/// [`SeriesError`] unless there are 8 values, all finite and not all equal.
pub fn block_length(values: &[f64]) -> Result<BlockLength, SeriesError> {
    let needed = 8;
    if values.len() < needed {
        let values = values.len();
        return Err(SeriesError::TooShort { values, needed });
    }
    let moments = moments(values)?;
    if moments.squared_deviations <= 0.0 {
        return Err(SeriesError::Constant);
    }
    let deviations: Vec<f64> = values.iter().map(|v| v - moments.mean).collect();
    Ok(from_deviations(&deviations))
}

fn from_deviations(deviations: &[f64]) -> BlockLength {
    let n = deviations.len() as f64;
    let covariance = |lag: usize| lagged_products(deviations, lag) / n;
    let most = whole(n.sqrt().ceil()).min(deviations.len() / 4);
    let run = whole(n.log10().sqrt()).max(5);
    let small = 2.0 * (n.log10() / n).sqrt();
    let variance = covariance(0);
    let mut known = vec![variance];
    let mut quiet = 0;
    while known.len() <= most + run && known.len() < deviations.len() && quiet < run {
        let next = covariance(known.len());
        quiet = if (next / variance).abs() < small {
            quiet + 1
        } else {
            0
        };
        known.push(next);
    }
    let lags = if quiet >= run {
        (known.len() - 1 - run).max(1)
    } else {
        most.max(1)
    };
    let window = (2 * lags).min(most + run).min(deviations.len() - 1);
    for lag in known.len()..=window {
        known.push(covariance(lag));
    }
    // Flat-top window: 1 up to half of it, then falling to 0.
    let weight = |lag: usize| (2.0 * (1.0 - lag as f64 / window as f64)).min(1.0);
    let (mut spectrum, mut slope) = (variance, 0.0);
    for (lag, c) in known.iter().enumerate().take(window + 1).skip(1) {
        spectrum += 2.0 * weight(lag) * c;
        slope += 2.0 * weight(lag) * lag as f64 * c;
    }
    let longest = (3.0 * n.sqrt()).min(n / 3.0).max(1.0);
    let length = |factor: f64| {
        let wanted = (2.0 * slope * slope / (factor * spectrum * spectrum) * n).cbrt();
        // A spectrum of zero at the origin says nothing; be careful then.
        if wanted.is_finite() {
            wanted.clamp(1.0, longest)
        } else {
            longest
        }
    };
    BlockLength {
        circular: length(4.0 / 3.0),
        stationary: length(2.0),
        lags,
        // Flat-top windows can go below zero; no series is worth much more than its length.
        inflation: (spectrum / variance).max(0.1),
        memory: if spectrum > 0.0 {
            (slope / spectrum).max(0.0)
        } else {
            0.0
        },
    }
}

/// Sum of products of values `lag` apart, in eight parts so that the processor can work on them
/// side by side.
fn lagged_products(deviations: &[f64], lag: usize) -> f64 {
    let (left, right) = (&deviations[..deviations.len() - lag], &deviations[lag..]);
    let mut parts = [0.0; 8];
    let (chunks_left, chunks_right) = (left.chunks_exact(8), right.chunks_exact(8));
    let rest: f64 = chunks_left
        .remainder()
        .iter()
        .zip(chunks_right.remainder())
        .map(|(a, b)| a * b)
        .sum();
    for (a, b) in chunks_left.zip(chunks_right) {
        for (part, (a, b)) in parts.iter_mut().zip(a.iter().zip(b)) {
            *part += a * b;
        }
    }
    parts.iter().sum::<f64>() + rest
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "roots and logarithms of the number of values"
)]
fn whole(x: f64) -> usize {
    x as usize
}
