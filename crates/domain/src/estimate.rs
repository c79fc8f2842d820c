use std::fmt;

/// What an estimate rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// The very condition was measured.
    Measured,
    /// Between measured conditions.
    Interpolated,
    /// Outside what was measured.
    Extrapolated,
    /// Only a prior speaks.
    Assumed,
}

impl Basis {
    /// The token used in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Interpolated => "interpolated",
            Self::Extrapolated => "extrapolated",
            Self::Assumed => "assumed",
        }
    }

    /// The weaker of two bases.
    #[must_use]
    pub fn weaker(self, other: Self) -> Self {
        self.max(other)
    }
}

impl fmt::Display for Basis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.token())
    }
}

/// A number with its 90 % interval and its basis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The central value.
    pub value: f64,
    /// Lower end of the 90 % interval.
    pub lo: f64,
    /// Upper end of the 90 % interval.
    pub hi: f64,
    /// What it rests on.
    pub basis: Basis,
}

/// Half-width of a two-sided 90 % interval in standard deviations of a normal distribution.
const HALF_WIDTH_90: f64 = 1.644_853_626_951_472_2;

impl Estimate {
    /// An estimate with normal errors of standard deviation `sd`.
    pub fn normal(value: f64, sd: f64, basis: Basis) -> Self {
        Self {
            value,
            lo: value - HALF_WIDTH_90 * sd,
            hi: value + HALF_WIDTH_90 * sd,
            basis,
        }
    }

    /// The same in another unit: `factor * x + offset`.
    #[must_use]
    pub fn affine(self, factor: f64, offset: f64) -> Self {
        let (a, b) = (self.lo * factor + offset, self.hi * factor + offset);
        Self {
            value: self.value * factor + offset,
            lo: a.min(b),
            hi: a.max(b),
            basis: self.basis,
        }
    }

    /// Width of the interval.
    pub fn width(self) -> f64 {
        self.hi - self.lo
    }

    /// Whether `truth` lies inside the interval.
    pub fn contains(self, truth: f64) -> bool {
        (self.lo..=self.hi).contains(&truth)
    }
}

/// An estimate, or the measurement that would make one possible.
#[derive(Clone, Debug, PartialEq)]
pub enum Figure {
    /// Known, with an interval.
    Known(Estimate),
    /// Not to be known from what was measured; `needs` names what would tell.
    Unknown {
        /// The run or measurement that would tell, as a noun phrase.
        needs: String,
    },
}

impl Figure {
    /// The estimate, if there is one.
    pub fn estimate(&self) -> Option<Estimate> {
        match self {
            Self::Known(estimate) => Some(*estimate),
            Self::Unknown { .. } => None,
        }
    }

    /// The central value, if there is one.
    pub fn value(&self) -> Option<f64> {
        self.estimate().map(|e| e.value)
    }
}

impl From<Estimate> for Figure {
    fn from(estimate: Estimate) -> Self {
        Self::Known(estimate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_negative_factor_keeps_the_ends_in_order() {
        let flipped = Estimate::normal(2.0, 1.0, Basis::Measured).affine(-1.0, 0.0);
        assert!(flipped.lo < flipped.value && flipped.value < flipped.hi);
    }

    #[test]
    fn assumed_is_the_weakest_basis() {
        assert_eq!(Basis::Measured.weaker(Basis::Assumed), Basis::Assumed);
    }
}
