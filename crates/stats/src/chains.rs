//! Whether chains of draws agree, and how many independent draws they are worth.
//!
//! A. Vehtari, A. Gelman, D. Simpson, B. Carpenter and P.-C. Bürkner, "Rank-normalization, folding,
//! and localization: an improved R-hat for assessing convergence of MCMC", Bayesian Anal. 16 (2021)
//! 667-718.

use crate::distributions::StandardNormal;

/// Split R-hat of rank-normalised draws: near 1 where all halves of all chains tell the same; above
/// 1.01 they may not (the source's threshold). `chains` holds one slice a chain, equally long; NaN for
/// fewer than four draws each, or draws that are all equal.
pub fn r_hat(chains: &[Vec<f64>]) -> f64 {
    let halves = normalised(&split(chains));
    if halves.first().is_none_or(|h| h.len() < 2) {
        return f64::NAN;
    }
    let n = halves[0].len() as f64;
    let means: Vec<f64> = halves.iter().map(|h| mean(h)).collect();
    let between = n * variance(&means);
    let within = mean(&halves.iter().map(|h| variance(h)).collect::<Vec<_>>());
    ((between / within + n - 1.0) / n).sqrt()
}

/// Bulk effective sample size: the number of independent draws whose mean would be known as well.
/// Same arguments as [`r_hat`].
pub fn effective_size(chains: &[Vec<f64>]) -> f64 {
    let halves = normalised(&split(chains));
    let n = halves.first().map_or(0, Vec::len);
    if n < 4 {
        return f64::NAN;
    }
    let total = (n * halves.len()) as f64;
    let covariances: Vec<Vec<f64>> = halves.iter().map(|h| autocovariance(h)).collect();
    let at = |lag: usize| mean(&covariances.iter().map(|c| c[lag]).collect::<Vec<_>>());
    let length = n as f64;
    let within = at(0) * length / (length - 1.0);
    let means: Vec<f64> = halves.iter().map(|h| mean(h)).collect();
    let whole = within * (length - 1.0) / length + variance(&means);
    let rho = |lag: usize| 1.0 - (within - at(lag)) / whole;
    // Geyer's initial positive, then monotone, sequence of pairs.
    let mut pairs: Vec<f64> = vec![1.0 + rho(1)];
    let mut last_even = 1.0;
    let mut lag = 1;
    while lag + 3 < n && pairs[pairs.len() - 1] > 0.0 {
        let (even, odd) = (rho(lag + 1), rho(lag + 2));
        last_even = even;
        pairs.push(even + odd);
        lag += 2;
    }
    // The last pair is the one that ended the sequence; its even member counts once if positive.
    let tail = if pairs.len() > 1 {
        pairs.pop();
        last_even.max(0.0)
    } else {
        0.0
    };
    for i in 1..pairs.len() {
        pairs[i] = pairs[i].min(pairs[i - 1]);
    }
    let tau = -1.0 + 2.0 * pairs.iter().sum::<f64>() + tail;
    total / tau.max(1.0 / total.log10())
}

/// Each chain as its two halves; the middle draw of an odd number is left out.
fn split(chains: &[Vec<f64>]) -> Vec<Vec<f64>> {
    chains
        .iter()
        .flat_map(|c| {
            let half = c.len() / 2;
            [c[..half].to_vec(), c[c.len() - half..].to_vec()]
        })
        .collect()
}

/// Normal scores of mid-ranks over all chains together.
fn normalised(chains: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let mut all: Vec<(f64, usize, usize)> = chains
        .iter()
        .enumerate()
        .flat_map(|(c, values)| values.iter().enumerate().map(move |(i, &v)| (v, c, i)))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let count = all.len() as f64;
    let mut scores: Vec<Vec<f64>> = chains.iter().map(|c| vec![0.0; c.len()]).collect();
    for ties in all.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq()) {
        let first = all.partition_point(|x| x.0 < ties[0].0);
        let rank = first as f64 + f64::midpoint(1.0, ties.len() as f64);
        let score = StandardNormal.quantile((rank - 0.375) / (count + 0.25));
        for &(_, c, i) in ties {
            scores[c][i] = score;
        }
    }
    scores
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let m = mean(values);
    values.iter().map(|v| (v - m) * (v - m)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// Over n, at all lags.
fn autocovariance(values: &[f64]) -> Vec<f64> {
    let m = mean(values);
    let d: Vec<f64> = values.iter().map(|v| v - m).collect();
    let n = d.len();
    (0..n)
        .map(|lag| d.iter().zip(&d[lag..]).map(|(a, b)| a * b).sum::<f64>() / n as f64)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An autoregression driven by sums of twelve uniforms of the minimal standard generator (S. K.
    /// Park and K. W. Miller, Commun. ACM 31 (1988) 1192-1201).
    fn chain(seed: u64, phi: f64, shift: f64) -> Vec<f64> {
        let mut state = seed;
        let mut x = 0.0;
        (0..120)
            .map(|_| {
                let mut sum = -6.0;
                for _ in 0..12 {
                    state = 16807 * state % 2_147_483_647;
                    sum += state as f64 / 2_147_483_647.0;
                }
                x = phi * x + sum;
                x + shift
            })
            .collect()
    }

    /// Values of a general library: arviz 0.21.0, `rhat(method="z_scale")` and `ess(method="bulk")`.
    #[test]
    fn agreement_and_size_are_those_of_the_reference_library() {
        let cases = [
            (0.0, 0.0, 1.008_447_159_169_639, 238.844_124_587_448_53),
            (0.7, 0.0, 1.090_994_221_945_776_2, 22.377_433_942_123_716),
            (0.95, 0.0, 1.473_293_251_175_272_5, 4.354_616_053_590_326),
            (0.5, 3.0, 1.721_199_529_365_225_8, 3.355_295_549_510_17),
        ];
        for (phi, shift, agreement, size) in cases {
            let chains = [chain(11, phi, 0.0), chain(77, phi, shift)];
            // Quantiles of the normal distribution agree to about 1e-9 between the libraries.
            assert!(
                (r_hat(&chains) - agreement).abs() < 1e-7,
                "{}",
                r_hat(&chains)
            );
            let ours = effective_size(&chains);
            assert!((ours / size - 1.0).abs() < 1e-6, "{ours} for {size}");
        }
    }

    #[test]
    fn too_few_draws_are_no_number() {
        assert!(r_hat(&[vec![1.0, 2.0]]).is_nan());
        assert!(effective_size(&[]).is_nan());
    }
}
