//! The one table of weakly informative priors.
//!
//! Every parameter is fitted on a scale on which its prior is a standard normal: `z = 0` is the
//! prior's centre and a change of 1 its standard deviation. A fit therefore starts well scaled, the
//! prior's residual is `z` itself, and how much the data said is read off the posterior's width.

use std::borrow::Cow;
use std::fmt;

/// The scale on which a prior is normal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// The parameter itself.
    Linear,
    /// Its natural logarithm: positive parameters.
    Log,
    /// Its logit: shares between 0 and 1.
    Logit,
}

impl Scale {
    fn forward(self, natural: f64) -> f64 {
        match self {
            Self::Linear => natural,
            Self::Log => natural.ln(),
            Self::Logit => (natural / (1.0 - natural)).ln(),
        }
    }

    fn back(self, scaled: f64) -> f64 {
        match self {
            Self::Linear => scaled,
            Self::Log => scaled.exp(),
            Self::Logit => 1.0 / (1.0 + (-scaled).exp()),
        }
    }
}

impl fmt::Display for Scale {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Linear => "normal",
            Self::Log => "log-normal",
            Self::Logit => "logit-normal",
        })
    }
}

/// A prior: normal with standard deviation `sd` around `scale(centre)`.
#[derive(Clone, Debug, PartialEq)]
pub struct Prior {
    /// Parameter, with its unit in the name.
    pub name: String,
    /// Scale.
    pub scale: Scale,
    /// Centre on the natural scale (the median).
    pub centre: f64,
    /// Standard deviation on `scale`.
    pub sd: f64,
    /// Why.
    pub reason: Cow<'static, str>,
}

/// A prior to use instead of the table's, on the scale of the one that it replaces.
#[derive(Clone, Debug, PartialEq)]
pub struct PriorChange {
    /// Parameter, as in [`Prior::name`].
    pub name: String,
    /// Centre on the natural scale (the median).
    pub centre: f64,
    /// Standard deviation on the prior's scale.
    pub sd: f64,
    /// Why.
    pub reason: String,
    /// Whether a fit without this parameter is an error; otherwise the change is passed over.
    pub required: bool,
}

impl Prior {
    /// A prior with these values.
    pub fn new(
        name: impl Into<String>,
        scale: Scale,
        centre: f64,
        sd: f64,
        reason: impl Into<Cow<'static, str>>,
    ) -> Self {
        Self {
            name: name.into(),
            scale,
            centre,
            sd,
            reason: reason.into(),
        }
    }

    /// The natural value at `z` prior standard deviations from the centre.
    ///
    /// ```
    /// use settlepoint_infer::prior::{Prior, Scale};
    /// let share = Prior::new("natural_share", Scale::Log, 0.08, 0.8, "handbook correlations");
    /// assert!((share.natural(0.0) - 0.08).abs() < 1e-15);
    /// assert!((share.natural(1.0) / 0.08).ln() - 0.8 < 1e-12);
    /// ```
    pub fn natural(&self, z: f64) -> f64 {
        self.scale
            .back(self.scale.forward(self.centre) + self.sd * z)
    }

    /// Takes a change over.
    ///
    /// # Errors
    /// A spread that is none, or a centre that the scale does not have; the message says which.
    pub fn change(&mut self, change: &PriorChange) -> Result<(), String> {
        if !(change.sd.is_finite() && change.sd > 0.0) {
            return Err(format!("{}: sd must be above 0", self.name));
        }
        if !self.scale.forward(change.centre).is_finite() {
            return Err(format!(
                "{}: its prior is {}, so its centre cannot be {}",
                self.name, self.scale, change.centre
            ));
        }
        self.centre = change.centre;
        self.sd = change.sd;
        self.reason = Cow::Owned(change.reason.clone());
        Ok(())
    }

    /// The inverse of [`Prior::natural`].
    pub fn standardised(&self, natural: f64) -> f64 {
        (self.scale.forward(natural) - self.scale.forward(self.centre)) / self.sd
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn natural_and_standardised_are_inverse_on_every_scale() {
        for (scale, centre) in [
            (Scale::Linear, -3.0),
            (Scale::Log, 75.0),
            (Scale::Logit, 0.5),
        ] {
            let prior = Prior::new("x", scale, centre, 0.35, "test");
            for z in [-3.0, -0.2, 0.0, 1.7] {
                // Round trip through exp and ln: a few units in the last place.
                assert!((prior.standardised(prior.natural(z)) - z).abs() < 1e-12);
            }
        }
    }
}
