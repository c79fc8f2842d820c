//! Quantiles of distributions on the positive axis.

/// What a distribution says at one point.
pub(super) struct Tails {
    pub(super) lower: f64,
    pub(super) upper: f64,
    pub(super) density: f64,
}

/// More than bisection of all exponents of a double takes.
const MAX_ITERATIONS: usize = 200;

/// Solves `lower(x) = p`, `upper(x) = q` for x > 0, with p + q = 1 and each accurate.
///
/// Works in ln x and the logarithm of the smaller of the two, where these distributions are
/// nearly straight and concave; steps that leave the bracket are replaced by bisection.
pub(super) fn positive_quantile(p: f64, q: f64, start: f64, tails: &dyn Fn(f64) -> Tails) -> f64 {
    if !((0.0..=1.0).contains(&p) && (0.0..=1.0).contains(&q)) {
        return f64::NAN;
    }
    if p <= 0.0 {
        return 0.0;
    }
    if q <= 0.0 {
        return f64::INFINITY;
    }
    // Exponents of the smallest and the largest double.
    let (mut low, mut high) = (-745.0, 709.0);
    let mut log_x: f64 = start.ln();
    for _ in 0..MAX_ITERATIONS {
        let x = log_x.exp();
        let at = tails(x);
        // Rises with x in both cases.
        let (excess, slope) = if p <= q {
            ((at.lower / p).ln(), at.density * x / at.lower)
        } else {
            (-(at.upper / q).ln(), at.density * x / at.upper)
        };
        if excess > 0.0 {
            high = log_x;
        } else {
            low = log_x;
        }
        let newton = log_x - excess / slope;
        let next = if newton >= low && newton <= high {
            newton
        } else {
            0.5 * (low + high)
        };
        let moved = (next - log_x).abs();
        log_x = next;
        if moved <= f64::EPSILON * log_x.abs().max(1.0) {
            break;
        }
    }
    log_x.exp()
}
