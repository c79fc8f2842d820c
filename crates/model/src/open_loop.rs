//! The ladder alone, driven by a logged power and a logged or fixed fan speed.

use crate::thermal::{Chain, Nodes, Propagator};
use crate::{Cooling, ModelError, PowerTrace};

/// A ladder in constant air with nothing that feeds back: what a thermal fit to a log evaluates
/// again and again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpenLoop<'a> {
    /// The ladder and its conductance to the air.
    pub cooling: &'a Cooling,
    /// Factor on the die's resistance.
    pub hot_spot: f64,
    /// Room at the intake, °C; the cooling's case offset comes on top.
    pub room_c: f64,
    /// Air density, kg/m³.
    pub air_density_kg_m3: f64,
    /// Fan share at the start, and wherever none was logged.
    pub fan_share: f64,
    /// The power under which it had settled at the first sample, W.
    pub start_power_w: f64,
}

impl OpenLoop<'_> {
    /// Hands over the node temperatures (°C, die first) at each sample, from the first one on.
    /// Exact for the mean power and a constant fan speed between samples.
    ///
    /// # Errors
    /// A cooling that fails its check; lists of unequal length, fewer than two samples, times that
    /// fall.
    pub fn respond(
        &self,
        trace: &PowerTrace<'_>,
        mut on_sample: impl FnMut(usize, &[f64]),
    ) -> Result<(), ModelError> {
        self.cooling.check()?;
        trace.check()?;
        let chain = Chain::new(self.cooling, self.hot_spot);
        let air_c = self.room_c + self.cooling.case_offset_k;
        let conductance = |share| {
            self.cooling
                .conductance_w_per_k(share, self.air_density_kg_m3)
        };
        let (mut share, mut power_w) = (self.fan_share, self.start_power_w);
        let mut g = conductance(share);
        let mut rises = chain.settled(power_w, g, 0.0);
        on_sample(0, &rises.map(|rise| air_c + rise)[..chain.n]);
        let (mut last_dt, mut propagator) = (f64::NAN, Propagator::ZERO);
        for i in 1..trace.times_s.len() {
            let dt = trace.times_s[i] - trace.times_s[i - 1];
            if let Some(logged) = logged(trace.fan_share, i)
                && logged.to_bits() != share.to_bits()
            {
                share = logged;
                g = conductance(share);
                last_dt = f64::NAN;
            }
            if dt.to_bits() != last_dt.to_bits() {
                propagator = chain.propagator(g, dt);
                last_dt = dt;
            }
            power_w = logged(Some(trace.power_w), i).unwrap_or(power_w);
            rises = propagator.advance(&rises, power_w);
            let nodes_c: Nodes = rises.map(|rise| air_c + rise);
            on_sample(i, &nodes_c[..chain.n]);
        }
        Ok(())
    }
}

/// The reading of a sample, where there is one.
#[inline]
fn logged(list: Option<&[f64]>, index: usize) -> Option<f64> {
    list.and_then(|list| list.get(index).copied())
        .filter(|value| value.is_finite())
}
