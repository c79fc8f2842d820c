//! From the Foster form, which is easy to fit, to the ladder (Cauer's first form), whose nodes
//! are places between the die and the air.

/// One node of the ladder, counted from the heated one outwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LadderStep {
    /// Heat capacity from the node to the reference, J/K.
    pub capacity_j_per_k: f64,
    /// Resistance to the next node, the last to the reference, K/W.
    pub resistance_k_per_w: f64,
}

/// Converts stages of resistance (K/W) and time constant (s), each positive and the time
/// constants distinct, to a ladder of as many nodes.
///
/// The continued fraction of the driving-point impedance (E. Foster and W. Cauer; any text on
/// network synthesis): with Z = P/Q, `1/Z = C s + 1/(R + ...)` step by step. Time is scaled by the
/// geometric mean of the time constants so that the coefficients stay of a size. `None` if the
/// stages are not positive or too alike for double precision.
///
/// ```
/// use settlepoint_infer::network::ladder_of_stages;
/// let ladder = ladder_of_stages(&[(0.35, 10.0)]).expect("one stage is its own ladder");
/// assert_eq!(ladder[0].resistance_k_per_w, 0.35);
/// assert!((ladder[0].capacity_j_per_k - 10.0 / 0.35).abs() < 1e-12);
/// ```
pub fn ladder_of_stages(stages: &[(f64, f64)]) -> Option<Vec<LadderStep>> {
    if stages.is_empty() || stages.iter().any(|(r, tau)| !(*r > 0.0 && *tau > 0.0)) {
        return None;
    }
    let n = stages.len() as f64;
    let scale_s = (stages.iter().map(|(_, tau)| tau.ln()).sum::<f64>() / n).exp();
    let scaled: Vec<(f64, f64)> = stages.iter().map(|(r, tau)| (*r, tau / scale_s)).collect();
    let (mut p, mut q) = impedance(&scaled);
    let mut ladder = Vec::with_capacity(stages.len());
    for _ in 0..stages.len() {
        let capacity = leading(&q)? / leading(&p)?;
        let shifted: Vec<f64> = std::iter::once(0.0).chain(p.iter().copied()).collect();
        q = less_multiple(&q, &shifted, capacity);
        let resistance = leading(&p)? / leading(&q)?;
        p = less_multiple(&p, &q, resistance);
        let good = capacity > 0.0 && resistance > 0.0;
        if !(good && capacity.is_finite() && resistance.is_finite()) {
            return None;
        }
        ladder.push(LadderStep {
            capacity_j_per_k: capacity * scale_s,
            resistance_k_per_w: resistance,
        });
    }
    Some(ladder)
}

/// Numerator and denominator of the sum of `r / (1 + s tau)`, by rising powers of s.
fn impedance(stages: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
    let (mut p, mut q) = (vec![0.0], vec![1.0]);
    for &(r, tau) in stages {
        let own: Vec<f64> = q.iter().map(|c| c * r).collect();
        let mut next = times_pole(&p, tau);
        for (n, o) in next.iter_mut().zip(own) {
            *n += o;
        }
        p = next;
        q = times_pole(&q, tau);
    }
    // The sum of n proper fractions has a numerator of degree n - 1.
    p.truncate(stages.len());
    (p, q)
}

fn times_pole(polynomial: &[f64], tau: f64) -> Vec<f64> {
    let mut out = polynomial.to_vec();
    out.push(0.0);
    for (i, c) in polynomial.iter().enumerate() {
        out[i + 1] += tau * c;
    }
    out
}

fn leading(polynomial: &[f64]) -> Option<f64> {
    polynomial.last().copied()
}

/// `a - factor b` with the leading term, which cancels, left out.
fn less_multiple(a: &[f64], b: &[f64], factor: f64) -> Vec<f64> {
    a.iter()
        .zip(b)
        .map(|(x, y)| x - factor * y)
        .take(a.len() - 1)
        .collect()
}
