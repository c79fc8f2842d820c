//! Methods on ranks and permutations, which need no distribution.

use super::{SampleError, checked};
use crate::distributions::StandardNormal;
use crate::random::Random;
use crate::series::{median, moments};

/// The rank-sum test of H. B. Mann and D. R. Whitney, Ann. Math. Statist. 18 (1947) 50-60.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct MannWhitney {
    /// Pairs in which the value of `a` is the larger, ties half.
    pub u: f64,
    /// Whether values repeat across or within the samples.
    pub ties: bool,
    /// Two-sided p-value from all splits of the pooled values, mid-ranks for ties; `None` beyond
    /// [`EXACT_VALUES`] values.
    pub p_exact: Option<f64>,
    /// One-sided p-value of "`a` is larger" from the same distribution.
    pub p_exact_greater: Option<f64>,
    /// Two-sided p-value from the normal distribution with tie and continuity corrections.
    pub p_asymptotic: f64,
    /// The same without continuity correction.
    pub p_asymptotic_plain: f64,
}

/// Values in both samples together up to which the exact distribution is counted.
pub const EXACT_VALUES: usize = 100;

/// Tests whether values of `a` tend to be larger or smaller than those of `b`.
///
/// # Errors
///
/// [`SampleError`] unless both samples have a finite value.
pub fn mann_whitney(a: &[f64], b: &[f64]) -> Result<MannWhitney, SampleError> {
    checked(a, 1)?;
    checked(b, 1)?;
    let (double_ranks, tie_sum) = double_mid_ranks(a, b);
    let (n, m) = (a.len(), b.len());
    let rank_sum: usize = double_ranks[..n].iter().sum();
    let double_u = rank_sum - n * (n + 1);
    let (p_exact, p_exact_greater) = if n + m <= EXACT_VALUES {
        let tails = exact_tails(&double_ranks, n, rank_sum);
        (Some(tails.two_sided), Some(tails.upper))
    } else {
        (None, None)
    };
    let (nf, mf, all) = (n as f64, m as f64, (n + m) as f64);
    let u = 0.5 * double_u as f64;
    let variance = nf * mf / 12.0 * (all + 1.0 - tie_sum / (all * (all - 1.0)).max(1.0));
    let distance = (u - 0.5 * nf * mf).abs();
    let p_of = |distance: f64| {
        if variance > 0.0 {
            (2.0 * StandardNormal.sf(distance / variance.sqrt())).min(1.0)
        } else {
            1.0
        }
    };
    Ok(MannWhitney {
        u,
        ties: tie_sum > 0.0,
        p_exact,
        p_exact_greater,
        p_asymptotic: p_of((distance - 0.5).max(0.0)),
        p_asymptotic_plain: p_of(distance),
    })
}

/// The smallest two-sided p-value that ranks or permutations of `n` against `m` values can give:
/// `2 / (n + m choose n)`. Above 0.05 such a test cannot find anything at 5 %.
pub fn least_two_sided_p(n: usize, m: usize) -> f64 {
    (2.0 / splits(n, m)).min(1.0)
}

/// Number of ways to choose `n` of `n + m`.
fn splits(n: usize, m: usize) -> f64 {
    (1..=n).fold(1.0, |product, i| product * (m + i) as f64 / i as f64)
}

/// Twice the mid-ranks (whole numbers) of `a`, then of `b`; and the sum of t^3 - t over ties.
fn double_mid_ranks(a: &[f64], b: &[f64]) -> (Vec<usize>, f64) {
    let values: Vec<f64> = a.iter().chain(b).copied().collect();
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&i, &j| values[i].total_cmp(&values[j]));
    let mut ranks = vec![0; values.len()];
    let (mut from, mut tie_sum) = (0, 0.0);
    while from < order.len() {
        let value = values[order[from]];
        let count = order[from..]
            .iter()
            .take_while(|&&i| values[i] <= value)
            .count();
        for &i in &order[from..from + count] {
            // First rank from + 1, last from + count: their sum is twice the middle.
            ranks[i] = 2 * from + count + 1;
        }
        tie_sum += (count as f64).powi(3) - count as f64;
        from += count;
    }
    (ranks, tie_sum)
}

