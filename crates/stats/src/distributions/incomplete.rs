//! Incomplete gamma and beta functions, their densities and the logarithm of the gamma function.

use std::f64::consts::PI;

/// Enough for the continued fractions at 1e9 degrees of freedom, whose length grows with the
/// square root.
const MAX_TERMS: usize = 200_000;

/// Keeps the denominators of Lentz's method from zero.
const TINY: f64 = 1e-300;

/// Error of Stirling's formula, `ln(a!) - ln(sqrt(2 pi a) (a/e)^a)`, for a > 0.
fn stirling_error(a: f64) -> f64 {
    // delta(a) = delta(a + 1) + (a + 1/2) ln(1 + 1/a) - 1 leads to where the series is exact.
    let mut shifted = a;
    let mut steps = 0.0;
    while shifted < 16.0 {
        steps += (shifted + 0.5) * (1.0 / shifted).ln_1p() - 1.0;
        shifted += 1.0;
    }
    // Abramowitz and Stegun 6.1.41; the first term left out is below 1e-17 from 16 on.
    let square = (1.0 / shifted).powi(2);
    let coefficients = [
        1.0 / 12.0,
        -1.0 / 360.0,
        1.0 / 1260.0,
        -1.0 / 1680.0,
        1.0 / 1188.0,
        -691.0 / 360_360.0,
    ];
    let series = coefficients
        .iter()
        .rev()
        .fold(0.0, |sum, c| sum * square + c);
    steps + series / shifted
}

/// Loader's deviance term `a ln(a / x) + x - a`, without cancellation near a = x.
fn deviance(a: f64, x: f64) -> f64 {
    if (a - x).abs() >= 0.1 * (a + x) {
        return a * (a / x).ln() + x - a;
    }
    let v = (a - x) / (a + x);
    let square = v * v;
    let mut sum = (a - x) * v;
    let mut term = 2.0 * a * v;
    for j in 1..1000 {
        term *= square;
        let next = sum + term / f64::from(2 * j + 1);
        if (next - sum).abs() <= 0.0 {
            break;
        }
        sum = next;
    }
    sum
}

/// `x^a e^-x / a!` for a > 0, x > 0.
fn poisson(a: f64, x: f64) -> f64 {
    (-stirling_error(a) - deviance(a, x)).exp() / (2.0 * PI * a).sqrt()
}

/// `x^a y^b (a + b)! / (a! b!)` for a, b > 0 and x + y = 1.
fn binomial(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let log = stirling_error(n)
        - stirling_error(a)
        - stirling_error(b)
        - deviance(a, n * x)
        - deviance(b, n * y);
    log.exp() * (n / (2.0 * PI * a * b)).sqrt()
}

/// Density of the gamma distribution of shape `a` at `x`.
pub(super) fn gamma_density(a: f64, x: f64) -> f64 {
    if x < 0.0 || x.is_infinite() {
        0.0
    } else if x == 0.0 {
        at_edge(a)
    } else {
        poisson(a, x) * a / x
    }
}

/// Density `~ x^(a - 1)` at x = 0 up to its constant, which matters for a = 1 only.
fn at_edge(a: f64) -> f64 {
    if a < 1.0 {
        f64::INFINITY
    } else if a > 1.0 {
        0.0
    } else {
        1.0
    }
}

/// Density of the beta distribution at `x`, where `y = 1 - x`.
pub(super) fn beta_density(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 {
        at_edge(a) * b
    } else if y <= 0.0 {
        at_edge(b) * a
    } else {
        binomial(a, b, x, y) * a * b / ((a + b) * x * y)
    }
}

/// Lower and upper regularised incomplete gamma function, P(a, x) and Q(a, x).
pub(super) fn gamma_tails(a: f64, x: f64) -> (f64, f64) {
    if x.is_nan() {
        return (f64::NAN, f64::NAN);
    }
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    let factor = poisson(a, x);
    if x < a + 1.0 {
        let lower = factor * gamma_series(a, x);
        (lower, 1.0 - lower)
    } else {
        let upper = factor * a * gamma_fraction(a, x);
        (1.0 - upper, upper)
    }
}

/// `sum x^k a! / (a + k)!`, Abramowitz and Stegun 6.5.29.
fn gamma_series(a: f64, x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    let mut denominator = a;
    for _ in 0..MAX_TERMS {
        denominator += 1.0;
        term *= x / denominator;
        sum += term;
        if term <= 0.25 * f64::EPSILON * sum {
            break;
        }
    }
    sum
}

/// Abramowitz and Stegun 6.5.31 in its even form.
fn gamma_fraction(a: f64, x: f64) -> f64 {
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / b;
    let mut fraction = d;
    let mut k = 0.0;
    for _ in 0..MAX_TERMS {
        k += 1.0;
        let numerator = k * (a - k);
        b += 2.0;
        d = 1.0 / nonzero(numerator * d + b);
        c = nonzero(b + numerator / c);
        let factor = c * d;
        fraction *= factor;
        if (factor - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    fraction
}

fn nonzero(value: f64) -> f64 {
    if value.abs() < TINY { TINY } else { value }
}

/// Regularised incomplete beta function from 0 to `x` and from `x` to 1, where `y = 1 - x`.
pub(super) fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    if x.is_nan() || y.is_nan() {
        return (f64::NAN, f64::NAN);
    }
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if y <= 0.0 {
        return (1.0, 0.0);
    }
    // x^a y^b / B(a, b)
    let factor = binomial(a, b, x, y) * a * b / (a + b);
    // Distance of x below the mean a / (a + b), from the smaller of x and y.
    let below = if a > b {
        (a + b) * y - b
    } else {
        a - (a + b) * x
    };
    if below >= 0.0 {
        let lower = factor * beta_fraction([a, b], [x, y], below);
        (lower, 1.0 - lower)
    } else {
        let upper = factor * beta_fraction([b, a], [y, x], -below);
        (1.0 - upper, upper)
    }
}

/// The even part of Abramowitz and Stegun 26.5.8 in the arrangement of A. R. `DiDonato` and
/// A. H. Morris, ACM Trans. Math. Softw. 18 (1992) 360-373, eq. (9), free of cancellation also
/// when x is nearly 1; for `below = a - (a + b) x >= 0`.
fn beta_fraction([a, b]: [f64; 2], [x, y]: [f64; 2], below: f64) -> f64 {
    let first = 1.0 + below;
    let ratio = b / a;
    let step = 1.0 + 1.0 / a;
    let mut share = 1.0;
    let mut scale = a + 1.0;
    let (mut above_old, mut under_old) = (0.0, 1.0);
    let (mut above, mut under) = (1.0, first / step);
    let mut fraction = step / first;
    let mut n = 0.0;
    for _ in 0..MAX_TERMS {
        n += 1.0;
        let t = n / a;
        let w = n * (b - n) * x;
        let e = a / scale;
        let alpha = share * (share + ratio) * e * e * (w * x);
        let e = (t + 1.0) / (step + t + t);
        let beta = n + w / scale + e * (first + n * (1.0 + y));
        share = t + 1.0;
        scale += 2.0;
        (above_old, above) = (above, alpha * above_old + beta * above);
        (under_old, under) = (under, alpha * under_old + beta * under);
        let last = fraction;
        fraction = above / under;
        if (fraction - last).abs() <= 0.5 * f64::EPSILON * fraction {
            break;
        }
        above_old /= under;
        under_old /= under;
        above = fraction;
        under = 1.0;
    }
    fraction
}
