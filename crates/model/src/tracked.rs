//! Exponentials and powers of arguments that move slowly.
//!
//! Temperatures and speeds change little from step to step, so each function is taken from its
//! Taylor series about an anchor, which is set anew once the argument has moved 1/64 (absolutely
//! for the exponential, relatively for the power). Errors do not add up: they are those of one
//! truncated series, below 1e-12 of the value.

/// Farthest that a series is used from its anchor.
const REACH: f64 = 1.0 / 64.0;

/// A polynomial of degree 5 by Estrin's scheme, which shortens the chain of operations.
#[inline]
fn polynomial(c: &[f64; 6], z: f64) -> f64 {
    let z2 = z * z;
    (c[0] + c[1] * z) + (c[2] + c[3] * z) * z2 + (c[4] + c[5] * z) * (z2 * z2)
}

/// `exp(x)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Exp {
    anchor: f64,
    value: f64,
}

impl Exp {
    pub(crate) const fn new() -> Self {
        Self {
            anchor: 0.0,
            value: 1.0,
        }
    }

    /// Truncation below `REACH⁶ / 720` = 2e-14.
    #[inline]
    pub(crate) fn at(&mut self, x: f64) -> f64 {
        const SERIES: [f64; 6] = [1.0, 1.0, 1.0 / 2.0, 1.0 / 6.0, 1.0 / 24.0, 1.0 / 120.0];
        let mut z = x - self.anchor;
        if z.abs() > REACH || z.is_nan() {
            *self = Self {
                anchor: x,
                value: x.exp(),
            };
            z = 0.0;
        }
        self.value * polynomial(&SERIES, z)
    }
}

/// `exp(a ln x + c ln² x)`, `x > 0`: a power whose exponent changes with `x`; `x^a` for `c` = 0.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Power {
    exponent: f64,
    curvature: f64,
    per_anchor: f64,
    series: [f64; 6],
}

impl Power {
    pub(crate) fn new(exponent: f64, curvature: f64) -> Self {
        Self {
            exponent,
            curvature,
            per_anchor: f64::NAN,
            series: [f64::NAN; 6],
        }
    }

    /// Truncation below `REACH⁶` times a coefficient of the binomial series, for exponents from 0
    /// to 1: 1e-12.
    #[inline]
    pub(crate) fn at(&mut self, x: f64) -> f64 {
        let mut z = x * self.per_anchor - 1.0;
        if z.abs() > REACH || z.is_nan() {
            self.set_anchor(x);
            z = 0.0;
        }
        polynomial(&self.series, z)
    }

    /// About `x₀`, with `L = ln(1 + z)`: the value at `x₀` times `(1 + z)^(a + 2 c ln x₀)` times
    /// `exp(c L²)`, `L² = z² - z³ + 11/12 z⁴ - 5/6 z⁵ + …`, `L⁴ = z⁴ - 2 z⁵ + …`.
    #[cold]
    fn set_anchor(&mut self, x: f64) {
        let (a, c, ln) = (self.exponent, self.curvature, x.ln());
        self.per_anchor = 1.0 / x;
        let value = (ln * (a + c * ln)).exp();
        let local = a + 2.0 * c * ln;
        let mut power = [value; 6];
        for k in 1..6 {
            let done = (k - 1) as f64;
            power[k] = power[k - 1] * (local - done) / (done + 1.0);
        }
        let bend = [
            1.0,
            0.0,
            c,
            -c,
            c * 11.0 / 12.0 + 0.5 * c * c,
            -c * 5.0 / 6.0 - c * c,
        ];
        for k in 0..6 {
            self.series[k] = (0..=k).map(|j| bend[j] * power[k - j]).sum();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moving_arguments_follow_the_library_functions() {
        let (mut exp, mut power, mut bent) =
            (Exp::new(), Power::new(0.55, 0.0), Power::new(0.32, -0.04));
        for i in 0..4000 {
            let x = 0.05 + 0.5 * (f64::from(i) * 0.003).sin().powi(2);
            let ln = x.ln();
            for (got, expected) in [
                (exp.at(x), x.exp()),
                (power.at(x), x.powf(0.55)),
                (bent.at(x), (0.32 * ln - 0.04 * ln * ln).exp()),
            ] {
                assert!(
                    (got - expected).abs() <= 1e-12 * expected,
                    "{got} {expected}"
                );
            }
        }
    }
}
