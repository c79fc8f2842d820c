//! Exponentials, logarithms and powers of arguments that move slowly.
//!
//! Temperatures and speeds change little from step to step, so each function is taken from its
//! Taylor series about an anchor, which is set anew once the argument has moved 1/64 (absolutely
//! for the exponential, relatively for the others). Errors do not add up: they are those of one
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

/// `ln(x)`, `x > 0`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ln {
    per_anchor: f64,
    value: f64,
}

impl Ln {
    pub(crate) const fn new() -> Self {
        Self {
            per_anchor: 1.0,
            value: 0.0,
        }
    }

    /// Truncation below `REACH⁷ / 7` = 3e-14.
    #[inline]
    pub(crate) fn at(&mut self, x: f64) -> f64 {
        const SERIES: [f64; 6] = [
            1.0,
            -1.0 / 2.0,
            1.0 / 3.0,
            -1.0 / 4.0,
            1.0 / 5.0,
            -1.0 / 6.0,
        ];
        let mut z = x * self.per_anchor - 1.0;
        if z.abs() > REACH || z.is_nan() {
            *self = Self {
                per_anchor: 1.0 / x,
                value: x.ln(),
            };
            z = 0.0;
        }
        self.value + z * polynomial(&SERIES, z)
    }
}

/// `x^m` for one exponent, `x > 0`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Power {
    exponent: f64,
    series: [f64; 6],
    per_anchor: f64,
    value: f64,
}

impl Power {
    pub(crate) fn new(exponent: f64) -> Self {
        let mut series = [1.0; 6];
        for k in 1..6 {
            let done = (k - 1) as f64;
            series[k] = series[k - 1] * (exponent - done) / (done + 1.0);
        }
        Self {
            exponent,
            series,
            per_anchor: 1.0,
            value: 1.0,
        }
    }

    /// Truncation below `REACH⁶` times a binomial coefficient, for exponents from 0 to 1: 1e-12.
    #[inline]
    pub(crate) fn at(&mut self, x: f64) -> f64 {
        let mut z = x * self.per_anchor - 1.0;
        if z.abs() > REACH || z.is_nan() {
            self.per_anchor = 1.0 / x;
            self.value = x.powf(self.exponent);
            z = 0.0;
        }
        self.value * polynomial(&self.series, z)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moving_arguments_follow_the_library_functions() {
        let (mut exp, mut ln, mut power) = (Exp::new(), Ln::new(), Power::new(0.55));
        for i in 0..4000 {
            let x = 0.05 + 0.5 * (f64::from(i) * 0.003).sin().powi(2);
            for (got, expected) in [
                (exp.at(x), x.exp()),
                (ln.at(x), x.ln()),
                (power.at(x), x.powf(0.55)),
            ] {
                assert!(
                    (got - expected).abs() <= 1e-12 * (1.0 + expected.abs()),
                    "{got} {expected}"
                );
            }
        }
    }
}
