//! Many tests at once.

/// Adjusted p-values, in the order given: S. Holm, Scand. J. Statist. 6 (1979) 65-70. Rejecting
/// those up to 0.05 makes a false rejection among all of them at most 5 % likely.
///
/// ```
/// use settlepoint_stats::two_sample::holm;
///
/// assert_eq!(holm(&[0.01, 0.04]), [0.02, 0.04]);
/// ```
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&i, &j| p[i].total_cmp(&p[j]));
    let mut adjusted = vec![0.0; p.len()];
    let mut largest = 0.0_f64;
    for (rank, &i) in order.iter().enumerate() {
        let tests_left = (p.len() - rank) as f64;
        largest = largest.max((tests_left * p[i]).min(1.0));
        adjusted[i] = largest;
    }
    adjusted
}

/// Each p-value times their number, at most 1.
pub fn bonferroni(p: &[f64]) -> Vec<f64> {
    let tests = p.len() as f64;
    p.iter().map(|p| (tests * p).min(1.0)).collect()
}
