//! Whether a temperature has settled, and where it is heading if not.

use settlepoint_domain::{Basis, Estimate, Plateau};

use crate::series::{self, student_over_normal};

/// Fewest readings in a settled tail.
const MIN_TAIL: usize = 6;
/// Tails tried, as shares of the phase, longest first. A tail shorter than a fifth says little
/// about a phase that still moves.
const TAILS: [f64; 6] = [1.0, 0.75, 0.5, 0.4, 0.3, 0.2];
/// A drift below this is no drift, K: readings of a die wander by as much.
const STILL_K: f64 = 0.3;
/// A drift over the tail below this share of the phase's whole change is settled.
const STILL_SHARE: f64 = 0.02;
/// Longer phases are thinned to about this many readings.
const READINGS: usize = 2000;

struct Line {
    drift_k: f64,
    drift_sd_k: f64,
    /// Whether the readings scatter at all.
    scatters: bool,
}

/// The plateau of one phase, °C; none if it has too few readings or cannot be told.
pub(crate) fn plateau(time_s: &[f64], temp_c: &[f64], resolution_k: f64) -> Option<Plateau> {
    let (time_s, temp_c) = thinned(time_s, temp_c);
    if let Some(first) = settled_from(&time_s, &temp_c, resolution_k) {
        let temp_c = series::mean(&temp_c[first..], resolution_k)?;
        return Some(Plateau {
            temp_c,
            settled: true,
        });
    }
    heading(&time_s, &temp_c, resolution_k)
}

/// Where a phase that has not settled is heading, °C.
pub(crate) fn heading(time_s: &[f64], temp_c: &[f64], resolution_k: f64) -> Option<Plateau> {
    let (time_s, temp_c) = thinned(time_s, temp_c);
    extrapolated(&time_s, &temp_c, resolution_k).map(|temp_c| Plateau {
        temp_c,
        settled: false,
    })
}

fn thinned(time_s: &[f64], temp_c: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let stride = time_s.len().div_ceil(READINGS).max(1);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    (
        time_s.chunks(stride).map(mean).collect(),
        temp_c.chunks(stride).map(mean).collect(),
    )
}

/// First reading of the longest tail without drift.
pub(crate) fn settled_from(time_s: &[f64], temp_c: &[f64], resolution_k: f64) -> Option<usize> {
    let n = temp_c.len();
    let range_k = range_k(temp_c);
    TAILS.iter().find_map(|&share| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a count is between 0 and the count"
        )]
        let rows = (share * n as f64).ceil() as usize;
        let first = n - rows.min(n);
        let line = (n - first >= MIN_TAIL).then(|| line(&time_s[first..], &temp_c[first..]))??;
        let still_k = STILL_K.max(0.6 * resolution_k).max(STILL_SHARE * range_k);
        // Both: no more drift than matters, and the reading good enough to say so.
        let seen_k = line.drift_k.abs();
        let settled =
            seen_k <= still_k || (seen_k < 2.0 * line.drift_sd_k && seen_k < 3.0 * still_k);
        settled.then_some(first)
    })
}