struct Tails {
    upper: f64,
    two_sided: f64,
}

/// Tails of the sum of `n` of the doubled ranks over all choices, by counting sums one rank at a
/// time.
fn exact_tails(double_ranks: &[usize], n: usize, observed: usize) -> Tails {
    let ways = count_sums(double_ranks, n);
    let all: f64 = ways.iter().sum();
    let centre = n * (double_ranks.len() + 1);
    let far = observed.abs_diff(centre);
    let upper = ways[observed..].iter().sum::<f64>() / all;
    let two_sided = ways
        .iter()
        .enumerate()
        .filter(|(sum, _)| sum.abs_diff(centre) >= far)
        .map(|(_, ways)| ways)
        .sum::<f64>()
        / all;
    Tails { upper, two_sided }
}

/// Number of ways to choose `n` of the ranks with each sum, counted one rank at a time.
fn count_sums(ranks: &[usize], n: usize) -> Vec<f64> {
    let mut ordered = ranks.to_vec();
    ordered.sort_unstable();
    let most: usize = ordered.iter().rev().take(n).sum();
    let mut ways = vec![vec![0.0_f64; most + 1]; n + 1];
    ways[0][0] = 1.0;
    for (seen, &rank) in ranks.iter().enumerate() {
        for k in (1..=n.min(seen + 1)).rev() {
            let (fewer, more) = ways.split_at_mut(k);
            for (to, from) in more[0].iter_mut().skip(rank).zip(&fewer[k - 1]) {
                *to += from;
            }
        }
    }
    ways.swap_remove(n)
}

/// Two-sided exact p-value of the signed-rank test of F. Wilcoxon, Biometrics Bull. 1 (1945) 80-83,
/// that differences within pairs scatter evenly about 0: all ways to give their ranks a sign are
/// counted, mid-ranks for ties. Differences of 0 say nothing and are left out; 1 if all are.
///
/// # Errors
///
/// [`SampleError`] unless there are from 1 to [`EXACT_VALUES`] finite differences.
pub fn signed_rank(differences: &[f64]) -> Result<f64, SampleError> {
    checked(differences, 1)?;
    let told: Vec<f64> = differences
        .iter()
        .copied()
        .filter(|d| d.abs() > 0.0)
        .collect();
    if told.len() > EXACT_VALUES {
        return Err(SampleError::Level {
            given: told.len() as f64,
        });
    }
    let sizes: Vec<f64> = told.iter().map(|d| d.abs()).collect();
    let (double_ranks, _) = double_mid_ranks(&sizes, &[]);
    let all: usize = double_ranks.iter().sum();
    let risen: usize = double_ranks
        .iter()
        .zip(&told)
        .filter(|(_, d)| **d > 0.0)
        .map(|(rank, _)| rank)
        .sum();
    // Shares of the signs with each sum, one rank at a time.
    let mut shares = vec![0.0_f64; all + 1];
    shares[0] = 1.0;
    for &rank in &double_ranks {
        for sum in (0..=all).rev() {
            let with = if sum >= rank { shares[sum - rank] } else { 0.0 };
            shares[sum] = 0.5 * (shares[sum] + with);
        }
    }
    let far = (2 * risen).abs_diff(all);
    Ok(shares
        .iter()
        .enumerate()
        .filter(|(sum, _)| (2 * sum).abs_diff(all) >= far)
        .map(|(_, share)| share)
        .sum::<f64>()
        .min(1.0))
}

/// The smallest two-sided p-value that ranks of `n` differences can give: `2 / 2^n`.
pub fn least_signed_p(n: usize) -> f64 {
    2.0 * 0.5_f64.powf(n as f64)
}

/// A shift between two samples without a distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Shift {
    /// Median of all differences of a value of `a` and one of `b`.
    pub shift: f64,
    /// Interval from order statistics of the differences.
    pub interval: (f64, f64),
    /// The interval's exact coverage where no values are tied; may be below the level asked for
    /// with very few values, where no interval reaches it.
    pub coverage: f64,
}

