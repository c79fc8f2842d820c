//! The package: leakage, demand, work rate and clocks.

use crate::Package;

/// Leakage stops growing here, °C. No silicon works above it, and it keeps a thermal runaway
/// finite; an operating point above it is flagged.
pub(crate) const RUNAWAY_C: f64 = 250.0;

impl Package {
    /// Leakage at a die temperature, W: `leak_w * exp(beta (T - reference_c))`, the usual
    /// exponential over the range of a working die; it stops growing at 250 °C.
    pub fn leakage_w(&self, die_c: f64) -> f64 {
        self.leak_w * (self.leak_beta_per_k * (die_c.min(RUNAWAY_C) - self.reference_c)).exp()
    }

    /// Power drawn where no limit acts, W.
    pub fn demand_at_w(&self, die_c: f64) -> f64 {
        self.demand_w + self.leakage_w(die_c) - self.leak_w
    }

    /// Power that does work, W; never below 0.
    pub fn useful_w(&self, power_w: f64, die_c: f64) -> f64 {
        (power_w - self.leakage_w(die_c) - self.base_w).max(0.0)
    }

    /// Useful power at the reference, W.
    pub fn useful_ref_w(&self) -> f64 {
        self.reference_w - self.leak_w - self.base_w
    }

    /// Work rate, in the unit of [`crate::WorkLaw::rate_ref`]; `None` without a work law.
    pub fn work_rate(&self, power_w: f64, die_c: f64) -> Option<f64> {
        let law = self.work?;
        Some(law.rate(self.useful_w(power_w, die_c) / self.useful_ref_w()))
    }

    /// Clocks, MHz, one for each [`crate::ClockLaw`].
    pub fn clocks_mhz(&self, power_w: f64, die_c: f64) -> Vec<f64> {
        let ratio = self.useful_w(power_w, die_c) / self.useful_ref_w();
        self.clocks
            .iter()
            .map(|law| law.clock_ref_mhz * ratio.powf(law.exponent))
            .collect()
    }
}

impl crate::WorkLaw {
    /// Rate at this ratio of useful power to that of the reference: 0 at 0.
    pub fn rate(&self, useful_ratio: f64) -> f64 {
        if useful_ratio <= 0.0 {
            return 0.0;
        }
        let x = useful_ratio.ln();
        self.rate_ref * (self.exponent * x + self.curvature * x * x).exp()
    }
}
