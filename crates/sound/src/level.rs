//! Levels and the energies behind them.

/// Level in dB of a mean square relative to that of 0 dB; minus infinity for nothing.
pub fn db(energy: f64) -> f64 {
    10.0 * energy.max(0.0).log10()
}

/// Energy relative to that of 0 dB.
pub fn energy(db: f64) -> f64 {
    10.0_f64.powf(0.1 * db)
}

/// Levels together: `10 lg Σ 10^(L/10)` (ISO/TR 25417).
pub fn sum(levels_db: &[f64]) -> f64 {
    db(levels_db.iter().map(|&l| energy(l)).sum())
}

/// Level of the mean energy.
pub fn mean(levels_db: &[f64]) -> f64 {
    sum(levels_db) - 10.0 * (levels_db.len() as f64).log10()
}

/// What is left of a total when a part is taken away; `None` if the part is not quieter.
pub fn difference(total_db: f64, part_db: f64) -> Option<f64> {
    (part_db < total_db)
        .then(|| total_db + db(-((part_db - total_db) * std::f64::consts::LN_10 / 10.0).exp_m1()))
}

/// Equivalent level of (level dB, duration s) pairs: the steady level of the same energy
/// (ISO 1996-1, 3.1.7).
pub fn equivalent(stretches: &[(f64, f64)]) -> f64 {
    let time_s: f64 = stretches.iter().map(|s| s.1).sum();
    db(stretches.iter().map(|&(l, t)| energy(l) * t).sum::<f64>() / time_s)
}