fn range_k(temp_c: &[f64]) -> f64 {
    let hi = temp_c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    hi - temp_c.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Straight line by least squares; the drift is its rise over the whole length.
fn line(time_s: &[f64], temp_c: &[f64]) -> Option<Line> {
    let n = time_s.len() as f64;
    let span_s = time_s.last()? - time_s.first()?;
    if span_s <= 0.0 {
        return None;
    }
    let (mt, my) = (
        time_s.iter().sum::<f64>() / n,
        temp_c.iter().sum::<f64>() / n,
    );
    let stt: f64 = time_s.iter().map(|t| (t - mt) * (t - mt)).sum();
    let sty: f64 = time_s
        .iter()
        .zip(temp_c)
        .map(|(t, y)| (t - mt) * (y - my))
        .sum();
    let slope = sty / stt;
    let residual: Vec<f64> = time_s
        .iter()
        .zip(temp_c)
        .map(|(t, y)| y - my - slope * (t - mt))
        .collect();
    let (m, variance) = series::moments(&residual);
    let effective = series::effective_count(&residual, m, variance);
    Some(Line {
        drift_k: slope * span_s,
        drift_sd_k: span_s
            * (variance * n / effective / stt).sqrt()
            * student_over_normal(effective - 2.0),
        scatters: variance > 0.0,
    })
}

/// `a + b exp(-t / tau)` with tau on a grid: one term of the profile.
struct Exponential {
    end_c: f64,
    end_variance: f64,
    squares: f64,
}

const GRID: usize = 48;

/// The end of a single exponential with its 90 % interval over all time constants that the
/// readings allow, each weighed by its likelihood; none where that leaves the end open.
fn extrapolated(time_s: &[f64], temp_c: &[f64], resolution_k: f64) -> Option<Estimate> {
    if temp_c.len() < 2 * MIN_TAIL {
        return None;
    }
    // The first fifth holds what is faster than the slowest part, which alone sets the end.
    let skip = temp_c.len() / 5;
    let (time_s, temp_c) = (&time_s[skip..], &temp_c[skip..]);
    let span_s = time_s.last()? - time_s.first()?;
    // From a twentieth of the stretch to five of it, evenly in the logarithm.
    let in_spans = |i: usize| 0.05 * 100.0_f64.powf(i as f64 / (GRID - 1) as f64);
    let (prior, profile): (Vec<f64>, Vec<Exponential>) = (0..GRID)
        .filter_map(|i| {
            // Phases are meant to settle: longer than the stretch is less likely by as much.
            let prior = (1.0 / in_spans(i)).min(1.0);
            Some((prior, exponential(time_s, temp_c, in_spans(i) * span_s)?))
        })
        .unzip();
    let best = profile
        .iter()
        .map(|e| e.squares)
        .fold(f64::INFINITY, f64::min);
    let noise = residual_variance(time_s, temp_c, best, resolution_k);
    let weights: Vec<f64> = profile
        .iter()
        .zip(prior)
        .map(|(e, prior)| prior * (-(e.squares - best) / (2.0 * noise)).exp())
        .collect();
    // Weight left at the longest time constants: a straight line would do, the end is open.
    let longest: f64 = weights.iter().rev().take(GRID / 8).sum();
    if longest > 0.1 * weights.iter().sum::<f64>() {
        return None;
    }
    let end = mixture(&profile, &weights, noise)?;
    let seen_k = range_k(temp_c);
    (end.width() <= 2.0 * seen_k.max(resolution_k)).then_some(end)
}

fn exponential(time_s: &[f64], temp_c: &[f64], tau_s: f64) -> Option<Exponential> {
    let n = time_s.len() as f64;
    let u: Vec<f64> = time_s
        .iter()
        .map(|t| (-(t - time_s[0]) / tau_s).exp())
        .collect();
    let (mu, my) = (u.iter().sum::<f64>() / n, temp_c.iter().sum::<f64>() / n);
    let suu: f64 = u.iter().map(|x| (x - mu) * (x - mu)).sum();
    let suy: f64 = u.iter().zip(temp_c).map(|(x, y)| (x - mu) * (y - my)).sum();
    let syy: f64 = temp_c.iter().map(|y| (y - my) * (y - my)).sum();
    (suu > 0.0).then(|| Exponential {
        end_c: my - suy / suu * mu,
        end_variance: 1.0 / n + mu * mu / suu,
        squares: (syy - suy * suy / suu).max(0.0),
    })
}

/// Variance of the residuals times the number of readings that say the same.
fn residual_variance(time_s: &[f64], temp_c: &[f64], squares: f64, resolution_k: f64) -> f64 {
    let n = temp_c.len() as f64;
    let own = squares / (n - 3.0).max(1.0);
    let rounding = resolution_k * resolution_k / 12.0;
    // The correlation of the readings about short straight pieces.
    let piece = (temp_c.len() / 4).max(MIN_TAIL);
    let redundancy = time_s
        .chunks(piece)
        .zip(temp_c.chunks(piece))
        .filter_map(|(t, y)| {
            let line = line(t, y)?;
            line.scatters.then(|| redundancy(y))
        })
        .fold(1.0, f64::max);
    (own.max(rounding) * redundancy).max(1e-6)
}

fn redundancy(values: &[f64]) -> f64 {
    let (m, variance) = series::moments(values);
    values.len() as f64 / series::effective_count(values, m, variance)
}

/// Mean and spread of the ends over the profile.
fn mixture(profile: &[Exponential], weights: &[f64], noise: f64) -> Option<Estimate> {
    let total: f64 = weights.iter().sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    let mean = profile
        .iter()
        .zip(weights)
        .map(|(e, w)| w * e.end_c)
        .sum::<f64>()
        / total;
    let variance = profile
        .iter()
        .zip(weights)
        .map(|(e, w)| w * ((e.end_c - mean).powi(2) + noise * e.end_variance))
        .sum::<f64>()
        / total;
    Some(Estimate::normal(mean, variance.sqrt(), Basis::Extrapolated))
}