/// Shift of `a` against `b` with an interval of at least `level` where one exists: J. L. Hodges and
/// E. L. Lehmann, Ann. Math. Statist. 34 (1963) 598-611; interval from the exact rank-sum
/// distribution.
///
/// # Errors
///
/// [`SampleError`] unless both samples have a finite value, together at most [`EXACT_VALUES`], and
/// the level lies between 0 and 1.
pub fn hodges_lehmann(a: &[f64], b: &[f64], level: f64) -> Result<Shift, SampleError> {
    checked(a, 1)?;
    checked(b, 1)?;
    if !(level > 0.0 && level < 1.0) {
        return Err(SampleError::Level { given: level });
    }
    if a.len() + b.len() > EXACT_VALUES {
        return Err(SampleError::Level {
            given: (a.len() + b.len()) as f64,
        });
    }
    let mut differences: Vec<f64> = a
        .iter()
        .flat_map(|x| b.iter().map(move |y| x - y))
        .collect();
    differences.sort_by(f64::total_cmp);
    let below = cumulative_u(a.len(), b.len());
    let tail = 0.5 * (1.0 - level);
    let rank = below
        .iter()
        .position(|&p| p >= tail)
        .unwrap_or(0)
        .clamp(1, differences.len().div_ceil(2));
    let pairs = differences.len();
    Ok(Shift {
        shift: median(&differences).map_err(|_| SampleError::NotFinite)?,
        interval: (differences[rank - 1], differences[pairs - rank]),
        coverage: 1.0 - 2.0 * below[rank - 1],
    })
}

/// P(U <= u) of untied samples for every u.
fn cumulative_u(n: usize, m: usize) -> Vec<f64> {
    let ranks: Vec<usize> = (1..=n + m).collect();
    let least = n * (n + 1) / 2;
    let ways = count_sums(&ranks, n);
    let all = splits(n, m);
    ways[least..=least + n * m]
        .iter()
        .scan(0.0, |sum, ways| {
            *sum += ways / all;
            Some(*sum)
        })
        .collect()
}

/// Splits up to which a permutation test goes through all of them.
const ALL_SPLITS: f64 = 200_000.0;
/// Random splits where there are more.
const RANDOM_SPLITS: usize = 20_000;

/// Two-sided p-value of the difference of means over all splits of the pooled values, or over
/// random ones (the observed one counted in, so that the level holds) where there are very many.
///
/// # Errors
///
/// [`SampleError`] unless both samples have a finite value.
pub fn permutation_mean(a: &[f64], b: &[f64], random: &mut Random) -> Result<f64, SampleError> {
    checked(a, 1)?;
    checked(b, 1)?;
    let mut pooled: Vec<f64> = a.iter().chain(b).copied().collect();
    let centre = moments(&pooled).map_err(|_| SampleError::NotFinite)?;
    for value in &mut pooled {
        *value -= centre.mean;
    }
    let n = a.len();
    // With the pooled mean at zero, the sum of one part says all. A hair below the observed one
    // counts as equal, since sums in another order round differently.
    let scale = centre.squared_deviations.sqrt().max(f64::MIN_POSITIVE);
    let observed = pooled[..n].iter().sum::<f64>().abs() - 1e-12 * scale;
    if splits(n, b.len()) <= ALL_SPLITS {
        let (far, all) = count_splits(&pooled, n, 0.0, observed);
        return Ok(far as f64 / all as f64);
    }
    let far = (0..RANDOM_SPLITS)
        .filter(|_| {
            random.shuffle(&mut pooled);
            pooled[..n].iter().sum::<f64>().abs() >= observed
        })
        .count();
    Ok((far + 1) as f64 / (RANDOM_SPLITS + 1) as f64)
}

/// Of all ways to choose `left` more of the values: those whose sum is far, and all.
fn count_splits(values: &[f64], left: usize, sum: f64, observed: f64) -> (u64, u64) {
    if left == 0 {
        return (u64::from(sum.abs() >= observed), 1);
    }
    let (mut far, mut all) = (0, 0);
    for i in 0..=values.len() - left {
        let (f, a) = count_splits(&values[i + 1..], left - 1, sum + values[i], observed);
        far += f;
        all += a;
    }
    (far, all)
}
